package verdict

import (
	"math"
	"testing"
)

// Upper critical values of chi-square at 0.001: NIST/SEMATECH e-Handbook of Statistical
// Methods, 1.3.6.7.4, recomputed: 10.828 for 1 degree of freedom, 42.312 for 18, 149.449
// for 100.
func TestState(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		v    Verdict
		f    Flags
		want State
	}{
		{Verdict{Chi2: 10.82, DOF: 1, QuadratureChi2: nan}, 0, Sound},
		{Verdict{Chi2: 10.84, DOF: 1, QuadratureChi2: nan}, 0, InDoubt},
		{Verdict{Chi2: 42.30, DOF: 18, QuadratureChi2: 42.30, QuadratureDOF: 18}, 0, Sound},
		{Verdict{Chi2: 42.32, DOF: 18, QuadratureChi2: 10, QuadratureDOF: 18}, 0, InDoubt},
		{Verdict{Chi2: 10, DOF: 18, QuadratureChi2: 149.46, QuadratureDOF: 100}, 0, InDoubt},
		{Verdict{Chi2: 10, DOF: 18, QuadratureChi2: 149.44, QuadratureDOF: 100}, 0, Sound},
		{Verdict{Chi2: 10, DOF: 18, QuadratureChi2: nan}, Motion, Flagged},
		{unjudged(), NotConverged, Flagged},
		{unjudged(), 0, Sound},
	} {
		if have := c.v.State(c.f); have != c.want {
			t.Errorf("%.4g of %d, %.4g of %d, flags %q: %v, want %v", c.v.Chi2, c.v.DOF, c.v.QuadratureChi2, c.v.QuadratureDOF, c.f, have, c.want)
		}
	}
}
