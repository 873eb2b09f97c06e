package inspect

import (
	"context"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone"
	"tonepose/multitone/recording"
	"tonepose/multitone/spectrum"
)

// Tone is one tone of the rig on its reference and on every channel.
type Tone struct {
	Name      string  `json:"tone"`
	Hz        float64 `json:"hz"`                  // in the ADC's clock
	Reference string  `json:"reference,omitempty"` // channel
	CurrentA  float64 `json:"current_a_peak,omitempty"`
	NominalA  float64 `json:"nominal_a_peak,omitempty"`
	// Of the reference's phase about the clock's line, and of its amplitude, from
	// window to window.
	PhaseNoiseDeg  float64 `json:"phase_noise_rms_deg"`
	AmplitudeNoise float64 `json:"amplitude_noise_rms_relative"`
	WindowS        float64 `json:"window_s"`
	// The noise on one side of the reference's tone, an octave of distance each;
	// phase noise is at most that.
	SkirtHz  []float64 `json:"skirt_offset_hz,omitempty"`
	SkirtDBc []float64 `json:"skirt_dbc_per_hz,omitempty"`
	Levels   []Level   `json:"levels"`
}

// Level is a tone on one channel.
type Level struct {
	Channel   string  `json:"channel"`
	Peak      float64 `json:"peak"`                       // rms over the recording, of the peak amplitude, less the noise
	Density   float64 `json:"noise_density_per_sqrt_hz"`  // beside the tone
	Broadband float64 `json:"signal_to_noise_db"`         // over all noise up to half the rate
	InBand    float64 `json:"signal_to_noise_in_1_hz_db"` // over the noise in 1 Hz beside it
	// Sigmas is how far the level is above the noise: the mean power over
	// what noise alone gives, in standard deviations of that.
	Sigmas float64 `json:"power_over_noise_sigmas"`
}

// Pickup is what may shift the phase of the couplings that a pickup
// measures. A coupling alone is real. A wrong delay gives Im M = −ω·delay·Re M, a
// resistive path from the drive to the pickup Im M = R/ω.
type Pickup struct {
	Channel        string  `json:"channel"`
	QuadratureDeg  float64 `json:"quadrature_rms_deg"` // arctan |Im M|/|Re M|, rms over tones
	DelayS         float64 `json:"delay_error_s"`
	SigmaDelayS    float64 `json:"sigma_delay_error_s"`
	CrosstalkOhm   float64 `json:"crosstalk_ohm"`
	SigmaCrosstalk float64 `json:"sigma_crosstalk_ohm"`
}

// toneSeries is what the windows of an inspection gave.
type toneSeries struct {
	window     float64     // [s]
	time       [][]float64 // of each tone's reference [s]
	reference  [][]float64 // amplitude of each tone on its reference, or where it is strongest [V]
	phase      [][]float64 // of the same about 2π·Hz·t [turns], unwrapped
	sound, all []toneSums  // tones × channels: of windows that miss no samples there, and of all that were measured
}

// toneSums are those of a tone on a channel.
type toneSums struct {
	frames          float64
	phasor          complex128
	power, variance float64 // of the phasors' squares; of a component
}

// missing are faults by which a channel has no samples, or none of its own.
const missing = verdict.Gap | verdict.Repeated | verdict.Stuck

// inspectWindows is how many windows an inspection cuts at most.
const inspectWindows = 4096

