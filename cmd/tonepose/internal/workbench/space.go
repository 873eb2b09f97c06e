package workbench

import (
	"math"
	"net/http"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/subject"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/stability"
	"tonepose/solver/prediction"
)

// slice answers with the predicted sigma of position over a plane of the working volume,
// for the noise and the orientation of the window at the cursor.
func (s *server) slice(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	of := a.stage
	sensor, cells := a.sensor(), a.whole("cells", 24, 2, 64)
	volume := of.Rig.WorkingVolume
	axis, ok := map[string]int{"x": 0, "y": 1, "z": 2, "": 2}[a.values.Get("axis")]
	if !ok {
		a.fail("axis", "must be x, y or z")
	}
	low, high := vector(volume.Min), vector(volume.Max)
	height := a.number("at_m", (low[axis]+high[axis])/2)
	time := a.number("time", a.last)
	if a.err != nil {
		return a.err
	}
	done, err := s.large(r.Context())
	if err != nil {
		return err
	}
	defer done()
	row, ok := of.Tracks[sensor].Rows.At(time)
	if !ok {
		return subject.ErrLater
	}
	have, err := s.now().Shown(r.Context(), sensor, row)
	if err != nil {
		return err
	}
	if have == nil || len(have.Couplings) == 0 {
		return &badRequest{http.StatusConflict, "no couplings are kept of this window: their noise is not known", "solve the recording with its tables of couplings"}
	}
	re, err := of.NewResolver(sensor)
	if err != nil {
		return err
	}
	c, _ := re.Couplings(have, nil)
	noise := prediction.Noise{Relative: make([]float64, len(c.Common))}
	for i := range c.Value {
		noise.SigmaH = append(noise.SigmaH, math.Sqrt(c.Own(i)))
	}
	for e, v := range c.Common {
		noise.Relative[e] = math.Sqrt(v)
	}
	predictor, err := prediction.New(re.Solver.Problem(), noise)
	if err != nil {
		return &badRequest{http.StatusUnprocessableEntity, err.Error(), "look at a window without lost channels"}
	}
	turn := quat.Number{Real: 1}
	if have.Pose.Estimate != nil {
		turn = have.Pose.Estimate.Rotation
	}
	u, v := (axis+1)%3, (axis+2)%3
	if u > v {
		u, v = v, u
	}
	grid := func(i int) (out []float64) {
		for k := range cells {
			out = append(out, low[i]+(high[i]-low[i])*float64(k)/float64(cells-1))
		}
		return out
	}
	us, vs := grid(u), grid(v)
	sigma := make([][]float64, cells)
	for j, y := range vs {
		if err := r.Context().Err(); err != nil {
			return err
		}
		for _, x := range us {
			var at [3]float64
			at[axis], at[u], at[v] = height, x, y
			b := predictor.At(rigid.Pose{Position: r3.Vec{X: at[0], Y: at[1], Z: at[2]}, Rotation: turn})
			if !b.Observable {
				b.PositionM = math.NaN()
			}
			sigma[j] = append(sigma[j], b.PositionM)
		}
	}
	names := [3]string{"x", "y", "z"}
	type side struct {
		Name   string    `json:"name"`
		Values []float64 `json:"values_m"`
	}
	return answer(w, map[string]any{"axis": names[axis], "at_m": height, "u": side{names[u], us}, "v": side{names[v], vs}, "sigma_m": sigma, "unit": "m"})
}

func vector(v r3.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }

// mostAllan bounds the rows that a deviation is computed of.
const mostAllan = 1 << 17

// allan answers with the Allan deviation of the position over the longest stretch of
// evenly spaced rows.
func (s *server) allan(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	t := a.track()
	from, to := a.stretch()
	if a.err != nil {
		return a.err
	}
	done, err := s.large(r.Context())
	if err != nil {
		return err
	}
	defer done()
	p := t.Rows.Pick(from, to, math.MaxInt32/2, []int{subject.ColumnX, subject.ColumnY, subject.ColumnZ})
	if len(p.Time) > mostAllan {
		p.Time = p.Time[:mostAllan]
	}
	first, end := 0, 0 // of the longest stretch without a gap
	for i, begin := 0, 0; i <= len(p.Time); i++ {
		if i == len(p.Time) || p.Values[0][i] != p.Values[0][i] {
			if i-begin > end-first {
				first, end = begin, i
			}
			begin = i + 1
		}
	}
	out := map[string]any{"axes": []string{"x", "y", "z"}, "tau_s": []float64{}}
	var deviation, lows, highs [3][]float64
	hop := t.Rows.Hop()
	if end-first >= 4 && hop > 0 {
		var taus []float64
		for k := range 3 {
			y := make([]float64, 0, end-first)
			for _, v := range p.Values[k][first:end] {
				y = append(y, float64(v))
			}
			series, err := stability.Values(y, hop)
			if err != nil {
				return err
			}
			points, err := stability.Deviations(series, stability.Overlapping, stability.Octaves(series.Len()), subject.BandShare)
			if err != nil {
				return err
			}
			taus = taus[:0]
			for _, q := range points {
				taus = append(taus, q.TauS)
				deviation[k], lows[k], highs[k] = append(deviation[k], q.Deviation), append(lows[k], q.Lo), append(highs[k], q.Hi)
			}
		}
		out["tau_s"] = taus
	}
	out["deviation_m"], out["low_m"], out["high_m"] = deviation, lows, highs
	out["from_s"], out["to_s"] = nil, nil
	if end > first {
		out["from_s"], out["to_s"] = p.Time[first], p.Time[end-1]
	}
	return answer(w, out)
}
