package inspect

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
	"tonepose/multitone/coupling"
	"tonepose/multitone/recording"
	"tonepose/solver"
)

// Rests are the stretches at which sensors rested, beside a plan of stations.
type Rests struct {
	Plan    string `json:"plan"`
	ByOrder bool   `json:"by_order"` // numbered by their order alone; else by the poses that the rig gives
	Found   []Rest `json:"found"`
	// Beside are rests at none of the stations, Missing the stations at which no rest was found.
	Beside  []Rest   `json:"beside"`
	Missing []string `json:"missing"`

	left []tables.Station // the missing
}

// Rest is one of them, a little inside of it.
type Rest struct {
	Station string  `json:"station,omitempty"`
	Line    int     `json:"line,omitempty"` // of the plan
	Sensor  string  `json:"sensor"`
	StartS  float64 `json:"start_s"`
	StopS   float64 `json:"stop_s"`
	// OffM and OffRad are how far the pose that the rig gives is from the station's; NaN: not asked.
	OffM   float64 `json:"off_m"`
	OffRad float64 `json:"off_rad"`

	couplings solver.Couplings
}

const (
	// movedBy is the mean square in sigmas from which a window is elsewhere than those before it: sigmas of short
	// windows are known to a fifth or so, and a rest that is broken in two is worse than one that a creeping start joins.
	movedBy = 4
	// shaken is how far couplings may change at rest, relative: boards tremble, drives wander.
	shaken = 1e-3
	// hopsPerStation is into how many steps from window to window a station's share of the recording is cut at first.
	hopsPerStation = 16
	mostOverlap    = 4 // windows that have a sample in common, where tones are too close for shorter ones; else two
	// leastWindows are needed for a rest; half of the first and the last, of which too little may lie in the move to
	// show it, is left out.
	leastWindows = 4
	// lever turns an angle between poses into a length [m].
	lever = 0.1
)

// findRests finds where the sensors of a plan rested, and which station each rest is. It begins with
// windows that weak couplings need, and takes shorter ones as long as stations are missing: rests may be
// as short as the tones allow.
func (in *Inspection) findRests(ctx context.Context, r *recording.Reader, b *bench.Bench, survey *stream.Survey, plan string, progress stream.Progress) error {
	stations, err := tables.ReadPoses(plan, b.SensorNames())
	if err != nil {
		return err
	}
	var unlike error // the plan: of the first attempt
	least := in.shortest()
	for hop := min(0.05, r.Info().Duration()/float64(hopsPerStation*len(stations))); ; hop /= 2 {
		found := &Rests{Plan: plan, Found: []Rest{}, Beside: []Rest{}}
		watches, err := in.watch(ctx, r, b, survey, max(least, 2*hop), max(hop, least/mostOverlap), progress)
		if err != nil {
			return err
		}
		var mismatch error
		for i, w := range watches {
			own := slices.DeleteFunc(slices.Clone(stations), func(s tables.Station) bool { return s.Sensor != w.sensor })
			other, err := found.match(w.rests, own, i, b)
			if err != nil {
				return err
			}
			mismatch = cmp.Or(mismatch, other)
		}
		switch {
		case mismatch != nil:
			unlike = cmp.Or(unlike, mismatch)
		case in.Rests == nil:
			in.Rests = found
		default:
			in.Rests.add(found)
		}
		if in.Rests != nil && len(in.Rests.left) == 0 || hop <= least/mostOverlap {
			break
		}
	}
	if in.Rests == nil {
		return unlike
	}
	in.Rests.Missing = []string{}
	for _, s := range in.Rests.left {
		in.Rests.Missing = append(in.Rests.Missing, s.Name())
	}
	slices.SortStableFunc(in.Rests.Found, func(x, y Rest) int { return x.Line - y.Line })
	return nil
}

// add takes the rests at stations that are missing from what shorter windows found.
func (out *Rests) add(shorter *Rests) {
	for _, rest := range shorter.Found {
		if slices.ContainsFunc(out.left, func(s tables.Station) bool { return s.Line == rest.Line }) {
			out.Found = append(out.Found, rest)
			out.Beside = slices.DeleteFunc(out.Beside, func(b Rest) bool {
				return b.Sensor == rest.Sensor && b.StartS < rest.StopS && rest.StartS < b.StopS
			})
		}
	}
	out.left = slices.DeleteFunc(out.left, func(s tables.Station) bool {
		return !slices.ContainsFunc(shorter.left, func(o tables.Station) bool { return o.Line == s.Line })
	})
}

