package pipeline

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
	"tonepose/multitone/sine"
	"tonepose/multitone/spectrum"
)

// Pair is the measurement of one channel against another over a recording.
type Pair struct {
	FrequencyHz        float64 `json:"frequency_hz"` // of the reference's tone, in the ADC's clock
	AmplitudePeakV     float64 `json:"amplitude_peak_v"`
	AmplitudeRMSV      float64 `json:"amplitude_rms_v"`
	PhaseDeg           float64 `json:"phase_deg"` // signal minus reference, −180 to 180
	ENBWHz             float64 `json:"enbw_hz"`   // one-sided
	SigmaAmplitudeRMSV float64 `json:"sigma_amplitude_rms_v"`
	SigmaPhaseDeg      float64 `json:"sigma_phase_deg"`
	SigmaFrequencyHz   float64 `json:"sigma_frequency_hz"`
	DurationS          float64 `json:"duration_s"`

	Harmonics []Harmonic `json:"harmonics,omitempty"` // those asked for, if not the first alone
}

// Harmonic is the signal at a multiple of the reference's frequency. Its phase
// is that of the signal minus Number times that of the reference's tone.
type Harmonic struct {
	Number             int     `json:"harmonic"`
	AmplitudePeakV     float64 `json:"amplitude_peak_v"`
	AmplitudeRMSV      float64 `json:"amplitude_rms_v"`
	PhaseDeg           float64 `json:"phase_deg"`
	SigmaAmplitudeRMSV float64 `json:"sigma_amplitude_rms_v"`
	SigmaPhaseDeg      float64 `json:"sigma_phase_deg"`
}

// PairOptions says what of a recording is measured against what.
type PairOptions struct {
	Signal, Reference string
	Harmonics         []int   // of the reference's tone; none: 1
	NearHz            float64 // where the reference's tone is sought; 0: the strongest line
}

// pairing is what a Bench knows of a measurement without a rig. Its first tone
// is the reference's; the further ones are the harmonics asked for, measured
// without a reference of their own: a sine has no harmonics to refer to.
type pairing struct {
	signal, reference int
	harmonics         []int      // asked for, rising
	others            []int      // harmonics that are there too and must be fitted jointly
	direct            *sine.Tone // what is too short for anything but one fit to all samples; else nil
	settled           bool       // the frequency rests on the whole recording
	weak              bool       // the reference is too noisy to be followed block by block
}

// measured are the harmonics that are measured: the reference's tone always is.
func (p *pairing) measured() []int {
	if slices.Contains(p.harmonics, 1) {
		return p.harmonics
	}
	return append([]int{1}, p.harmonics...)
}

const (
	// Below these the clock has nothing to follow and the noise beside the tone
	// no room: one fit to all samples, with the noise from its residuals.
	directCycles  = 60
	directSamples = 2048
	// Half of what the clock is followed by, at most.
	followSeconds = 0.01
)

// PairBench prepares the measurement of any two channels of a recording.
func PairBench(ctx context.Context, r *recording.Reader, o PairOptions) (*Bench, error) {
	info := r.Info()
	channels := make([]rig.Channel, info.Channels)
	for c := range channels {
		channels[c].Name = info.Names[c]
	}
	var index [2]int
	for i, name := range []string{o.Signal, o.Reference} {
		index[i] = slices.Index(info.Names, name)
		if index[i] < 0 {
			return nil, fmt.Errorf("%s has no channel %q: its channels are %s", info.Name, name, strings.Join(info.Names, ", "))
		}
	}
	p := &pairing{signal: index[0], reference: index[1], harmonics: slices.Compact(slices.Sorted(slices.Values(o.Harmonics)))}
	if len(p.harmonics) == 0 {
		p.harmonics = []int{1}
	}
	search := sine.NewSearch(info.SampleRate, info.Samples)
	err := blocks(ctx, r, func(x [][]float64, first int64) error {
		search.Write(x[p.reference], x[p.signal])
		return nil
	})
	if err != nil {
		return nil, err
	}
	tone, err := search.Find(ctx, o.NearHz)
	if err != nil {
		return nil, fmt.Errorf("%s: channel %s: %w", info.Name, o.Reference, err)
	}
	hz := tone.Model.Hz
	if top := p.harmonics[len(p.harmonics)-1]; float64(top)*hz >= info.SampleRate/2 {
		return nil, fmt.Errorf("harmonic %d of %.6g Hz: must lie below half the sample rate, %g Hz", top, hz, info.SampleRate/2)
	}
	p.settled, p.weak = tone.Whole, tone.Weak(followSeconds)
	cycles := hz * float64(len(tone.Reference)) / tone.Rate
	if tone.Whole && (cycles < directCycles || len(tone.Reference) < directSamples) {
		p.direct = tone
	}
	b := &Bench{Rig: &rig.Rig{Channels: channels}, pair: p,
		Tones: []multitone.Tone{{Name: o.Reference, Hz: hz, Reference: p.reference}}}
	for _, h := range p.harmonics {
		if h > 1 {
			b.Tones = append(b.Tones, multitone.Tone{Name: fmt.Sprintf("%d × %s", h, o.Reference), Hz: float64(h) * hz, Reference: multitone.NoReference})
		}
	}
	for _, h := range tone.Present {
		if !slices.Contains(p.harmonics, h) {
			p.others = append(p.others, h)
		}
	}
	return b, nil
}

