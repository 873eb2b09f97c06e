package stream

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"tonepose/multitone"
	"tonepose/multitone/spectrum"
	"tonepose/multitone/window"
)

// harmonic is the number of the mains harmonic that a frequency is, within a tolerance
// [Hz] and three sigmas of the mains, if it is one.
func (m *Mains) harmonic(hz, tolerance float64) (number int, ok bool) {
	if m.MainsHz == 0 {
		return 0, false
	}
	n := math.Round(hz / m.MainsHz)
	known := 3 * n * m.MainsSigmaHz
	return int(n), n >= 1 && known < m.MainsHz/4 && math.Abs(hz-n*m.MainsHz) <= tolerance+known
}

// nameTolerance is how far a line may be from what it is named for, beside its own
// sigma and the clocks' [Hz].
const nameTolerance = 0.05

// Name says what a line is: a harmonic of the mains first, then what the tones make;
// empty where nothing known is there.
func (s *Survey) Name(hz, sigma float64) string {
	tolerance := 3*sigma + nameTolerance
	if mains := s.Harmonic(hz, sigma); mains != "" {
		return mains
	}
	var tones []spectrum.Tone
	for k, f := range s.Hz() {
		tones = append(tones, spectrum.Tone{Name: s.tones[k].Name, Hz: f, ToleranceHz: 2e-7 * f})
	}
	if e := spectrum.NewCatalogue(s.info.SampleRate, tones, spectrum.Mains{}).Explain(hz, tolerance); len(e) > 0 && e[0].Chance < 0.1 {
		return e[0].Text
	}
	return ""
}

// Shares words what shares a tone's frequency, as far as the recording tells; empty:
// nothing known.
func (s *Survey) Shares(tone int) string { return s.shares[tone] }

// usualWanderHz is how far a grid's frequency usually is from nominal: common practice
// of large grids, most of the time.
const usualWanderHz = 0.02

// share words what lies at a tone's frequency, nearer than the recording resolves: a
// harmonic of the mains that was seen or, where none was, of one near its nominal
// frequency.
func (s *Survey) share(hz float64) string {
	apart := 2 / min(max(s.seen, 0.1), foreignSeconds)
	if n, ok := s.harmonic(hz, apart+spectrum.MainsWanderHz*hz/max(s.MainsHz, 1)); ok {
		return fmt.Sprintf("it lies on the %s harmonic of %.0f Hz", ordinal(n), s.MainsHz)
	}
	if s.MainsHz > 0 {
		return ""
	}
	for _, mains := range []float64{50, 60} {
		n := math.Round(hz / mains)
		// Beyond, some harmonic is near everywhere.
		if reach := usualWanderHz*n + apart; n >= 1 && reach < mains/8 && math.Abs(hz-n*mains) < reach {
			return fmt.Sprintf("it lies on the %s harmonic of %.0f Hz", ordinal(int(n)), mains)
		}
	}
	return ""
}

// foreignSeconds is how much of a stream is searched for lines at most.
const foreignSeconds = 4

// Harmonic words which harmonic of the mains a line is; empty: none.
func (s *Survey) Harmonic(hz, sigma float64) string {
	n, ok := s.harmonic(hz, 3*sigma+nameTolerance+spectrum.MainsWanderHz*hz/max(s.MainsHz, 1))
	if !ok {
		return ""
	}
	return fmt.Sprintf("%s harmonic of %.4g Hz", ordinal(n), s.MainsHz)
}

func ordinal(n int) string {
	ending := "th"
	if n%100 < 11 || n%100 > 13 {
		switch n % 10 {
		case 1:
			ending = "st"
		case 2:
			ending = "nd"
		case 3:
			ending = "rd"
		}
	}
	return fmt.Sprint(n, ending)
}

