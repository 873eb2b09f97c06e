package pipeline

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
	"tonepose/solver/calibration"
)

// metalDiscDegree is exact for fields that vary over a pickup as a polynomial of
// this degree: what metal adds is smooth.
const metalDiscDegree = 5

// pickupPoints are the field points of a sensor's coils at a pose, as parts of
// the coupling: Σ Along·B.
func pickupPoints(s *solver.Sensor, at rigid.Pose) [][]correction.Point {
	out := make([][]correction.Point, len(s.Coils))
	for c, coil := range s.Coils {
		along := at.Rotate(r3.Scale(coil.AreaTurns, coil.Axis))
		if coil.Radius == 0 {
			out[c] = []correction.Point{{At: at.Apply(coil.Center), Along: along}}
			continue
		}
		turn := rigid.Between(r3.Vec{Z: 1}, coil.Axis)
		for _, n := range fieldmodels.DiscNodes(coil.Radius, metalDiscDegree) {
			p := r3.Add(coil.Center, rigid.Rotate(turn, r3.Vec{X: n.X, Y: n.Y}))
			out[c] = append(out[c], correction.Point{At: at.Apply(p), Along: r3.Scale(n.Weight, along)})
		}
	}
	return out
}

// Metal is a bench calibrated together with the map of the static metal near it.
type Metal struct {
	Result *calibration.Result
	Map    *correction.Map
	Array  fieldmodels.Array // without the map
	// Excess is the factor by which the couplings' variances were widened: what
	// neither bench nor map explains.
	Excess float64
}

// metalRounds is how often bench and map take turns. Each turn mends what the
// other's errors spoilt, the pickups' axes above all; later ones change little.
const metalRounds = 4

// MapMetal finds what static metal adds to the fields, in turns with the
// calibration: the map from the couplings that the bench does not explain at the
// poses that the reference told, the bench with the map in its fields.
func MapMetal(p *calibration.Problem, o calibration.Options, c correction.Options) (*Metal, error) {
	if o.Free&calibration.Crosstalk != 0 {
		return nil, fmt.Errorf("crosstalk is free: it and the fields of metal can't be told apart station by station; take it off with a baseline")
	}
	if len(p.Stations) < 10 {
		return nil, fmt.Errorf("%d stations: a map needs ten", len(p.Stations))
	}
	out := &Metal{Excess: 1}
	for round := range metalRounds + 1 {
		q := widened(p, out.Excess)
		if out.Map != nil {
			for i := range q.Emitters {
				q.Emitters[i].Source = fieldmodels.Sum{q.Emitters[i].Source, out.Map.Source(i)}
			}
		}
		var err error
		if out.Result, err = calibration.Calibrate(q, o); err != nil {
			return nil, err
		}
		out.Excess = max(1, out.Excess*out.Result.ChiSquare/float64(max(1, out.Result.DOF)))
		if round == 0 { // whose weights know nothing of the metal
			continue
		}
		if out.Array, err = out.Result.Array(); err != nil {
			return nil, err
		}
		for i := range out.Array.Emitters {
			out.Array.Emitters[i].Source = out.Result.Moved(i, p.Emitters[i].Source)
		}
		var stations []correction.Station
		for i := range p.Stations {
			made, err := metalStation(p, &p.Stations[i], out.Result, out.Array)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", p.Stations[i].Name, err)
			}
			stations = append(stations, *made)
		}
		if out.Map, err = correction.Fit(stations, len(p.Emitters), c); err != nil {
			return nil, err
		}
	}
	return out, out.Result.Status.Err()
}

// widened is the problem with every coupling's variance times k.
func widened(p *calibration.Problem, k float64) *calibration.Problem {
	q := *p
	q.Emitters = slices.Clone(p.Emitters)
	q.Stations = slices.Clone(p.Stations)
	for i := range q.Stations {
		v := slices.Clone(q.Stations[i].Couplings.Variance)
		for n := range v {
			v[n] *= k
		}
		q.Stations[i].Couplings.Variance = v
	}
	return &q
}

// told is the pose of a station's sensor that its reference tells.
func told(res *calibration.Result, st *calibration.Station) rigid.Pose {
	return res.Frame().Compose(st.Reference).Compose(res.Marker(st.Sensor))
}

