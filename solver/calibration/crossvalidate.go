package calibration

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// CrossValidation is how well stations are met that had no part in the
// calibration: each is solved by its couplings alone, with the bench calibrated
// on the others, and compared with its reference.
type CrossValidation struct {
	PositionRMS float64 // [m], the reference's own error included
	RotationRMS float64 // [rad], alike; a rotation that changes no coupling counts as right
	// PositionDrawn and RotationDrawn are the same with the bench as drawn: nothing calibrated
	// but the frame of the references and the markers, where these are free.
	PositionDrawn, RotationDrawn float64
	Stations                     []HeldOut
}

// HeldOut is one station's error.
type HeldOut struct {
	Name     string
	Position r3.Vec // solved less measured by the reference [m], rig frame
	Rotation r3.Vec // [rad]
}

// CrossValidate calibrates k times, each time without one k-th of the stations,
// round by round (station s is in fold s mod k). Stations without reference
// have nothing to be compared with and are left in.
func CrossValidate(p *Problem, o Options, k int) (*CrossValidation, error) {
	if k < 2 || k > len(p.Stations) {
		return nil, fmt.Errorf("calibration: %d folds of %d stations: must be from 2 up to their number", k, len(p.Stations))
	}
	cv := &CrossValidation{Stations: make([]HeldOut, len(p.Stations))}
	var used []int
	drawn := o
	drawn.Free &= Frame | Marker
	for fold := range k {
		part, held := *p, *p
		part.Stations, held.Stations = nil, nil
		var index []int
		for s, st := range p.Stations {
			if s%k == fold && !math.IsInf(st.SigmaPosition, 1) {
				st.SigmaPosition, st.SigmaRotation = math.Inf(1), math.Inf(1)
				held.Stations = append(held.Stations, st)
				index = append(index, s)
			} else {
				part.Stations = append(part.Stations, st)
			}
		}
		if len(index) == 0 {
			continue
		}
		res, err := Calibrate(&part, o)
		if err != nil {
			return nil, fmt.Errorf("fold %d of %d: %w", fold+1, k, err)
		}
		f, err := meet(&held, o, res.fit)
		if err != nil {
			return nil, fmt.Errorf("fold %d of %d: %w", fold+1, k, err)
		}
		before, err := asDrawn(&part, &held, drawn)
		if err != nil {
			return nil, fmt.Errorf("fold %d of %d, as drawn: %w", fold+1, k, err)
		}
		for i, s := range index {
			h := HeldOut{Name: p.Stations[s].Name}
			h.Position, h.Rotation = f.off(i)
			cv.Stations[s] = h
			position, rotation := before.off(i)
			cv.PositionDrawn += r3.Norm2(position)
			cv.RotationDrawn += r3.Norm2(rotation)
		}
		used = append(used, index...)
	}
	var position, rotation float64
	for _, s := range used {
		h := &cv.Stations[s]
		position += r3.Norm2(h.Position) / float64(len(used))
		rotation += r3.Norm2(h.Rotation) / float64(len(used))
	}
	cv.PositionRMS, cv.RotationRMS = math.Sqrt(position), math.Sqrt(rotation)
	n := float64(len(used))
	cv.PositionDrawn, cv.RotationDrawn = math.Sqrt(cv.PositionDrawn/n), math.Sqrt(cv.RotationDrawn/n)
	return cv, nil
}

// meet solves the held-out stations on the bench of another fit.
func meet(held *Problem, o Options, bench *fit) (*fit, error) {
	f, err := newFit(held, o)
	if err != nil {
		return nil, err
	}
	if bench != nil {
		f.adopt(bench)
	}
	f.frozen = true
	if _, _, status := f.descend(f.linearise()); status != Converged {
		return nil, fmt.Errorf("poses of the held-out stations: %w", status.Err())
	}
	return f, nil
}

// asDrawn solves them on the bench as drawn, with what else the options leave free.
func asDrawn(part, held *Problem, o Options) (*fit, error) {
	if o.Free == 0 {
		o.Free = EmitterPosition // frozen, so none moves
		return meet(held, o, nil)
	}
	res, err := Calibrate(part, o)
	if err != nil {
		return nil, err
	}
	return meet(held, o, res.fit)
}

// adopt takes the parameters and columns of another fit of the same bench.
func (f *fit) adopt(other *fit) {
	f.layout = other.layout
	copy(f.x, other.x)
	copy(f.prior, other.prior)
	copy(f.assumed, other.assumed)
}
