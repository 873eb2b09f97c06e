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
	// PValue is the probability of a larger sum; tiny: the station does not fit.
	PValue float64
	// Leverage is the number of shared parameters that this station determines:
	// all stations together and the tolerances make up their number.
	Leverage float64
	// Outlier: the sum is too large by a chance of one in a thousand for any of
	// all stations.
	Outlier bool
}

// Stations reports every station. It costs about two iterations.
func (r *Result) Stations() ([]StationReport, error) {
	f := r.fit
	out := make([]StationReport, len(f.poses))
	info := make([]float64, f.normal.n*f.normal.n)
	for s := range out {
		rep := &out[s]
		rep.Name, rep.Pose = f.problem.Stations[s].Name, f.poses[s]
		rep.OffPosition, rep.OffRotation = f.off(s)
		var err error
		if rep.Residuals, err = f.residuals(info, s); err != nil {
			return nil, err
		}
		blk := &f.normal.blocks[s]
		rep.ChiSquare, rep.ReferenceChiSquare = blk.chi2, blk.prior
		rep.Leverage = trace(r.inner, info)
		rep.DOF = float64(blk.used) - rep.Leverage
		for _, inv := range f.reduced.own[s].Inverse {
			if inv != 0 {
				rep.DOF--
			}
		}
		rep.PValue = 1
		if rep.DOF > 0 {
			rep.PValue = distuv.ChiSquared{K: rep.DOF}.Survival(rep.ChiSquare + rep.ReferenceChiSquare)
		}
		rep.Outlier = rep.PValue < 1e-3/float64(len(out))
	}
	return out, nil
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