// watch goes through the recording once and finds where the couplings of each sensor rest.
func (in *Inspection) watch(ctx context.Context, r *recording.Reader, b *bench.Bench, survey *stream.Survey, window, hop float64, progress stream.Progress) ([]*watch, error) {
	watches := make([]*watch, len(b.Sensors()))
	coupler := b.Coupler()
	for i := range watches {
		watches[i] = &watch{sensor: b.SensorNames()[i], window: window, hop: hop, matrix: coupler.Matrix(i)}
	}
	_, err := stream.Measure(ctx, r, survey, stream.Measurement{Tones: in.tones, Windows: stream.Windows{Length: window, Hop: hop}}, func(f *stream.Measured) error {
		if err := coupler.Tune(f.Hz); err != nil {
			return err
		}
		for i, w := range watches {
			coupler.Fill(w.matrix, i, f.Frame)
			w.see(f.Time-f.Duration/2, in.rig.Playback != nil)
		}
		return nil
	}, progress)
	for _, w := range watches {
		w.end()
	}
	return watches, err
}

// watch follows the couplings of one sensor and keeps where they do not change.
type watch struct {
	sensor  string
	window  float64
	hop     float64 // from one window's start to the next
	matrix  coupling.Matrix
	began   float64 // of the windows that agree
	windows int
	sum     []complex128
	noise   []float64 // sum of their variances
	rests   []Rest
}

// see takes the couplings of the next window. Currents that are not digitised leave phases open.
func (w *watch) see(start float64, amplitudes bool) {
	if amplitudes {
		for i, v := range w.matrix.Value {
			w.matrix.Value[i] = complex(cmplx.Abs(v), 0)
		}
	}
	if w.windows > 0 && w.moved() {
		w.end()
	}
	if w.windows == 0 {
		w.began = start
		w.sum, w.noise = make([]complex128, len(w.matrix.Value)), make([]float64, len(w.matrix.Value))
	}
	w.windows++
	for i, v := range w.matrix.Value {
		if variance := w.matrix.Variance[i]; !math.IsInf(variance, 1) {
			w.sum[i] += v
			w.noise[i] += variance
		}
	}
}

// moved tells whether the window at hand is elsewhere than the mean of those before.
func (w *watch) moved() bool {
	n := float64(w.windows)
	total := 0.0
	for _, v := range w.sum {
		total += real(v)*real(v) + imag(v)*imag(v)
	}
	floor := shaken * shaken * total / (n * n) / float64(len(w.sum))
	square, count := 0.0, 0
	for i, v := range w.matrix.Value {
		variance := w.matrix.Variance[i]
		if math.IsInf(variance, 1) {
			continue
		}
		d := v - w.sum[i]/complex(n, 0)
		square += (real(d)*real(d) + imag(d)*imag(d)) / (2*(variance+w.noise[i]/(n*n)) + floor)
		count++
	}
	return square > movedBy*float64(count)
}

// end keeps the windows that agreed, from the middle of the first to that of the last, if they are enough.
func (w *watch) end() {
	if n := w.windows; n >= leastWindows {
		rest := Rest{Sensor: w.sensor, StartS: w.began + w.window/2, StopS: w.began + float64(n-1)*w.hop + w.window/2, OffM: math.NaN(), OffRad: math.NaN()}
		apart := float64(n) * w.hop / w.window // windows of which no two overlap
		for i, v := range w.sum {
			rest.couplings.Value = append(rest.couplings.Value, real(v)/float64(n))
			variance := w.noise[i] / (float64(n) * max(1, apart))
			if variance == 0 {
				variance = math.Inf(1)
			}
			rest.couplings.Variance = append(rest.couplings.Variance, variance)
		}
		w.rests = append(w.rests, rest)
	}
	w.windows = 0
}

