package solver

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
)

// Validate refuses a problem that no couplings could solve.
func (p *Problem) Validate() error {
	if len(p.Array.Emitters) == 0 {
		return fmt.Errorf("solver: Problem.Array has no emitters: at least five couplings are needed")
	}
	for i, e := range p.Array.Emitters {
		if e.Source == nil {
			return fmt.Errorf("solver: Problem.Array.Emitters[%d] (%q) has no Source", i, e.Name)
		}
	}
	if err := p.Sensor.Validate(); err != nil {
		return err
	}
	v := p.Volume
	if !finite(v.Min) || !finite(v.Max) || !(v.Max.X > v.Min.X && v.Max.Y > v.Min.Y && v.Max.Z > v.Min.Z) {
		return fmt.Errorf("solver: Problem.Volume = %v to %v: Min must lie below Max in x, y and z", v.Min, v.Max)
	}
	if cov := p.Array.Covariance; cov != nil {
		n, _ := cov.Dims()
		if want := fieldmodels.ParametersPerEmitter * len(p.Array.Emitters); n != want {
			return fmt.Errorf("solver: Problem.Array.Covariance is %d×%d: %d emitters need %d×%d",
				n, n, len(p.Array.Emitters), want, want)
		}
	}
	return nil
}

func finite(v r3.Vec) bool {
	s := v.X + v.Y + v.Z
	return !math.IsNaN(s) && !math.IsInf(v.X, 0) && !math.IsInf(v.Y, 0) && !math.IsInf(v.Z, 0)
}