func (in *Inspection) lookAtTones(ctx context.Context, r *recording.Reader, survey *stream.Survey, lines [][]spectrum.Line, progress stream.Progress) error {
	info := r.Info()
	window := math.Max(info.Duration()/inspectWindows, in.shortest())
	if 4*window > info.Duration() {
		window = info.Duration() / 4
	}
	s := &toneSeries{window: window}
	n := len(in.tones) * info.Channels
	s.sound, s.all = make([]toneSums, n), make([]toneSums, n)
	s.time, s.reference, s.phase = make([][]float64, len(in.tones)), make([][]float64, len(in.tones)), make([][]float64, len(in.tones))
	// Levels under Hann windows, into which no other line leaks; what an Allan
	// deviation is taken of must be plain averages, end to end.
	enbw := 0.75 / window
	w := stream.Windows{Length: window, Hop: window}
	err := stream.Tapers(ctx, r, survey, stream.Measurement{Tones: in.tones, Windows: w},
		[]stream.Taper{{Cosine: []float64{0.5, 0.5}}, {Cosine: []float64{1}}},
		[]func(*stream.Measured) error{s.level, func(f *stream.Measured) error { return s.drives(f, in.tones) }}, progress)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(s.all, func(t toneSums) bool { return t.frames > 0 }) {
		return nil
	}
	for i := range s.sound {
		if s.sound[i].frames == 0 { // what is doubtful everywhere still says something
			s.sound[i] = s.all[i]
		}
	}
	for k, drive := range s.reference {
		if len(drive) > 0 {
			relative := floats.ScaleTo(make([]float64, len(drive)), 1/stat.Mean(drive, nil), drive)
			in.Drives = append(in.Drives, ToneSeries{Name: in.tones[k].Name, IntervalS: s.window, Amplitude: relative, PhaseTurn: s.phase[k]})
		}
	}
	in.unsteady(info, s, enbw)
	in.levels(info, lines, s, enbw)
	in.pickups(info, s)
	return nil
}

// shortest is a window that separates the tones, with room for noise between.
func (in *Inspection) shortest() float64 {
	spacing := in.SampleRate / 2
	for k := range in.tones {
		spacing = min(spacing, in.nearest(k))
	}
	return max(8/spacing, 64/in.SampleRate)
}

// level leaves out of each sum the windows that a drop-out took: one of them would be all that
// the mean of the variances shows.
func (s *toneSeries) level(f *stream.Measured) error {
	for i, v := range f.Phasor {
		if !tables.IsNumber(f.Variance[i]) {
			continue
		}
		s.all[i].add(v, f.Variance[i])
		if f.Channels[i%len(f.Channels)]&missing == 0 {
			s.sound[i].add(v, f.Variance[i])
		}
	}
	return nil
}

func (t *toneSums) add(v complex128, variance float64) {
	t.frames++
	t.phasor += v
	t.power += real(v * cmplx.Conj(v))
	t.variance += variance
}

func (s *toneSeries) drives(f *stream.Measured, tones []multitone.Tone) error {
	t := f.Time
	for k, tone := range tones {
		if tone.Reference.None() {
			continue
		}
		ref := f.Reference[k]
		if c, ok := tone.Reference.Channel(); ok && f.Channels[c]&missing != 0 || !tables.IsNumber(real(ref)+imag(ref)) {
			continue
		}
		s.time[k] = append(s.time[k], t)
		s.reference[k] = append(s.reference[k], cmplx.Abs(ref))
		turns := math.Remainder(cmplx.Phase(ref)/(2*math.Pi)-f.Hz[k]*t, 1)
		if n := len(s.phase[k]); n > 0 {
			turns = s.phase[k][n-1] + math.Remainder(turns-s.phase[k][n-1], 1)
		}
		s.phase[k] = append(s.phase[k], turns)
	}
	return nil
}

// unsteady takes the noise of channels whose spectrum is no steady noise from
// beside the tones: levels that change, as of a sensor that moves, spread every
// tone over the spectrum.
func (in *Inspection) unsteady(info recording.Info, s *toneSeries, enbw float64) {
	for c := range in.Channels {
		look := &in.Channels[c]
		if look.Misfit < unsteadyMisfit {
			continue
		}
		var beside []float64
		for k := range in.tones {
			if t := s.sound[k*info.Channels+c]; t.frames > 0 {
				beside = append(beside, math.Sqrt(t.variance/t.frames/(2*enbw)))
			}
		}
		if len(beside) == 0 {
			continue
		}
		slices.Sort(beside)
		look.WhiteDensity = beside[len(beside)/2]
		look.FlickerCorner, look.SigmaCorner = 0, 0
		look.NoiseRMS = look.WhiteDensity * math.Sqrt(info.SampleRate/2)
	}
}