// match numbers rests by stations, both in the order of time. With digitised drives the pose
// of each rest tells where it was, so that a station left out, or a rest between two, shifts
// nothing; else there must be as many of both. A mismatch says that rests and stations are not alike.
func (out *Rests) match(rests []Rest, stations []tables.Station, sensor int, b *bench.Bench) (mismatch, err error) {
	of := slices.Repeat([]int{-1}, len(rests)) // station of each rest, −1: none
	placed := 0
	if b.Rig().Playback == nil && len(stations) > 0 {
		solve, err := b.Solver(sensor)
		if err != nil {
			return nil, err
		}
		poses := make([]*rigid.Pose, len(rests))
		for k := range rests {
			if found := solve.Cold(rests[k].couplings); found.Status == solver.Converged && found.Pose.Finite() {
				poses[k] = &found.Pose
			}
		}
		var axis *r3.Vec // about which no turn is seen
		if a, blind := solve.Problem().Sensor.BlindAxis(); blind {
			axis = &a
		}
		of = align(len(rests), len(stations), gate(stations, axis), func(k, s int) float64 {
			if poses[k] == nil {
				return math.Inf(1)
			}
			return apart(*poses[k], stations[s].Pose, axis)
		})
		for k, s := range of {
			if s >= 0 {
				placed++
				rests[k].OffM, rests[k].OffRad = between(*poses[k], stations[s].Pose, axis)
			}
		}
	}
	if 2*placed < len(stations) && len(rests) == len(stations) {
		out.ByOrder = true
		for k := range of {
			of[k] = k
			rests[k].OffM, rests[k].OffRad = math.NaN(), math.NaN()
		}
	} else if 2*placed < len(stations) {
		return fmt.Errorf("%s: %d stations of sensor %s, and %d rests, of which %d are at their places: is it the plan of this recording, in the frame of the rig? rests are numbered by their order alone where there are as many as stations",
			out.Plan, len(stations), b.SensorNames()[sensor], len(rests), placed), nil
	}
	taken := make([]bool, len(stations))
	for k, rest := range rests {
		s := of[k]
		if s < 0 {
			out.Beside = append(out.Beside, rest)
			continue
		}
		taken[s] = true
		rest.Station, rest.Line = stations[s].Name(), stations[s].Line
		out.Found = append(out.Found, rest)
	}
	for s := range stations {
		if !taken[s] {
			out.left = append(out.left, stations[s])
		}
	}
	return nil, nil
}

// between is how far two poses are from each other [m], and how far turned [rad]: where a sensor's
// coils are on one axis, that axis.
func between(a, b rigid.Pose, axis *r3.Vec) (off, turn float64) {
	dp, dr := a.Minus(b)
	if axis == nil {
		return r3.Norm(dp), r3.Norm(dr)
	}
	return r3.Norm(dp), r3.Norm(rigid.Log(rigid.Between(a.Rotate(*axis), b.Rotate(*axis))))
}

// apart is how far a pose is from another, turns counted with the lever [m].
func apart(a, b rigid.Pose, axis *r3.Vec) float64 {
	off, turn := between(a, b, axis)
	return math.Hypot(off, lever*turn)
}

// gate is how far a rest may be from its station: half way to the next one.
func gate(stations []tables.Station, axis *r3.Vec) float64 {
	var nearest []float64
	for i := range stations {
		near := lever
		for k := range stations {
			if d := apart(stations[i].Pose, stations[k].Pose, axis); k != i && d > 0 {
				near = min(near, d)
			}
		}
		nearest = append(nearest, near)
	}
	return floats.Min(nearest) / 2
}

// align pairs rests with stations so that both keep their order, every pair is nearer than
// the gate, and the sum of distances, a gate for what stays alone, is least. It returns the
// station of each rest, −1 for none.
func align(rests, stations int, gate float64, distance func(rest, station int) float64) []int {
	cost := make([][]float64, rests+1) // of the first k rests and s stations
	for k := range cost {
		cost[k] = make([]float64, stations+1)
		for s := range cost[k] {
			switch {
			case k == 0:
				cost[k][s] = float64(s) * gate
			case s == 0:
				cost[k][s] = float64(k) * gate
			default:
				cost[k][s] = min(cost[k-1][s], cost[k][s-1]) + gate
				if d := distance(k-1, s-1); d < gate {
					cost[k][s] = min(cost[k][s], cost[k-1][s-1]+d)
				}
			}
		}
	}
	of := make([]int, rests)
	for k, s := rests, stations; k > 0; {
		switch {
		case s > 0 && distance(k-1, s-1) < gate && cost[k][s] == cost[k-1][s-1]+distance(k-1, s-1):
			k, s = k-1, s-1
			of[k] = s
		case s > 0 && cost[k][s] == cost[k][s-1]+gate:
			s--
		default:
			k--
			of[k] = -1
		}
	}
	return of
}
