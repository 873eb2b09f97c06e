package report

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
)

// However long a run is, few rows are kept, from its first to its last, and none of those
// that are flagged far apart is lost.
func TestPosesAreThinnedToTheWorst(t *testing.T) {
	const rows, apart = 100_000, 9973
	p := Poses{Sensor: "probe"}
	var flagged []float64
	for i := range rows {
		state := verdict.Sound
		if i%apart == 1 {
			state = verdict.Flagged
			flagged = append(flagged, float64(i))
		}
		row := tables.Pose{Time: float64(i), Sensor: "probe", Estimate: &rigid.Pose{Position: r3.Vec{X: float64(i)}}, Chi2: 18, DOF: 18}
		p.Add(&row, math.NaN(), state)
	}
	if len(p.rows) > drawnPoses || len(p.rows) < drawnPoses/2 {
		t.Errorf("%d rows are kept", len(p.rows))
	}
	var kept []float64
	last := -1.0
	for _, j := range p.inTime() {
		if j.state == verdict.Flagged {
			kept = append(kept, j.time)
		}
		if j.time <= last || j.time-last > 2*float64(p.every) {
			t.Errorf("row %g follows %g", j.time, last)
		}
		last = j.time
	}
	if len(kept) != len(flagged) {
		t.Errorf("flagged rows %v, kept are %v", flagged, kept)
	}
	if track := p.Track(); len(track.Points) != len(p.rows) || track.Points[1].X != p.rows[1].time {
		t.Errorf("the track has %d points", len(track.Points))
	}
}