// mode is how a pair's frequency is followed: not at all where too few cycles
// are there, or too short a piece.
func (b *Bench) mode(wanted clock.Mode) clock.Mode {
	if b.pair != nil && (b.pair.direct != nil || b.pair.settled && b.pair.weak) {
		return clock.None
	}
	return wanted
}

// untracked is a track that keeps to the bench's frequencies.
func (b *Bench) untracked(rate float64) (*clock.Track, error) {
	t, err := clock.NewTracker(clock.None, rate, b.Tones)
	if err != nil {
		return nil, err
	}
	return t.Finish()
}

// lines are the sinusoids that are fitted jointly with the tones: of the mains,
// and the harmonics of a pair's reference that are there and not asked for.
func (b *Bench) lines(s *Survey, info recording.Info) []float64 {
	if b.pair == nil {
		return s.Lines
	}
	hz := s.Track.Hz(0, info.Duration())[0]
	var out []float64
	for _, h := range b.pair.others {
		out = append(out, spectrum.Alias(float64(h)*hz, info.SampleRate))
	}
	return append(out, s.Lines...)
}

// wide refuses windows that hold too little of a tone.
func (b *Bench) wide(w Windows, hz []float64) error {
	const least = 1.5 // cycles
	for k, t := range b.Tones {
		if w.Length > 0 && w.Length*hz[k] < least {
			return fmt.Errorf("a window of %g s holds %.2g cycles of tone %s at %.6g Hz: at least %g are needed", w.Length, w.Length*hz[k], t.Name, hz[k], least)
		}
	}
	return nil
}

// toneOf is the place of a harmonic among the bench's tones.
func (b *Bench) toneOf(harmonic int) int {
	if harmonic == 1 {
		return 0
	}
	return slices.IndexFunc(b.Tones, func(t multitone.Tone) bool { return strings.HasPrefix(t.Name, fmt.Sprintf("%d × ", harmonic)) })
}

// harmonic reads a harmonic of the signal from a frame: its phasor relative to
// as many times the phase of the reference's tone, the variance of each of its
// components, and that of the phase from both channels [rad²].
func (b *Bench) harmonic(f *multitone.Frame, number int, rate float64) (v complex128, variance, phaseVariance float64) {
	k := b.toneOf(number)
	v, variance = f.At(k, b.pair.signal)
	ref, refVariance := f.At(0, b.pair.reference)
	if number > 1 {
		// From the phase of 2π·Hz·t to that of the reference at the same time.
		turns := f.Hz[k]*f.Time(rate) - float64(number)*cmplx.Phase(f.Reference[0])/(2*math.Pi)
		v *= cmplx.Rect(1, 2*math.Pi*(turns-math.Round(turns)))
	}
	phaseVariance = variance/abs2(v) + float64(number*number)*refVariance/abs2(ref)
	if b.pair.signal == b.pair.reference && number == 1 {
		phaseVariance = 0
	}
	return v, variance, phaseVariance
}
