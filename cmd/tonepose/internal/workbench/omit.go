package workbench

import (
	"context"
	"fmt"
	"math"
	"net/http"

	"tonepose/cmd/tonepose/internal/subject"
	"tonepose/solver"
)

// omitAsk takes emitters and coils out of the solving of a window.
type omitAsk struct {
	Time     float64  `json:"time_s"`
	Sensor   int      `json:"sensor"`
	Emitters []int    `json:"emitters"`
	Coils    []int    `json:"coils"` // channels
	From     *float64 `json:"from_s"`
	To       *float64 `json:"to_s"`
	Points   int      `json:"points"`
}

// omitted is a path solved anew.
type omitted struct {
	Time  []float64 `json:"time_s"`
	X     []float64 `json:"x_m"`
	Y     []float64 `json:"y_m"`
	Z     []float64 `json:"z_m"`
	Sigma []float64 `json:"sigma_m"`
}

// mostSolved bounds how many windows of a path are solved anew.
const mostSolved = 400

// omit answers with the pose of a window with and without some emitters and coils, by
// the solver that solve uses.
func (s *server) omit(w http.ResponseWriter, r *http.Request) error {
	var ask omitAsk
	if err := receive(w, r, &ask); err != nil {
		return err
	}
	of := s.now().Base()
	if ask.Sensor < 0 || ask.Sensor >= len(of.Tracks) {
		return bad("must be the number of a sensor", "sensor = %d", ask.Sensor)
	}
	out, left, err := of.Without(ask.Sensor, ask.Emitters, ask.Coils)
	if err != nil {
		return err
	}
	done, err := s.large(r.Context())
	if err != nil {
		return err
	}
	defer done()
	track := of.Tracks[ask.Sensor]
	row, ok := track.Rows.At(ask.Time)
	if !ok {
		return subject.ErrLater
	}
	have, err := s.now().Shown(r.Context(), ask.Sensor, row)
	if err != nil {
		return err
	}
	if have == nil || len(have.Couplings) == 0 {
		return &badRequest{http.StatusConflict, "no couplings are kept of this window", "solve the recording with its tables of couplings"}
	}
	re, err := of.NewResolver(ask.Sensor)
	if err != nil {
		return err
	}
	if left < re.Solver.Freedom() {
		return &badRequest{http.StatusUnprocessableEntity, fmt.Sprintf("%d couplings are left, and a pose has %d unknowns", left, re.Solver.Freedom()), "leave fewer out"}
	}
	whole, err := re.Solve(r.Context(), have, nil)
	if err != nil {
		return err
	}
	part, err := re.Solve(r.Context(), have, out)
	if err != nil {
		return err
	}
	before, after := of.Read(ask.Sensor, whole), of.Read(ask.Sensor, part)
	if m := after.Couplings; m != nil {
		for i, gone := range out {
			if gone {
				e, k := i/len(m.Channels), i%len(m.Channels)
				m.Residual[e][k], m.Turned[e][k] = math.NaN(), math.NaN()
			}
		}
	}
	answered := map[string]any{"before": before, "after": after, "moved_m": math.NaN(), "turned_rad": math.NaN(), "moved_sigmas": math.NaN()}
	if whole.Pose.Estimate != nil && part.Pose.Estimate != nil {
		moved, turned := subject.Apart(*part.Pose.Estimate, *whole.Pose.Estimate)
		answered["moved_m"], answered["turned_rad"], answered["moved_sigmas"] = moved, turned, moved/before.Sigma
	}
	if ask.From != nil && ask.To != nil {
		path, err := s.omittedPath(r.Context(), re, &ask, out)
		if err != nil {
			return err
		}
		answered["path"] = path
	}
	return answer(w, answered)
}

// omittedPath solves windows of a stretch, evenly picked, without what is left out.
func (s *server) omittedPath(ctx context.Context, re *subject.Resolver, ask *omitAsk, out []bool) (*omitted, error) {
	track := s.now().Base().Tracks[ask.Sensor]
	points := min(max(ask.Points, 1), mostSolved)
	p := track.Rows.Pick(*ask.From, *ask.To, points, nil)
	path := &omitted{Time: []float64{}, X: []float64{}, Y: []float64{}, Z: []float64{}, Sigma: []float64{}}
	for i := 0; i < len(p.Time) && len(path.Time) < mostSolved; i++ {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		row, ok := track.Rows.At(p.Time[i])
		if !ok || row.Time != p.Time[i] {
			continue // a gap
		}
		have, err := s.now().Shown(ctx, ask.Sensor, row)
		if err != nil {
			return nil, err
		}
		if have == nil || len(have.Couplings) == 0 {
			continue
		}
		c, _ := re.Couplings(have, out)
		r := re.From(c, have)
		if r.Status == solver.Invalid || !r.Pose.Finite() {
			continue
		}
		at := r.Pose.Position
		v := r.Covariance
		path.Time, path.X, path.Y, path.Z = append(path.Time, row.Time), append(path.X, at.X), append(path.Y, at.Y), append(path.Z, at.Z)
		path.Sigma = append(path.Sigma, math.Sqrt(v[0][0]+v[1][1]+v[2][2]))
	}
	return path, nil
}
