//go:build slow

package integrity

import "testing"

// Fifty thousand clean frames: at 1e-5 a frame half an alarm is expected, and
// more than four once in six thousand runs.
func TestCleanFramesRaiseNoAlarmAtLength(t *testing.T) {
	const n = 50000
	distorted, named, _, covered := alarms(t, n, 2)
	t.Logf("of %d clean frames %d are called distorted, %d wrong; %.4f of the errors are covered", n, distorted, named, covered)
	if distorted > 4 || named > 0 {
		t.Errorf("%d of %d clean frames are called distorted, %d wrong", distorted, n, named)
	}
}
