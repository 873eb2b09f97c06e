package calibration

import (
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/fieldmodels/rigid"
)

// StationReport says how one station fits.
type StationReport struct {
	Name string
	Pose rigid.Pose // of the sensor, as adjusted
	// Residuals of the couplings, predicted less observed in sigmas, at index
	// e·coils + c; with phases or delays free, those of the quadratures follow.
	// NaN where missing.
	Residuals []float64
	// OffPosition [m] and OffRotation [rad] are the adjusted pose less the one
	// that the reference gives, in the rig frame.
	OffPosition, OffRotation r3.Vec

	ChiSquare          float64 // of the couplings
	ReferenceChiSquare float64
	DOF                float64 // of both: expected sum, what the station itself determines taken off
	// Parts are the sums of its inputs, at the index of each Input but Tolerance.
	Parts [Tolerance]Share
	// PValue is the probability of a larger sum; tiny: the station does not fit.
	PValue float64
	// Leverage is the number of shared parameters that this station determines:
	// all stations together and the tolerances make up their number.
	Leverage float64
	// Outlier: the sum is too large by a chance of one in ten thousand for any of
	// all stations.
	Outlier bool
}

// Share is a sum of squared residuals in sigmas, and what is expected of it: the
// trace of the residuals' covariance (the redundancy numbers of Baarda, A testing
// procedure for use in geodetic networks, Netherlands Geodetic Commission, 1968).
type Share struct {
	ChiSquare, Redundancy float64
	Count                 int // of residuals
}

func (s *Share) add(o Share) {
	s.ChiSquare += o.ChiSquare
	s.Redundancy += o.Redundancy
	s.Count += o.Count
}

// beyond is the probability of a larger sum.
func (s *Share) beyond() float64 {
	if !(s.Redundancy > 0) {
		return 1
	}
	return distuv.ChiSquared{K: s.Redundancy}.Survival(s.ChiSquare)
}

// alarm is the chance with which a sound calibration has anything called
// contradictory: a station of all, or any one input.
const alarm = 1e-4

// Stations reports every station. It costs about two iterations.
func (r *Result) Stations() ([]StationReport, error) {
	f := r.fit
	out := make([]StationReport, len(f.poses))
	info := make([]float64, f.normal.n*f.normal.n)
	for s := range out {
		rep := &out[s]
		rep.Name, rep.Pose = f.problem.Stations[s].Name, f.poses[s]
		rep.OffPosition, rep.OffRotation = f.off(s)
		rows, err := f.rows(info, s)
		if err != nil {
			return nil, err
		}
		rep.Residuals = f.residuals(rows, s)
		blk := &f.normal.blocks[s]
		rep.ChiSquare, rep.ReferenceChiSquare = blk.chi2, blk.prior
		rep.Leverage = trace(r.inner, info)
		rep.DOF = float64(blk.used) - rep.Leverage
		for _, inv := range f.reduced.own[s].Inverse {
			if inv != 0 {
				rep.DOF--
			}
		}
		r.share(rep, rows, s)
		sum := Share{ChiSquare: rep.ChiSquare + rep.ReferenceChiSquare, Redundancy: rep.DOF}
		rep.PValue = sum.beyond()
		rep.Outlier = rep.PValue < alarm/float64(len(out))
	}
	return out, nil
}

// share fills in the parts of a station's sum. With a and b the derivatives of a
// residual by the shared parameters and by the pose, B and C the station's blocks and
// S the reduced equations, a residual is lessened by what the adjustment takes
// from it, bᵀC⁻¹b + tᵀS⁻¹t with t = a − B·C⁻¹·b.
func (r *Result) share(rep *StationReport, rows *tap, s int) {
	f, n := r.fit, r.fit.normal.n
	mixed, t := f.normal.mixed[6*n*s:6*n*(s+1)], make([]float64, n)
	for k, rw := range rows.rows {
		if rows.input[k] == CouplingNoise {
			continue
		}
		own := rw.ByPose
		f.reduced.own[s].Solve(&own)
		taken := 0.0
		for i, v := range own {
			taken += v * rw.ByPose[i]
		}
		for i := range t {
			t[i] = 0
			for j, v := range own {
				t[i] -= mixed[6*i+j] * v
			}
		}
		for i, at := range rw.Columns {
			t[at] += rw.By[i]
		}
		if n > 0 {
			v := mat.NewVecDense(n, t)
			taken += mat.Inner(v, r.inner, v)
		}
		rep.Parts[rows.input[k]].add(Share{rows.plain[k] * rows.plain[k], 1 - taken, 1})
	}
	position, rotation := &rep.Parts[ReferencePosition], &rep.Parts[ReferenceRotation]
	rep.Parts[CouplingNoise] = Share{rep.ChiSquare, rep.DOF - position.Redundancy - rotation.Redundancy, len(rows.rows) - position.Count - rotation.Count}
}

// off is a station's adjusted pose less the one that its reference gives.
func (f *fit) off(s int) (position, rotation r3.Vec) {
	measured := f.bench.frame.Compose(f.references[s]).Compose(f.bench.markers[f.problem.Stations[s].Sensor])
	return f.poses[s].Minus(measured)
}

// information is what station s adds to the reduced equations of the shared
// parameters: the upper triangle of A_s − B·C⁻¹·Bᵀ, written into info (n × n). The
// equations at hand stay as they are.
func (f *fit) information(info []float64, s int) error {
	a, g := f.normal.a, f.normal.g
	defer func() { f.normal.a, f.normal.g = a, g }()
	clear(info)
	f.normal.a, f.normal.g = info, make([]float64, len(g))
	if err := f.station(s); err != nil {
		return err
	}
	f.eliminate(info, f.normal.g, s, s+1, 0)
	return nil
}

// trace is tr(C·M) of a covariance and an upper triangle.
func trace(c *mat.SymDense, m []float64) float64 {
	n := 0
	if len(m) > 0 {
		n = c.SymmetricDim()
	}
	sum := 0.0
	for i := range n {
		sum += c.At(i, i) * m[i*n+i]
		for k := i + 1; k < n; k++ {
			sum += 2 * c.At(i, k) * m[i*n+k]
		}
	}
	return sum
}
