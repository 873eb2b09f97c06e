// Package pair measures one channel of a recording against the tone that another
// carries: the job of the command measure without a rig.
package pair

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
	"tonepose/multitone/sine"
	"tonepose/multitone/spectrum"
)

// Result is the measurement of one channel against another over a recording.
type Result struct {
	FrequencyHz float64 `json:"frequency_hz"` // of the reference's tone, in the ADC's clock
	Phasor
	ENBWHz           float64 `json:"enbw_hz"` // one-sided
	SigmaFrequencyHz float64 `json:"sigma_frequency_hz"`
	DurationS        float64 `json:"duration_s"`
	// Changes says that the signal does not keep still over the recording: the phasors
	// are means, and their sigmas tell how far it is from these.
	Changes bool `json:"changes_during_recording"`

	Harmonics []Harmonic `json:"harmonics,omitempty"` // those asked for, if not the first alone
}

// Phasor is the signal at one frequency, against the reference.
type Phasor struct {
	AmplitudePeakV     float64 `json:"amplitude_peak_v"`
	AmplitudeRMSV      float64 `json:"amplitude_rms_v"`
	PhaseDeg           float64 `json:"phase_deg"` // signal minus reference, −180 to 180
	SigmaAmplitudeRMSV float64 `json:"sigma_amplitude_rms_v"`
	SigmaPhaseDeg      float64 `json:"sigma_phase_deg"`
}

// Harmonic is the signal at a multiple of the reference's frequency. Its phase
// is that of the signal minus Number times that of the reference's tone.
type Harmonic struct {
	Number int `json:"harmonic"`
	Phasor
}

// Options says what of a recording is measured against what.
type Options struct {
	Signal, Reference string
	Harmonics         []int    // of the reference's tone; none: 1
	NearHz            float64  // where the reference's tone is sought; 0: the strongest line
	Figures           []string // formats of the figure against time
}

// Pair is a signal and its reference in one recording.
type Pair struct {
	info              recording.Info
	signal, reference int // channels
	// tones are that of the reference, and the further harmonics asked for:
	// measured without a reference of their own, as a sine has no harmonics to
	// refer to.
	tones     []multitone.Tone
	harmonics []harmonic // measured, rising: the reference's tone is always one
	others    []int      // harmonics that are there too and must be fitted jointly
	direct    *sine.Tone // what is too short for anything but one fit to all samples; else nil
	whole     bool       // the frequency rests on the whole recording
	weak      bool       // the reference is too noisy to be followed block by block

	course *clock.Track // of the tones' phases
}

// harmonic is a multiple of the reference's frequency, its index among the tones,
// and whether it was asked for.
type harmonic struct {
	number, tone int
	asked        bool
}

const (
	// Below these the clock has nothing to follow and the noise beside the tone
	// no room: one fit to all samples, with the noise from its residuals.
	directCycles  = 60
	directSamples = 2048
	// Half of what the clock is followed by, at most.
	followSeconds = 0.01
)