func metalStation(p *calibration.Problem, st *calibration.Station, res *calibration.Result, array fieldmodels.Array) (*correction.Station, error) {
	sensor := res.Sensor(st.Sensor)
	at := told(res, st)
	out := &correction.Station{Pickups: pickupPoints(&sensor, at)}
	coils := len(sensor.Coils)
	for e := range array.Emitters {
		for c, points := range out.Pickups {
			k := e*coils + c
			var model float64
			var shift, turn r3.Vec
			for _, pt := range points {
				b, j, err := array.Emitters[e].Source.Gradient(pt.At)
				if err != nil {
					return nil, err
				}
				model += r3.Dot(pt.Along, b)
				slope := r3.Vec{
					X: j[0][0]*pt.Along.X + j[1][0]*pt.Along.Y + j[2][0]*pt.Along.Z,
					Y: j[0][1]*pt.Along.X + j[1][1]*pt.Along.Y + j[2][1]*pt.Along.Z,
					Z: j[0][2]*pt.Along.X + j[1][2]*pt.Along.Y + j[2][2]*pt.Along.Z,
				}
				shift = r3.Add(shift, slope)
				// δ: along turns by δ×along, the point moves by δ×arm.
				turn = r3.Add(turn, r3.Add(r3.Cross(pt.Along, b), r3.Cross(r3.Sub(pt.At, at.Position), slope)))
			}
			ch := res.Channel(p.Sensors[st.Sensor].Coils[c].Channel)
			seen := complex(st.Couplings.Value[k], st.Quadrature[k]) * cmplx.Exp(complex(0, 2*math.Pi*p.Emitters[e].Hz*ch.Delay-ch.Phase))
			out.Residual = append(out.Residual, real(seen)/ch.Gain-model)
			out.Variance = append(out.Variance, st.Couplings.Variance[k]/(ch.Gain*ch.Gain)+
				st.SigmaPosition*st.SigmaPosition*r3.Norm2(shift)+st.SigmaRotation*st.SigmaRotation*r3.Norm2(turn))
		}
	}
	return out, nil
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

// MetalValidation is the error of stations that had no part in a calibration and
// its map, the reference's own error included.
type MetalValidation struct {
	Folds    int     `json:"folds"`
	Without  float64 `json:"position_rms_without_m"`
	With     float64 `json:"position_rms_with_m"`
	Unsolved int     `json:"unsolved"`
}

// ValidateMetal calibrates and maps without each of the folds of stations, and
// solves these with and without the map.
func ValidateMetal(p *calibration.Problem, o calibration.Options, c correction.Options, volume solver.Volume, folds int) (*MetalValidation, error) {
	out := &MetalValidation{Folds: folds}
	var with, without float64
	n := 0
	for fold := range folds {
		part := *p
		part.Stations = nil
		for s, st := range p.Stations {
			if s%folds != fold {
				part.Stations = append(part.Stations, st)
			}
		}
		alone, err := calibration.Calibrate(&part, o)
		if err != nil {
			return nil, err
		}
		metal, err := MapMetal(&part, o, c)
		if err != nil {
			return nil, fmt.Errorf("fold %d of %d: %w", fold+1, folds, err)
		}
		array, err := alone.Array()
		if err != nil {
			return nil, err
		}
		for i := range p.Sensors {
			plain, err := solver.New(solver.Problem{Array: array, Sensor: alone.Sensor(i), Volume: volume}, solver.Options{})
			if err != nil {
				return nil, err
			}
			mapped, err := solver.New(solver.Problem{Array: corrected(metal.Array, metal.Map), Sensor: metal.Result.Sensor(i), Volume: volume}, solver.Options{})
			if err != nil {
				return nil, err
			}
			for s := fold; s < len(p.Stations); s += folds {
				st := &p.Stations[s]
				if st.Sensor != i || math.IsInf(st.SigmaPosition, 1) {
					continue
				}
				a, b := plain.Warm(st.Couplings, told(alone, st)), mapped.Warm(st.Couplings, told(metal.Result, st))
				if a.Status != solver.Converged || b.Status != solver.Converged {
					out.Unsolved++
					continue
				}
				without += r3.Norm2(r3.Sub(a.Pose.Position, told(alone, st).Position))
				with += r3.Norm2(r3.Sub(b.Pose.Position, told(metal.Result, st).Position))
				n++
			}
		}
	}
	if n == 0 {
		return nil, fmt.Errorf("no station that was left out could be solved")
	}
	out.Without, out.With = math.Sqrt(without/float64(n)), math.Sqrt(with/float64(n))
	return out, nil
}

// Add tells how well a map explains what static metal adds; with folds, also at
// stations left out.
func (m *Metal) Add(sum *CalibrationSummary, st *Stations, o calibration.Options, c correction.Options, volume solver.Volume, folds int) error {
	sum.Metal = &MetalSummary{Degree: m.Map.Smoothness.Degree, Falloff: m.Map.Smoothness.Falloff, Before: m.Map.Before, After: m.Map.After, Excess: m.Excess,
		MinM: [3]float64{m.Map.Min.X, m.Map.Min.Y, m.Map.Min.Z}, MaxM: [3]float64{m.Map.Max.X, m.Map.Max.Y, m.Map.Max.Z}}
	if folds == 0 {
		return nil
	}
	var err error
	sum.Metal.Validation, err = ValidateMetal(&st.Problem, o, c, volume, folds)
	return err
}

// Correction is the map, nil without one.
func (m *Metal) Correction() *correction.Map {
	if m == nil {
		return nil
	}
	return m.Map
}
