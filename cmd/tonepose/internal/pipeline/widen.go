package pipeline

import (
	"tonepose/fieldmodels/correction"
	"tonepose/solver"
)

// metal is the map of a rig that was calibrated near static metal, as one
// sensor needs it. The map's fields are part of the emitters'; what is left here
// is its uncertainty.
type metal struct {
	known  *correction.Map
	sensor solver.Sensor
	extra  []float64
}

// widen adds the map's own uncertainty at a found pose to the variances of the
// couplings, and fits again: away from the mapped stations the map says little,
// and the pose must say so.
func (m *metal) widen(s *solver.Solver, obs solver.Couplings, result *solver.Result) {
	if m == nil || result.Status != solver.Converged {
		return
	}
	m.known.Variances(m.extra, pickupPoints(&m.sensor, result.Pose))
	for k, v := range m.extra {
		obs.Variance[k] += v // +Inf stays: missing
	}
	if again := s.Warm(obs, result.Pose); again.Status == solver.Converged {
		again.Ambiguous = result.Ambiguous
		*result = again
	}
}