// Find finds the reference's tone and prepares the measurement of a signal against
// it.
func Find(ctx context.Context, r stream.Source, o Options) (*Pair, error) {
	info := r.Info()
	p := &Pair{info: info}
	for name, to := range map[string]*int{o.Signal: &p.signal, o.Reference: &p.reference} {
		if *to = slices.Index(info.Names, name); *to < 0 {
			return nil, fmt.Errorf("%s has no channel %q: its channels are %s", info.Name, name, strings.Join(info.Names, ", "))
		}
	}
	if o.Signal == o.Reference {
		p.signal = p.reference
	}
	search := sine.NewSearch(info.SampleRate, info.Samples)
	err := stream.Blocks(ctx, r, false, func(b *stream.Block) error {
		search.Write(b.Volts[p.reference], b.Volts[p.signal])
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
	p.tones = []multitone.Tone{{Name: o.Reference, Hz: hz, Reference: multitone.OnChannel(p.reference)}}
	numbers := slices.Compact(slices.Sorted(slices.Values(o.Harmonics)))
	if len(numbers) == 0 {
		numbers = []int{1}
	}
	if top := numbers[len(numbers)-1]; float64(top)*hz >= info.SampleRate/2 {
		return nil, fmt.Errorf("harmonic %d of %.6g Hz: must lie below half the sample rate, %g Hz", top, hz, info.SampleRate/2)
	}
	p.harmonics = []harmonic{{1, 0, numbers[0] == 1}}
	for _, n := range numbers {
		if n > 1 {
			p.harmonics = append(p.harmonics, harmonic{n, len(p.tones), true})
			p.tones = append(p.tones, multitone.Tone{Name: fmt.Sprintf("%d × %s", n, o.Reference), Hz: float64(n) * hz})
		}
	}
	p.others = slices.DeleteFunc(slices.Clone(tone.Present), func(n int) bool { return slices.Contains(numbers, n) })
	p.whole, p.weak = tone.Whole, tone.Weak(followSeconds)
	cycles := hz * float64(len(tone.Reference)) / tone.Rate
	if tone.Whole && (cycles < directCycles || len(tone.Reference) < directSamples) {
		p.direct = tone
	}
	return p, nil
}

// observe surveys the recording. The frequency is not followed where too few
// cycles are there, or too short a piece.
func (p *Pair) observe(ctx context.Context, r *recording.Reader, mode clock.Mode, progress stream.Progress) (*stream.Survey, error) {
	if p.direct != nil || p.whole && p.weak {
		mode = clock.None
	}
	survey, err := stream.Observe(ctx, r, p.tones, mode, progress)
	if err == nil {
		p.course = survey.Track
	}
	return survey, err
}

// measurement is of the tones, and jointly of the harmonics that are there and
// not asked for.
func (p *Pair) measurement(s *stream.Survey, w stream.Windows) stream.Measurement {
	m := stream.Measurement{Tones: p.tones, Windows: w}
	for _, n := range p.others {
		m.Joint = append(m.Joint, spectrum.Alias(float64(n)*s.Hz()[0], p.info.SampleRate))
	}
	return m
}

// Follow is what is measured of the stream of which Find has seen the first part, and how
// its clock is followed.
func (p *Pair) Follow(w stream.Windows, mode clock.Mode) (stream.Measurement, clock.Mode) {
	m := stream.Measurement{Tones: p.tones, Windows: w, Widen: true}
	for _, n := range p.others {
		m.Joint = append(m.Joint, spectrum.Alias(float64(n)*p.tones[0].Hz, p.info.SampleRate))
	}
	if p.weak {
		mode = clock.None
	}
	return m, mode
}

// Rows makes rows of the frames of a stream; the next call overwrites them. Harmonics
// beyond the first need the course of the whole recording.
func (p *Pair) Rows() func(*stream.Measured) []tables.Demodulated { return p.series().frame }

// read reads a harmonic of the signal from a frame: its phasor relative to
// as many times the phase of the reference's tone, the variance of each of its
// components with what its noise does not show, and that of the phase from both
// channels [rad²].
func (p *Pair) read(f *stream.Measured, h harmonic) (v complex128, variance, phaseVariance float64) {
	v, variance = f.At(h.tone, p.signal)
	ref, refVariance := f.At(0, p.reference)
	if h.number > 1 {
		// From the phase of the course to that of the reference at the same time.
		turns := p.course.Cycles(h.tone, f.Time) - float64(h.number)*cmplx.Phase(f.Reference[0])/(2*math.Pi)
		v *= cmplx.Rect(1, 2*math.Pi*(turns-math.Round(turns)))
	}
	n := float64(f.Stop - f.Start)
	variance = p.floored(variance, p.signal, cmplx.Abs(v), f.Hz[h.tone], n)
	return v, variance, p.phaseVariance(h, v, variance, p.relative(ref, refVariance, f.Hz[0], n))
}

// relative is the variance of a component of the reference over its squared size.
func (p *Pair) relative(ref complex128, variance, hz, n float64) float64 {
	return p.floored(variance, p.reference, cmplx.Abs(ref), hz, n) / abs2(ref)
}

// phaseVariance is that of a harmonic against the reference [rad²], relative the
// variance of a component of the reference over its squared amplitude.
func (p *Pair) phaseVariance(h harmonic, v complex128, variance, relative float64) float64 {
	if p.signal == p.reference && h.number == 1 {
		return 0
	}
	return variance/abs2(v) + float64(h.number*h.number)*relative
}
