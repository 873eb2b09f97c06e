package pipeline

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
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
	harmonics         []int  // asked for, rising
	others            []int  // harmonics that are there too and must be fitted jointly
	direct            *found // what is too short for anything but one fit to all samples; else nil
	settled           bool   // the frequency rests on the whole recording
	weak              bool   // the reference is too noisy to be followed block by block
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
	all, err := gather(ctx, r, p.signal, p.reference)
	if err != nil {
		return nil, err
	}
	tone, err := find(all, o.NearHz, info.Name, o.Reference)
	if err != nil {
		return nil, err
	}
	hz := tone.model.hz
	if top := p.harmonics[len(p.harmonics)-1]; float64(top)*hz >= info.SampleRate/2 {
		return nil, fmt.Errorf("harmonic %d of %.6g Hz: must lie below half the sample rate, %g Hz", top, hz, info.SampleRate/2)
	}
	p.settled, p.weak = tone.whole, tone.weak()
	cycles := hz * float64(len(tone.reference)) / tone.rate
	if tone.whole && (cycles < directCycles || len(tone.reference) < directSamples) {
		p.direct = tone
	}
	b := &Bench{Rig: &rig.Rig{Channels: channels}, pair: p,
		Tones: []multitone.Tone{{Name: o.Reference, Hz: hz, Reference: p.reference}}}
	for _, h := range p.harmonics {
		if h > 1 {
			b.Tones = append(b.Tones, multitone.Tone{Name: fmt.Sprintf("%d × %s", h, o.Reference), Hz: float64(h) * hz, Reference: multitone.NoReference})
		}
	}
	for _, h := range tone.present {
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
	t, err := clock.NewTracker(clock.None, rate, b.Tones, 0)
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
		out = append(out, fold(float64(h)*hz, info.SampleRate))
	}
	return append(out, s.Lines...)
}

// disown takes lines from the mains that are harmonics of a pair's reference: a
// chopper's comb may pass for that of the mains.
func (b *Bench) disown(s *Survey, info recording.Info) {
	if b.pair == nil || len(s.Lines) == 0 {
		return
	}
	hz := s.Track.Hz(0, info.Duration())[0]
	width := 0.5/info.Duration() + 0.6 // to which a line is known among so many [Hz]
	s.Lines = slices.DeleteFunc(s.Lines, func(line float64) bool {
		n := max(1, math.Round(line/hz))
		return math.Abs(line-n*hz) < min(width, 0.15*hz)
	})
	if len(s.Lines) == 0 {
		s.MainsHz = 0
	}
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

// MeasurePair measures the whole recording.
func (b *Bench) MeasurePair(ctx context.Context, r *recording.Reader, progress Progress) (*Pair, *Summary, error) {
	survey, err := b.survey(ctx, r, b.mode(clock.Common), progress)
	if err != nil {
		return nil, nil, err
	}
	b.disown(survey, r.Info())
	rate := r.Info().SampleRate
	sum := &Summary{Survey: survey, lost: b.lostReferences(survey, rate, r.Info().Names)}
	if b.pair.direct != nil {
		p, err := b.direct(r.Info())
		return p, sum, err
	}
	// One fit to all samples tells the frequency best.
	if !b.pair.settled {
		if err := b.settle(ctx, r, survey, progress); err != nil {
			return nil, nil, err
		}
	}
	if survey.Track, err = b.untracked(rate); err != nil {
		return nil, nil, err
	}
	var p *Pair
	err = b.measure(ctx, r, survey, Windows{}, func(f *multitone.Frame, _ []string) error {
		n := float64(f.Stop - f.Start)
		ref, refVariance := f.At(0, b.pair.reference)
		p = newPair(f.Hz[0], n, rate, refVariance/abs2(ref))
		for _, h := range b.pair.measured() {
			v, variance, phaseVariance := b.harmonic(f, h, rate)
			p.add(h, v, variance, phaseVariance)
		}
		p.list(b.pair.harmonics)
		return nil
	}, progress)
	return p, sum, err
}

// settleParts is into how many parts a recording is cut to find its mean
// frequency: the line through their phases loses 1/settleParts² of what all
// samples tell.
const settleParts = 64

// settle finds the mean frequency of a long recording.
func (b *Bench) settle(ctx context.Context, r *recording.Reader, s *Survey, progress Progress) error {
	info := r.Info()
	rate := info.SampleRate
	hz := s.Track.Hz(0, info.Duration())[0]
	for k := range b.Tones {
		b.Tones[k].Hz *= hz / b.Tones[0].Hz
	}
	var err error
	if s.Track, err = b.untracked(rate); err != nil {
		return err
	}
	var parts []tables.Interval
	for i := range settleParts {
		parts = append(parts, tables.Interval{Start: info.Duration() * float64(i) / settleParts, Stop: info.Duration() * float64(i+1) / settleParts})
	}
	var times, phases []float64
	err = b.measure(ctx, r, s, Windows{Intervals: parts}, func(f *multitone.Frame, _ []string) error {
		t := f.Time(rate)
		times = append(times, t)
		// to the phase of 2π·hz·t
		turns := cmplx.Phase(f.Reference[0])/(2*math.Pi) - f.Hz[0]*t
		if n := len(phases); n > 0 {
			turns = phases[n-1] + math.Remainder(turns-phases[n-1], 1)
		}
		phases = append(phases, turns)
		return nil
	}, progress)
	if err != nil {
		return err
	}
	_, slope := stat.LinearRegression(times, phases, nil, false)
	for k := range b.Tones {
		b.Tones[k].Hz *= 1 + slope/hz
	}
	return nil
}

// direct fits all samples of a short recording at once.
func (b *Bench) direct(info recording.Info) (*Pair, error) {
	e, hz := b.pair.direct, b.Tones[0].Hz
	m := sineModel{hz: hz, rate: e.rate, harmonics: []int{1}, others: e.model.others}
	for _, h := range slices.Sorted(slices.Values(slices.Concat(b.pair.harmonics, b.pair.others))) {
		if h > 1 && float64(h)*hz < e.rate/2 {
			m.harmonics = append(m.harmonics, h)
		}
	}
	reference, err := m.fit(e.reference, nil)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", info.Name, err)
	}
	signal, err := m.fit(e.signal, nil)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", info.Name, err)
	}
	n := float64(len(e.reference))
	ref := reference.phasor[0]
	refRelative := 2 * reference.variance / n / abs2(ref)
	p := newPair(hz, n, e.rate, refRelative)
	for _, h := range b.pair.measured() {
		// Means of stretches see a sine weakened by sin(x)/x at the stretch.
		x := math.Pi * float64(h) * hz / info.SampleRate
		gain := math.Sin(float64(e.ratio)*x) / (float64(e.ratio) * math.Sin(x))
		turn := cmplx.Rect(1/gain, -float64(h)*cmplx.Phase(ref))
		v := signal.phasor[slices.Index(m.harmonics, h)] * turn
		variance := 2 * signal.variance / n / (gain * gain)
		phaseVariance := variance/abs2(v) + float64(h*h)*refRelative
		if b.pair.signal == b.pair.reference && h == 1 {
			phaseVariance = 0
		}
		p.add(h, v, variance, phaseVariance)
	}
	p.list(b.pair.harmonics)
	return p, nil
}