func (in *Inspection) levels(info recording.Info, lines [][]spectrum.Line, s *toneSeries, enbw float64) {
	reference := stream.References(in.tones, info.Channels)
	for k, t := range in.tones {
		look := Tone{Name: t.Name, Hz: in.toneHz[k], WindowS: s.window}
		shown := false
		for c := range info.Channels {
			sums := s.sound[k*info.Channels+c]
			frames := sums.frames
			variance := sums.variance / frames
			l := Level{Channel: info.Names[c], Peak: math.Sqrt(math.Max(0, sums.power/frames-2*variance)), Density: math.Sqrt(variance / (2 * enbw))}
			rms := l.Peak / math.Sqrt2
			l.Broadband, l.InBand = decibels(rms/in.Channels[c].NoiseRMS), decibels(rms/l.Density)
			l.Sigmas = (sums.power/frames - 2*variance) / (2 * variance / math.Sqrt(frames))
			shown = shown || !reference[c] && l.Sigmas > 8
			look.Levels = append(look.Levels, l)
			mean := sums.phasor / complex(frames, 0)
			scatter := sums.power/frames - real(mean*cmplx.Conj(mean))
			// Of noise alone it is 2·variance, within √(1/frames) of itself.
			in.moves = append(in.moves, scatter > 2*variance*(1+6/math.Sqrt(frames)))
		}
		e := in.rig.Emitters[k]
		look.NominalA = e.CurrentPeakA
		if c, ok := t.Reference.Channel(); ok {
			in.lookAtReference(&look, k, c, lines[c], s)
		}
		if !shown {
			in.find("tone %s at %.6g Hz is missing: no pickup shows it", t.Name, look.Hz)
		}
		in.Tones = append(in.Tones, look)
	}
}

func (in *Inspection) lookAtReference(look *Tone, k, c int, lines []spectrum.Line, s *toneSeries) {
	e, l := in.rig.Emitters[k], look.Levels[c]
	look.Reference = l.Channel
	if resp, err := in.rig.Channels[c].Response(look.Hz); err == nil && e.Reference.TransimpedanceOhm > 0 {
		look.CurrentA = l.Peak / (cmplx.Abs(complex128(resp)) * e.Reference.TransimpedanceOhm)
	}
	mean, scatter := stat.MeanStdDev(s.reference[k], nil)
	look.AmplitudeNoise = scatter / mean
	look.PhaseNoiseDeg = aboutLine(s.time[k], s.phase[k]) * 360
	switch {
	case l.Sigmas < 8:
		in.find("tone %s: its reference on channel %s is lost: the channel does not carry it", look.Name, l.Channel)
	case look.CurrentA > 0 && look.NominalA > 0 && math.Abs(look.CurrentA/look.NominalA-1) > 0.2:
		in.find("tone %s: its current is %.3g A peak, the rig states %.3g A", look.Name, look.CurrentA, look.NominalA)
	}
	for _, line := range lines {
		if math.Abs(line.Hz-look.Hz) < 2*in.Resolution {
			skirt := in.Densities[c].Skirt(line, 0.4*in.nearest(k))
			look.SkirtHz, look.SkirtDBc = skirt.OffsetHz, skirt.DBcPerHz
		}
	}
}

// aboutLine is the rms of y about its regression line.
func aboutLine(x, y []float64) float64 {
	if len(y) < 3 {
		return 0
	}
	alpha, beta := stat.LinearRegression(x, y, nil, false)
	var sum float64
	for i := range x {
		off := y[i] - alpha - beta*x[i]
		sum += off * off
	}
	return math.Sqrt(sum / float64(len(y)-2))
}

func decibels(ratio float64) float64 {
	if !(ratio > 1e-15) {
		return -300
	}
	return math.Min(20*math.Log10(ratio), 300)
}

// ToneSeries is a tone's drive from window to window: what an Allan deviation
// is taken of.
type ToneSeries struct {
	Name      string
	IntervalS float64
	Amplitude []float64 // on the reference channel, relative to its mean
	PhaseTurn []float64 // about the clock's line, of the same
}
