package simulate

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone/synth"
)

// config turns rig, path and options into what synth generates.
func (g *Generator) config(p *Path) (synth.Config, error) {
	r, o := g.rig, g.o
	random := rand.New(rand.NewPCG(o.Seed, 0x73696d))
	phase := func() float64 { return 2 * math.Pi * random.Float64() }
	c := synth.Config{
		Rate: o.RateHz, ClockPPM: o.ClockPPM, ClockDrift: o.ClockDriftPPM, Seed: o.Seed, KnotStep: p.knotStep,
		Mains: synth.Mains{Hz: o.MainsHz * (1 + 5e-4*(2*random.Float64()-1))},
	}
	begun := 0.0 // instant at which phase_deg holds [s]
	if b := r.Playback; b != nil {
		begun = b.EarliestS + (b.LatestS-b.EarliestS)*rand.New(rand.NewPCG(o.Seed, 0x706c6179)).Float64()
	}
	for _, e := range r.Emitters {
		t := synth.Tone{Hz: e.ToneHz, Current: e.CurrentPeakA, Phase: phase(), OffsetPPM: o.OwnPPM * random.NormFloat64()}
		if e.Reference == nil {
			t.Phase = e.PhaseDeg*math.Pi/180 - 2*math.Pi*math.Mod(e.ToneHz*begun, 1)
		} else if e.PhaseStated {
			t.Phase = e.PhaseDeg * math.Pi / 180
		}
		t.Wander = synth.Wander{Relative: o.CurrentDrift, Hz: 0.05 + 0.25*random.Float64(), Phase: phase()}
		c.Tones = append(c.Tones, t)
	}
	for i := range r.Channels {
		ch, size, err := simulatedChannel(r, i, o)
		if err != nil {
			return c, err
		}
		ch.Pickup = slices.ContainsFunc(g.coils.coils, func(c pathCoil) bool { return c.channel == i })
		if ch.Pickup {
			ch.Delay += o.PickupDelayS
			if o.CrosstalkOhm != 0 {
				ch.Transimpedance = make([]complex128, len(c.Tones))
				for k := range ch.Transimpedance {
					ch.Transimpedance[k] = cmplx.Rect(o.CrosstalkOhm, phase())
				}
			}
		}
		for k, e := range r.Emitters {
			if e.Reference == nil || e.Reference.Channel != i {
				continue
			}
			if ch.Transimpedance == nil {
				ch.Transimpedance = make([]complex128, len(c.Tones))
			}
			ch.Transimpedance[k] = complex(e.Reference.TransimpedanceOhm, 0)
		}
		c.Channels, g.size = append(c.Channels, ch), append(g.size, size)
	}
	return c, nil
}

// simulatedChannel is a channel's receive chain and its disturbances, carried
// to the ADC's input, and the factor that carries them there.
func simulatedChannel(r *rig.Rig, i int, o Options) (ch synth.Channel, size float64, err error) {
	in := &r.Channels[i]
	ch = synth.Channel{Gain: in.Gain, Delay: in.DelayS}
	size = math.Abs(in.Gain)
	if len(in.Table) > 0 {
		size = 0
		for _, e := range r.Emitters {
			g, err := in.Response(e.ToneHz)
			if err != nil {
				return ch, size, err
			}
			ch.Response = append(ch.Response, g)
			size += cmplx.Abs(g) / float64(len(r.Emitters))
		}
	}
	ch.Noise = synth.Noise{Density: o.Noise * size, Corner: o.FlickerHz}
	ch.Mains = o.MainsV * size
	if o.Bits > 0 {
		if in.FullScaleV == 0 {
			return ch, size, fmt.Errorf("channel %s has no full_scale_v, which %d-bit samples need: state it in the rig, or ask for float samples (--bits 0)",
				in.Name, o.Bits)
		}
		ch.Quantiser = synth.Quantiser{Bits: o.Bits, FullScale: in.FullScaleV}
	}
	return ch, size, nil
}
