package calibrate

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone"
	"tonepose/multitone/recording"
	"tonepose/solver/calibration"
)

// MatchedChannel is one channel against the reference, on a signal common to
// both: what its nominal gain and delay leave.
type MatchedChannel struct {
	Name       string  `json:"name"`
	Silent     bool    `json:"silent"` // did not carry the signal: left as it is
	Gain       float64 `json:"gain"`   // factor; negative: wired the other way round
	SigmaGain  float64 `json:"sigma_gain"`
	DelayS     float64 `json:"delay_s"` // later than the reference by so much more than nominal
	SigmaDelay float64 `json:"sigma_delay_s"`
	PhaseRad   float64 `json:"phase_rad"` // left at zero frequency, by a fit in which it is free
	SigmaPhase float64 `json:"sigma_phase_rad"`
	Chi2       float64 `json:"chi2"`
	DOF        int     `json:"dof"`

	channel int
}

// ChannelOptions says what the common signal is made of.
type ChannelOptions struct {
	measure.Input
	Out       string    // rig file to write
	Force     bool      // replace an existing Out
	Reference string    // channel taken as right
	Tones     []float64 // [Hz]; none: the rig's
	MaxDelay  float64   // delays are looked for up to this [s]
}

// ChannelResult is what a recording of a common signal shows of the channels.
type ChannelResult struct {
	Info      recording.Info   `json:"-"`
	Recording string           `json:"recording"`
	Reference string           `json:"reference"`
	Out       string           `json:"out"`
	Channels  []MatchedChannel `json:"channels"`
}

// Channels matches all channels to one and writes the new rig.
func Channels(ctx context.Context, o ChannelOptions) (*ChannelResult, error) {
	if err := newRigFree(o.Out, o.Rig, o.Force); err != nil {
		return nil, err
	}
	b, rec, err := o.Open(ctx)
	if err != nil {
		return nil, err
	}
	defer rec.Close()
	r := b.Rig()
	for _, hz := range o.Tones {
		if !(hz > 0 && hz < r.NyquistHz()) {
			return nil, fmt.Errorf("--tones %g: must lie between 0 and %g Hz", hz, r.NyquistHz())
		}
	}
	out := &ChannelResult{Info: rec.Info(), Recording: rec.Info().Name, Reference: o.Reference, Out: o.Out}
	if out.Channels, err = matchChannels(ctx, rec, r, o); err != nil {
		return nil, err
	}
	if err := rec.Unchanged(); err != nil {
		return nil, err
	}
	edit, carrying := r.Edit(), 0
	for _, m := range out.Channels {
		if m.Silent {
			continue
		}
		carrying++
		if err := editChannel(edit, r, m.channel, calibration.ChannelMove{Gain: m.Gain, Delay: m.DelayS}); err != nil {
			return nil, err
		}
	}
	if carrying < 2 {
		return nil, fmt.Errorf("%s: %w: only %s carries the tones", o.Recording, measure.ErrNoRow, o.Reference)
	}
	_, err = edit.Save(o.Out)
	return out, err
}

// silentSigmas is the size below which a tone counts as absent from a channel.
const silentSigmas = 10

// matchChannels measures gain and delay of every channel from one signal that
// all of them were given at once.
func matchChannels(ctx context.Context, rec *recording.Reader, r *rig.Rig, o ChannelOptions) (out []MatchedChannel, err error) {
	reference, ok := r.ChannelIndex(o.Reference)
	if !ok {
		var names []string
		for _, c := range r.Channels {
			names = append(names, c.Name)
		}
		return nil, fmt.Errorf("--reference %s: is not a channel of %s: name one of %s", o.Reference, r.File, strings.Join(names, ", "))
	}
	var tones []multitone.Tone
	for i, hz := range o.Tones {
		tones = append(tones, multitone.Tone{Name: fmt.Sprintf("tone %d", i+1), Hz: hz, Reference: multitone.OnChannel(reference)})
	}
	if len(tones) == 0 {
		for _, e := range r.Emitters {
			tones = append(tones, multitone.Tone{Name: e.Name, Hz: e.ToneHz, Reference: multitone.OnChannel(reference)})
		}
	}
	survey, err := stream.Observe(ctx, rec, tones, o.Clock, o.Progress)
	if err != nil {
		return nil, err
	}
	_, err = stream.Measure(ctx, rec, survey, stream.Measurement{Tones: tones}, func(f *stream.Measured) error {
		out, err = match(f.Frame, r, reference, o.MaxDelay)
		return err
	}, o.Progress)
	return out, err
}

func match(f *multitone.Frame, r *rig.Rig, reference int, maxDelay float64) ([]MatchedChannel, error) {
	out := make([]MatchedChannel, f.Channels)
	var carries []int
	for c := range out {
		out[c] = MatchedChannel{Name: r.Channels[c].Name, Gain: 1, channel: c}
		for k := range f.Hz {
			v, variance := f.At(k, c)
			out[c].Silent = out[c].Silent || !(cmplx.Abs(v) > silentSigmas*math.Sqrt(variance))
		}
		if !out[c].Silent {
			carries = append(carries, c)
		}
	}
	if out[reference].Silent {
		return nil, fmt.Errorf("channel %s, the reference, does not carry all of the %d tones: name another by --reference, or those of the common signal by --tones", r.Channels[reference].Name, len(f.Hz))
	}
	tones := make([]calibration.CommonTone, len(f.Hz))
	for k := range f.Hz {
		tones[k].Hz = f.Hz[k]
		for _, c := range carries {
			v, variance := f.At(k, c)
			nominal, err := r.Channels[c].Response(f.Hz[k])
			if err != nil {
				return nil, err
			}
			tones[k].Phasor = append(tones[k].Phasor, v/nominal)
			tones[k].Variance = append(tones[k].Variance, variance/power(nominal))
		}
	}
	at := slices.Index(carries, reference)
	matches, err := calibration.MatchChannels(tones, at, maxDelay)
	if err != nil {
		return nil, err
	}
	for i, c := range carries {
		if c == reference {
			continue
		}
		m := &matches[i]
		o := &out[c]
		o.Gain, o.SigmaGain, o.Chi2, o.DOF, o.PhaseRad, o.SigmaPhase = m.Gain, m.SigmaGain, m.ChiSquare, m.DOF, m.Phase, m.SigmaPhase
		if math.Abs(m.Phase) > math.Pi/2 {
			o.Gain, o.PhaseRad = -o.Gain, math.Remainder(m.Phase-math.Pi, 2*math.Pi)
		}
		o.DelayS, o.SigmaDelay = straightDelay(tones, i, at, o.Gain < 0, m.Delay)
	}
	return out, nil
}

// straightDelay is the delay of channel c where its phase is that of a delay
// alone: zero, or half a turn when inverted, at zero frequency. Close to the
// given delay the phases are well below a turn, and the fit is linear.
func straightDelay(tones []calibration.CommonTone, c, reference int, inverted bool, near float64) (delay, sigma float64) {
	var up, down float64
	for _, t := range tones {
		ratio := t.Phasor[c] / t.Phasor[reference]
		if inverted {
			ratio = -ratio
		}
		omega := 2 * math.Pi * t.Hz
		rest := cmplx.Phase(ratio * cmplx.Exp(complex(0, omega*near)))
		relative := t.Variance[c]/power(t.Phasor[c]) + t.Variance[reference]/power(t.Phasor[reference])
		up -= omega * rest / relative
		down += omega * omega / relative
	}
	return near + up/down, 1 / math.Sqrt(down)
}

func power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
