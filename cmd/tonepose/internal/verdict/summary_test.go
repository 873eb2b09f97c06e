package verdict

import (
	"math"
	"strings"
	"testing"
)

// An estimated error beyond any use is worded as such, in a working volume 0.5 m
// across.
func TestWorstErrorIsWorded(t *testing.T) {
	for _, c := range []struct {
		position, rotation float64
		want               string
	}{{1e-3, 0.1, "estimated error up to 1 mm and 5.73°"}, {5.1, 0.1, "not located"}, {1e-3, 3.2, "not located"}, {math.Inf(1), 0, "not located"}} {
		s := Summary{Sensor: "probe", Distorted: 1, Frames: 2, WorstPositionErrorM: c.position, WorstRotationErrorRad: c.rotation, volumeM: 0.5}
		if line := s.Lines()[0]; !strings.Contains(line, "; "+c.want+" at ") {
			t.Errorf("%g m and %g rad: %q, want %q", c.position, c.rotation, line, c.want)
		}
	}
}
