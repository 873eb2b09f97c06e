//go:build slow

package plan

import (
	"testing"
	"time"
)

// A plan ends within 20 s, whatever the tones, on a machine that does nothing else.
func TestPlanEndsFor200RandomToneSets(t *testing.T) {
	if worst := planRandomSets(t, 200); worst > 20*time.Second {
		t.Errorf("the slowest took %v", worst)
	}
}