// newPair begins with what the reference tells: n samples, with the variance of
// each component of its phasor relative to its squared amplitude.
func newPair(hz, n, rate, relative float64) *Pair {
	p := &Pair{FrequencyHz: hz, ENBWHz: rate / (2 * n), DurationS: n / rate}
	// Cramér–Rao bound of a frequency, var ω = 24σ²/(A²·N(N²−1)) per sample²,
	// with the white-equivalent σ² = variance·N/2 (Rife and Boorstyn 1974).
	p.SigmaFrequencyHz = math.Sqrt(12*relative/(n*n-1)) * rate / (2 * math.Pi)
	return p
}

// add takes in a harmonic: the first is the pair's own result too, and is
// listed only among others.
func (p *Pair) add(number int, v complex128, variance, phaseVariance float64) {
	h := Harmonic{Number: number, AmplitudePeakV: cmplx.Abs(v), PhaseDeg: cmplx.Phase(v) * 180 / math.Pi,
		SigmaAmplitudeRMSV: math.Sqrt(variance / 2), SigmaPhaseDeg: sigmaDeg(phaseVariance)}
	h.AmplitudeRMSV = h.AmplitudePeakV / math.Sqrt2
	if number == 1 {
		p.AmplitudePeakV, p.AmplitudeRMSV, p.PhaseDeg = h.AmplitudePeakV, h.AmplitudeRMSV, h.PhaseDeg
		p.SigmaAmplitudeRMSV, p.SigmaPhaseDeg = h.SigmaAmplitudeRMSV, h.SigmaPhaseDeg
	}
	p.Harmonics = append(p.Harmonics, h)
}

// list keeps the harmonics that were asked for.
func (p *Pair) list(wanted []int) {
	if slices.Equal(wanted, []int{1}) {
		p.Harmonics = nil
		return
	}
	p.Harmonics = slices.DeleteFunc(p.Harmonics, func(h Harmonic) bool { return !slices.Contains(wanted, h.Number) })
}

// sigmaDeg words the variance of a phase [rad²]; a phase is never further off
// than half a turn.
func sigmaDeg(variance float64) float64 {
	deg := math.Sqrt(variance) * 180 / math.Pi
	if !(deg < 180) {
		return 180
	}
	return deg
}

func abs2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
