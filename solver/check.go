package solver

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
)

// Validate refuses a problem that no couplings could solve.
func (p *Problem) Validate() error {
	if len(p.Array.Emitters) == 0 {
		return errors.New("solver: Problem.Array has no emitters: at least five couplings are needed")
	}
	if _, err := mutual.New(p.Array, p.Sensor); err != nil {
		return err
	}
	v := r3.Sub(p.Volume.Max, p.Volume.Min)
	if !(v.X > 0 && v.Y > 0 && v.Z > 0) || math.IsInf(v.X+v.Y+v.Z, 1) {
		return fmt.Errorf("solver: Problem.Volume = %v to %v: Min must lie below Max in x, y and z", p.Volume.Min, p.Volume.Max)
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
