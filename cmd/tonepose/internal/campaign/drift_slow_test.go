//go:build slow

package campaign

import (
	"testing"

	"tonepose/cmd/tonepose/internal/engine"
)

// Every course, over a hundred stations of two seconds, some of ten, and long windows.
func TestClockThatDriftsAtLength(t *testing.T) {
	b := slowBench(t)
	for _, cell := range []struct {
		name                 string
		options              engine.Options
		recordings, stations int
		seconds              float64
	}{
		{"2 s", engine.Options{}, 20, 5, 2},
		{"10 s", engine.Options{}, 12, 2, 10},
		{"windows of 500 ms", engine.Options{Windows: hann(500e-3)}, 6, 2, 8.2},
		{"3 s, live", engine.Options{Causal: true}, 10, 4, 3},
	} {
		play := func(t *testing.T, c *clockCourse) (s Score) {
			for seed := range cell.recordings {
				c.play(t, b, cell.options, cell.stations, cell.seconds, uint64(seed+1), &s)
			}
			return s
		}
		t.Run(cell.name, func(t *testing.T) {
			twin := play(t, &clockCourse{name: "still"})
			twin.Log(t)
			for i := range clockCourses {
				c := &clockCourses[i]
				t.Run(c.name, func(t *testing.T) {
					t.Parallel()
					s := play(t, c)
					c.check(t, &s, &twin)
					s.Covers(t, 0)
				})
			}
		})
	}
}
