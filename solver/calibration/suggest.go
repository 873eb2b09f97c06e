package calibration

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/statistics"
)

// Candidate is a pose in which a further station could be taken.
type Candidate struct {
	Sensor        int
	Pose          rigid.Pose // of the sensor, rig frame
	SigmaPosition float64    // of the reference there [m]
	SigmaRotation float64    // [rad]
}

// Gain is what a candidate would bring.
type Gain struct {
	// Worst is the largest sigma of a parameter over its tolerance (of a usual
	// size where none is stated), after the candidate was measured too.
	Worst     float64
	Parameter int // which one that is
}

// Suggest computes what each candidate would bring, in order, and the index of
// the best: after which the worst-known parameter is known best. Couplings there
// are taken to be as noisy as the median of each emitter and coil so far. Gauge
// freedoms, which no station can mend, do not count. Before is the worst as it
// stands.
func (r *Result) Suggest(candidates []Candidate) (best int, gains []Gain, before Gain, err error) {
	f := r.fit
	n := f.normal.n
	free, err := r.freeDirections()
	if err != nil {
		return -1, nil, before, err
	}
	weight := make([]float64, n)
	for i := range weight {
		weight[i] = 1 / (f.size(i) * f.size(i))
	}
	project := keep(free, weight)
	before = f.worst(rigid.Propagate(project, r.inner))
	f.reduce(0)
	now := append([]float64(nil), f.reduced.s...)
	best = -1
	for _, c := range candidates {
		info, err := r.candidateInformation(c)
		if err != nil {
			return -1, nil, before, err
		}
		for i, v := range now {
			info[i] += v
		}
		cov, err := invert(n, info)
		if err != nil {
			return -1, nil, before, err
		}
		gains = append(gains, f.worst(rigid.Propagate(project, cov)))
		if best < 0 || gains[len(gains)-1].Worst < gains[best].Worst {
			best = len(gains) - 1
		}
	}
	return best, gains, before, nil
}

func (f *fit) worst(c *mat.SymDense) Gain {
	g := Gain{Parameter: -1}
	for i := range f.x {
		if v := math.Sqrt(math.Max(0, c.At(i, i))) / f.size(i); v > g.Worst {
			g = Gain{v, i}
		}
	}
	return g
}

// candidateInformation is information for a station not yet taken.
func (r *Result) candidateInformation(c Candidate) ([]float64, error) {
	f := r.fit
	p := *f.problem
	st := Station{
		Name: "candidate", Sensor: c.Sensor,
		SigmaPosition: c.SigmaPosition, SigmaRotation: c.SigmaRotation,
		// Where the reference device would have to see the marker.
		Reference: f.bench.frame.Inverse().Compose(c.Pose).Compose(f.bench.markers[c.Sensor].Inverse()),
	}
	st.Couplings.Variance = f.medianVariance(c.Sensor)
	st.Couplings.Value = make([]float64, len(st.Couplings.Variance))
	st.Quadrature = st.Couplings.Value
	p.Stations = []Station{st}
	one, err := newFit(&p, f.options)
	if err != nil {
		return nil, err
	}
	one.adopt(f)
	one.poses[0] = rigid.Pose{Position: c.Pose.Position, Rotation: rigid.Normalize(c.Pose.Rotation)}
	one.bench.update(one.problem, one.layout, one.x)
	info := make([]float64, one.normal.n*one.normal.n)
	return info, one.information(info, 0)
}

// medianVariance is the median over the sensor's stations of the variance of
// each coupling; +Inf where it was always missing.
func (f *fit) medianVariance(sensor int) []float64 {
	n := len(f.bench.emitters) * len(f.problem.Sensors[sensor].Coils)
	out := make([]float64, n)
	for k := range out {
		var all []float64
		for s := range f.problem.Stations {
			if st := &f.problem.Stations[s]; st.Sensor == sensor && !math.IsInf(st.Couplings.Variance[k], 1) {
				all = append(all, st.Couplings.Variance[k])
			}
		}
		if out[k] = math.Inf(1); all != nil {
			out[k] = statistics.Median(all)
		}
	}
	return out
}
