package calibrate

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/calibration"
)

// metalDiscDegree is exact for fields that vary over a pickup as a polynomial of
// this degree: what metal adds is smooth.
const metalDiscDegree = 5

// pickupPoints are the field points of a sensor's coils at a pose, as parts of
// the coupling: Σ Along·B.
func pickupPoints(s *mutual.Sensor, at rigid.Pose) [][]mutual.Point {
	frame := mutual.NewFrame(at)
	out := make([][]mutual.Point, len(s.Coils))
	for c, coil := range s.Coils {
		var placed mutual.Placed
		pickup := mutual.NewPickup(coil)
		pickup.Place(&placed, &frame)
		out[c] = placed.Points(metalDiscDegree)
	}
	return out
}

// Metal is a bench calibrated together with the map of the static metal near it.
type Metal struct {
	Result *calibration.Result
	Map    *correction.Map
	Array  fieldmodels.Array // without the map
}

// Bench and map are found in turn until no parameter of the bench moves by more than
// metalStill of its sigma, or metalRounds are over. Each map is found together
// with what the bench's parameters and the poses could do in its place, so the
// rounds are Newton's steps of a joint fit: the distance left falls with its square.
const (
	metalRounds = 10
	metalStill  = 0.1
	// metalSearch is how many of the rounds seek the smoothness: by then the bench
	// is near enough not to change it. Its degree is sought in the second: the first is
	// far off, and what the third one moves is a few sigmas.
	metalSearch = 3
	// metalFirst is the degree of the first map, from which the others choose.
	metalFirst = 6
)

// MapMetal finds what static metal adds to the fields, in turn with the
// calibration: the map from what the bench does not explain, the bench with the
// map in its fields. The covariances of both are those of the joint fit.
func MapMetal(p *calibration.Problem, o calibration.Options, c correction.Options) (*Metal, error) {
	if o.Free&calibration.Crosstalk != 0 {
		return nil, fmt.Errorf("crosstalk is free: station by station it can't be separated from the fields of metal; take it off with a baseline")
	}
	if len(p.Stations) < 10 {
		return nil, fmt.Errorf("%d stations: a map needs ten", len(p.Stations))
	}
	q := *p
	q.Emitters, q.Stations = slices.Clone(p.Emitters), slices.Clone(p.Stations)
	for s := range q.Stations {
		q.Stations[s].Couplings.Common = nil // a map is found coupling by coupling
	}
	res, err := calibration.Calibrate(&q, o)
	if err != nil {
		return nil, err
	}
	c.Draft = true
	degree := c.Degree
	if degree == 0 {
		c.Degree = metalFirst
	}
	for round := 0; ; round++ {
		switch round {
		case 1:
			c.Degree = degree
		case 2:
			c.Degree = c.Start.Degree
		case metalSearch:
			c.Known = c.Start
		}
		bench, err := metalBench(&q, res)
		if err != nil {
			return nil, err
		}
		mapped, err := correction.Fit(bench, c)
		if err != nil {
			return nil, err
		}
		c.Start = &mapped.Smoothness
		for i := range q.Emitters {
			q.Emitters[i].Nearby = mapped.Scaled(i, 1/res.Emitter(i).Strength)
		}
		was := res
		if res, err = calibration.Calibrate(&q, o); err != nil {
			return nil, err
		}
		if round >= metalSearch && still(was, res) {
			break
		}
		if round == metalRounds {
			return nil, fmt.Errorf("%w: bench and map still move each other after %d rounds", calibration.ErrNotConverged, round)
		}
	}
	if err := res.Status.Err(); err != nil {
		return nil, err
	}
	return jointly(&q, res, c)
}

// jointly finds the map at a bench that was calibrated with it, and gives both
// the covariance of the joint fit.
func jointly(p *calibration.Problem, res *calibration.Result, c correction.Options) (*Metal, error) {
	bench, err := metalBench(p, res)
	if err != nil {
		return nil, err
	}
	out := &Metal{Result: res}
	c.Draft = false
	if out.Map, err = correction.Fit(bench, c); err != nil {
		return nil, err
	}
	res.SetCovariance(out.Map.Bench())
	res.DOF -= int(math.Round(out.Map.Spent))
	moves, err := res.Moves()
	if err != nil {
		return nil, err
	}
	out.Map.Express(moves)
	out.Array, err = res.Array()
	return out, err
}

// still reports whether the parameters of a bench have stopped moving.
func still(was, is *calibration.Result) bool {
	for i, p := range is.Parameters {
		if !(math.Abs(p.After-was.Parameters[i].After) < metalStill*p.Sigma) {
			return false
		}
	}
	return true
}

// metalBench linearises a calibration, with or without a map, as a bench without
// one.
func metalBench(p *calibration.Problem, res *calibration.Result) (*correction.Bench, error) {
	b := &correction.Bench{Emitters: len(p.Emitters), Parameters: len(res.Parameters), Stations: make([]correction.Station, len(p.Stations))}
	for s := range p.Stations {
		sensor := res.Sensor(p.Stations[s].Sensor)
		b.Stations[s].Pickups = pickupPoints(&sensor, res.Pose(s))
	}
	for _, rw := range res.Rows() {
		if rw.Station < 0 {
			b.Known = append(b.Known, rw.Row)
			continue
		}
		st := &b.Stations[rw.Station]
		if rw.Pickup >= 0 && p.Emitters[rw.Emitter].Nearby != nil {
			strength := res.Emitter(rw.Emitter).Strength
			for _, pt := range st.Pickups[rw.Pickup] {
				field, err := p.Emitters[rw.Emitter].Nearby.Field(pt.At)
				if err != nil {
					return nil, err
				}
				rw.Residual -= rw.ByCoupling * strength * r3.Dot(pt.Along, field)
			}
		}
		st.Rows = append(st.Rows, rw.Row)
	}
	return b, nil
}

// referencePose is the pose of a station's sensor as its reference has it.
func referencePose(res *calibration.Result, st *calibration.Station) rigid.Pose {
	return res.Frame().Compose(st.Reference).Compose(res.Marker(st.Sensor))
}

// corrected adds a map to an array.
func corrected(a fieldmodels.Array, m *correction.Map) fieldmodels.Array {
	out := fieldmodels.Array{Covariance: a.Covariance}
	for i, e := range a.Emitters {
		e.Source = fieldmodels.Sum{e.Source, m.Source(i)}
		out.Emitters = append(out.Emitters, e)
	}
	return out
}
