package plan

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/coil"
	"tonepose/multitone/frequencyplan"
	"tonepose/solver/prediction"
)

// receiveChain is a channel at one frequency, with the noise at the ADC's input.
type receiveChain struct {
	gain       float64 // magnitude
	density    float64 // one-sided [V/√Hz]
	quantising float64 // the part of it that quantising makes
}

// receiveChain describes a channel at hz; thermal is the noise density of the coil on it.
func (p *Plan) receiveChain(channel int, hz, thermal float64) (c receiveChain, err error) {
	r, o := p.Bench, &p.Options
	ch := &r.Channels[channel]
	g, err := ch.Response(hz)
	if err != nil {
		return c, err
	}
	c.gain = cmplx.Abs(g)
	if o.Bits > 0 && ch.FullScaleV > 0 {
		step := 2 * ch.FullScaleV * math.Exp2(-float64(o.Bits))
		c.quantising = step / math.Sqrt(12) / math.Sqrt(r.SampleRateHz/2)
	}
	analog := (o.NoiseV*o.NoiseV*(1+o.FlickerHz/hz) + thermal*thermal) * c.gain * c.gain
	c.density = math.Sqrt(analog + c.quantising*c.quantising)
	return c, nil
}

// sigma is the standard deviation of each component of a peak phasor [V] that a
// noise density leaves after the window: √2·n·√ENBW.
func (p *Plan) sigma(density float64) float64 { return density * math.Sqrt(2*p.Window.ENBWHz) }

// thermal is the noise density of a pickup's own resistance [V/√Hz]; 0 where its
// wire is not known.
func (p *Plan) thermal(c *rig.Coil) float64 {
	w := pickupWinding(c, p.Options.PickupWire)
	if v := coil.ThermalNoise(w.Resistance(p.Options.AmbientC), p.Options.AmbientC); v > 0 {
		return v
	}
	return 0
}

// noise is that of the couplings of a sensor: M = V/(−jωI).
func (p *Plan) noise(sensor int) (prediction.Noise, error) {
	r := p.Bench
	var n prediction.Noise
	for _, e := range r.Emitters {
		omega := 2 * math.Pi * e.ToneHz
		for k := range r.Sensors[sensor].Coils {
			c := &r.Sensors[sensor].Coils[k]
			at, err := p.receiveChain(c.Channel, e.ToneHz, p.thermal(c))
			if err != nil {
				return n, err
			}
			sigma := p.sigma(at.density) / (at.gain * omega * e.CurrentPeakA)
			if !(sigma > 0) {
				return n, fmt.Errorf("coupling %d has no noise at all: give --noise above 0, or --bits and full_scale_v", len(n.SigmaH))
			}
			n.SigmaH = append(n.SigmaH, sigma)
		}
		relative := 0.0
		if e.Reference != nil {
			at, err := p.receiveChain(e.Reference.Channel, e.ToneHz, 0)
			if err != nil {
				return n, err
			}
			relative = p.sigma(at.density) / (at.gain * e.Reference.TransimpedanceOhm * e.CurrentPeakA)
		}
		n.Relative = append(n.Relative, relative)
	}
	return n, nil
}

// Averaging is the averaging arithmetic of one tone on one pickup.
type Averaging struct {
	Channel string   `json:"channel"`
	Emitter string   `json:"emitter"`
	Entries []Amount `json:"quantities"`
}

// Amount is one quantity of the budget.
type Amount struct {
	Name    string  `json:"name"`
	Symbol  string  `json:"symbol"`
	Value   float64 `json:"value"`
	Unit    string  `json:"unit"`
	Given   bool    `json:"given"`
	Formula string  `json:"formula,omitempty"`
	Source  string  `json:"source,omitempty"`
}

// averaging works out the first pickup and the tone that is in the middle of
// all, with the sensor in the middle of the working volume.
func (p *Plan) averaging(context.Context) error {
	r := p.Bench
	if len(p.Sensors) == 0 || len(p.Sensors[0].Channels) == 0 {
		return nil
	}
	pickup := &r.Sensors[0].Coils[0]
	var tones []float64
	for _, e := range r.Emitters {
		tones = append(tones, e.ToneHz)
	}
	hz := slices.Sorted(slices.Values(tones))[len(tones)/2]
	e := slices.Index(tones, hz)
	on, err := p.receiveChain(pickup.Channel, hz, p.thermal(pickup))
	if err != nil {
		return err
	}
	array, err := p.array()
	if err != nil {
		return err
	}
	middle := r3.Scale(0.5, r3.Add(r.WorkingVolume.Min, r.WorkingVolume.Max))
	b, err := array.Emitters[e].Source.Field(middle)
	if err != nil {
		return err
	}
	// Over all orientations the mean square along an axis is a third.
	signal := on.gain * 2 * math.Pi * hz * pickup.AreaTurnsM2 * r3.Norm(b) / math.Sqrt(3) * r.Emitters[e].CurrentPeakA / math.Sqrt2
	given := map[frequencyplan.Quantity]float64{
		frequencyplan.Signal: signal, frequencyplan.ENBW: p.Window.ENBWHz, frequencyplan.ToneHz: hz,
		frequencyplan.NoiseBandwidth: r.SampleRateHz / 2, frequencyplan.SampleRate: r.SampleRateHz,
	}
	if analog := math.Sqrt(on.density*on.density - on.quantising*on.quantising); on.quantising > 0 && analog > 0 {
		given[frequencyplan.AnalogDensity] = analog
		given[frequencyplan.Bits] = float64(p.Options.Bits)
		given[frequencyplan.FullScale] = r.Channels[pickup.Channel].FullScaleV
	} else {
		given[frequencyplan.NoiseDensity] = on.density
	}
	budget, err := frequencyplan.Average(given)
	if err != nil {
		return err
	}
	p.Budget = Averaging{Channel: r.Channels[pickup.Channel].Name, Emitter: r.Emitters[e].Name}
	for _, q := range budget {
		p.Budget.Entries = append(p.Budget.Entries, Amount{q.Quantity.String(), q.Quantity.Symbol(), q.Value, q.Quantity.Unit(), q.Given, q.Formula, q.Source})
	}
	return nil
}
