//go:build slow

package plan

import "testing"

// Plans end whatever the tones; the log names the slowest. On a machine that does nothing
// else each takes less than 20 s.
func TestPlanEndsFor200RandomToneSets(t *testing.T) { planRandomSets(t, 200) }