// harmonics are those of the mains, but for the foreign lines: one whose own frequency
// was measured is one of these.
func (s *Survey) harmonics() (list []multitone.Line) {
	for _, h := range s.Lines {
		n := h.Hz / s.MainsHz
		near := 3*n*s.MainsSigmaHz + spectrum.MainsWanderHz*n + 2/max(s.seen, 1)
		if !slices.ContainsFunc(s.Foreign, func(l multitone.Line) bool { return math.Abs(l.Hz-h.Hz) < near }) {
			list = append(list, h)
		}
	}
	return list
}

// lines are those that are estimated with the tones, but for the foreign ones [Hz].
func (s *Survey) lines(joint []float64) (list []float64) {
	list = slices.Clone(joint)
	for _, h := range s.harmonics() {
		list = append(list, h.Hz)
	}
	return list
}

const (
	// mostBehind bounds the lines that are measured like tones behind a low-pass.
	mostBehind = 16
	// nearBehind is what a low-pass may at most let through of a line, as an amplitude,
	// for the line to be told from a tone by their phasors alone: taking it off adds
	// the square of this to the tone's noise.
	nearBehind = 0.3
)

// behind chooses the lines that a low-pass lets through to be measured like tones, so
// that they can be taken off [Hz]; of the others that matter what is left goes into
// the tones' variances, by the configuration's Foreign.
func (s *Survey) behind(p *window.LowPass, cfg *multitone.Config) (lines []float64, rest []multitone.Effect) {
	all := *cfg
	all.Foreign = slices.Concat(s.harmonics(), s.Foreign)
	effects := all.EffectsBehind(p)
	slices.SortStableFunc(effects, func(a, b multitone.Effect) int { return cmp.Compare(b.Left, a.Left) })
	cfg.Foreign = nil
	for _, e := range effects {
		if len(lines) < mostBehind && e.Share < nearBehind*nearBehind {
			lines = append(lines, e.Hz)
			continue
		}
		cfg.Foreign = append(cfg.Foreign, e.Line)
		rest = append(rest, e)
	}
	return lines, rest
}

// offsets are those of the channels [V].
func (s *Survey) offsets() (list []float64) {
	for _, c := range s.Monitor.Channels() {
		list = append(list, c.DC)
	}
	return list
}

// Disturber is a line beside a tone that matters to a measurement.
type Disturber struct {
	Hz       float64 `json:"hz"`
	SigmaHz  float64 `json:"sigma_hz"`
	Name     string  `json:"name,omitempty"` // of what it is, if that is known
	Tone     string  `json:"tone"`           // that it disturbs most
	OffsetHz float64 `json:"offset_hz"`      // from that
	PeakV    float64 `json:"peak_v"`
	Channel  string  `json:"channel"` // that shows it most
	// Resolved: it is estimated with the tones. Else its power is in the tone's sigma.
	Resolved bool `json:"resolved"`
}

// disturbers words what the foreign lines do to a measurement.
func (s *Survey) disturbers(effects []multitone.Effect) (list []Disturber) {
	hz := s.Hz()
	for _, e := range effects {
		loudest := 0
		for c, p := range e.Power {
			if p > e.Power[loudest] {
				loudest = c
			}
		}
		list = append(list, Disturber{Hz: e.Hz, SigmaHz: e.SigmaHz, Name: s.Name(e.Hz, e.SigmaHz), Tone: s.tones[e.Tone].Name,
			OffsetHz: e.Hz - hz[e.Tone], PeakV: math.Sqrt(e.Power[loudest]), Channel: s.info.Names[loudest], Resolved: e.Fitted})
	}
	return list
}

// String words a disturber for a reader.
func (d *Disturber) String() string {
	side := "above"
	if d.OffsetHz < 0 {
		side = "below"
	}
	text := fmt.Sprintf("a line of %.3g V at %.3f Hz on %s", d.PeakV, d.Hz, d.Channel)
	if d.Name != "" {
		text += " (" + d.Name + ")"
	}
	text += fmt.Sprintf(" lies %.3g Hz %s tone %s: ", math.Abs(d.OffsetHz), side, d.Tone)
	if d.Resolved {
		return text + "estimated with the tones"
	}
	return text + "too near to be told apart, its power is in the tone's sigma"
}
