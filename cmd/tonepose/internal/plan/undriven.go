package plan

import (
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"tonepose/fieldmodels"
	"tonepose/multitone/clock"
	"tonepose/solver/prediction"
)

// Digitised is what a sensor could be expected to give if the currents that are taken
// as stated were measured without noise.
type Digitised struct {
	Position prediction.Spread `json:"position_m"`
	Rotation prediction.Spread `json:"orientation_rad"`
}

// digitised predicts what the tolerances of currents cost that nothing measures; nil
// where all are digitised, or taken for exact.
func (p *Plan) digitised(ctx context.Context, array fieldmodels.Array, sensor int, stated *Sensor) (*Digitised, error) {
	most := 0.0
	for k, e := range p.Bench.Emitters {
		if e.Reference != nil || e.Tolerance.Current == 0 {
			continue
		}
		if most == 0 {
			array.Covariance = mat.NewSymDense(array.Covariance.SymmetricDim(), slices.Clone(array.Covariance.RawSymmetric().Data))
		}
		most = max(most, e.Tolerance.Current)
		strength := fieldmodels.ParametersPerEmitter*(k+1) - 1
		array.Covariance.SetSym(strength, strength, max(0, array.Covariance.At(strength, strength)-e.Tolerance.Current*e.Tolerance.Current))
	}
	if most == 0 {
		return nil, nil
	}
	_, sum, err := p.predict(ctx, array, sensor)
	if err != nil {
		return nil, err
	}
	p.caution("sensor %s: no drive is digitised: with currents known to %.4g %% position errors come to %.3g mm (median) and %.3g mm (95 %%), where %.3g mm and %.3g mm would do with the drives recorded",
		stated.Sensor, 100*most, 1e3*stated.Position.Median, 1e3*stated.Position.P95, 1e3*sum.Position.Median, 1e3*sum.Position.P95)
	return &Digitised{sum.Position, sum.Rotation}, nil
}

// plannedAxisRad is a sigma of phases that a second of a tone well above the noise
// stays below.
const plannedAxisRad = 1e-3

// starts tells which starts of a drive file the phases of the tones leave open.
func (p *Plan) starts(context.Context) error {
	b := p.Bench.Playback
	if b == nil {
		return nil
	}
	var tones []clock.Played
	var axes []clock.Axis
	middle := (b.EarliestS + b.LatestS) / 2
	for _, e := range p.Bench.Emitters {
		tone := clock.Played{Hz: e.ToneHz, Phase: e.PhaseDeg * math.Pi / 180, Sigma: e.Tolerance.PhaseDeg * math.Pi / 180}
		tones, axes = append(tones, tone), append(axes, clock.Axis{Phase: tone.Phase - 2*math.Pi*math.Mod(tone.Hz*middle, 1), Sigma: plannedAxisRad})
	}
	found, _, err := clock.Starts(tones, axes, b.EarliestS, b.LatestS)
	if err != nil {
		p.caution("%v: narrow playback, or record a drive", err)
		return nil
	}
	// The best of them is the true one, in the middle.
	for _, s := range found[1:] {
		reversed := 0
		for k := range tones {
			if math.Cos(s.Phases[k]-found[0].Phases[k]) < 0 {
				reversed++
			}
		}
		p.caution("a drive file that begins %.4g ms earlier or later reverses the signs of %d of %d tones and fits their phases as well: poses have to tell which it was", 1e3*math.Abs(s.Time-found[0].Time), reversed, len(tones))
		for _, sensor := range p.Sensors {
			if reversed == len(tones) && sensor.Freedom == 5 {
				p.caution("sensor %s has its coils on one axis: it cannot tell that all signs are reversed, and its axis may point either way: a longer --window lets plan choose tones that are not all odd multiples of one frequency; or narrow playback below that", sensor.Sensor)
			}
		}
	}
	return nil
}
