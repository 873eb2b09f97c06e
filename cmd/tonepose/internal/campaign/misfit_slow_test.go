//go:build slow

package campaign

import "testing"

// Every cause on many benches.
func TestCausesOfMisfitAtLength(t *testing.T) {
	for _, c := range causes {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.check(t, 20)
		})
	}
	t.Run("nothing", func(t *testing.T) {
		t.Parallel()
		soundBenches(t, 40)
	})
}
