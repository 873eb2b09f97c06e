package stream

import (
	"cmp"
	"fmt"
	"math"
	"math/cmplx"

	"tonepose/multitone"
	"tonepose/multitone/recording"
	"tonepose/multitone/window"
)

// Averaging is what the averaging of a run does to signals and noise. Times
// are of a step of amplitude; rejections are of a sinusoid beside a tone,
// positive, in closed form.
type Averaging struct {
	Kind         string  `json:"kind"`
	WindowS      float64 `json:"window_s,omitempty"`
	ENBWHz       float64 `json:"enbw_hz"` // one-sided
	BandwidthHz  float64 `json:"bandwidth_hz,omitempty"`
	TimeConstant float64 `json:"time_constant_s,omitempty"`
	GroupDelayS  float64 `json:"group_delay_s"` // time stamps are corrected by it
	Settling1S   float64 `json:"settling_1_percent_s"`
	Settling01S  float64 `json:"settling_01_percent_s"`
	RowsHz       float64 `json:"rows_hz,omitempty"` // 0: one row an interval

	// NextTone is the pair of tones that disturb each other most, Mains the worst
	// pair of a tone and a mains harmonic, Image the worst of a tone with itself
	// at twice its frequency. Nil: there is none, or both are estimated jointly.
	NextTone *Rejection `json:"next_tone,omitempty"`
	Image    *Rejection `json:"image,omitempty"`
	Mains    *Rejection `json:"mains,omitempty"`
	Joint    bool       `json:"estimated_jointly"` // tones, and the mains lines found
	// Disturbers are the lines beside the tones that matter.
	Disturbers []Disturber `json:"disturbing_lines,omitempty"`

	// The noise beside the tones, rms: the least and the largest of all tones on
	// all channels that are no reference.
	DensityLow  float64 `json:"noise_density_low_v_per_sqrt_hz"`
	DensityHigh float64 `json:"noise_density_high_v_per_sqrt_hz"`
}

// Rejection is how much of a sinusoid comes through beside a tone.
type Rejection struct {
	Tone string  `json:"tone"`
	Of   string  `json:"of"`
	Hz   float64 `json:"hz"`
	DB   float64 `json:"rejection_db"`
}

// newAveraging describes how a measurement averages.
func newAveraging(info recording.Info, s *Survey, m *Measurement) (*Averaging, error) {
	hz, w := s.Hz(), &m.Windows
	cfg := multitone.Config{SampleRate: info.SampleRate, Channels: info.Channels, Foreign: s.Foreign}
	for _, f := range hz {
		cfg.Tones = append(cfg.Tones, multitone.Tone{Hz: f})
	}
	if w.LowPass != nil {
		p, err := window.Design(w.LowPass.Spec, info.SampleRate)
		if err != nil {
			return nil, err
		}
		every := w.LowPass.every(p)
		a := &Averaging{Kind: p.Spec().Kind.String(), ENBWHz: p.ENBWHz(), BandwidthHz: p.CutoffHz(), TimeConstant: p.TimeConstantS(), GroupDelayS: p.GroupDelayS(),
			Settling1S: p.SettlingS(0.01), Settling01S: p.SettlingS(0.001), RowsHz: info.SampleRate / float64(every)}
		if math.IsNaN(a.BandwidthHz) {
			a.BandwidthHz = 0
		}
		if n := p.Spec().Order; n > 0 {
			a.Kind += fmt.Sprintf(" of order %d", n)
		} else {
			a.Kind += fmt.Sprintf(" of %d taps", len(p.Taps()))
		}
		a.reject(m.Tones, hz, s.Lines, p)
		return a, nil
	}
	length := w.Length
	if length == 0 {
		length = info.Duration()
		for i, v := range w.Intervals {
			if i == 0 || v.Stop-v.Start < length {
				length = v.Stop - v.Start
			}
		}
	}
	nenbw := 1.0
	if cosine := w.Taper.Terms(); w.Length > 0 {
		for _, c := range cosine[1:] {
			nenbw += c * c / (2 * cosine[0] * cosine[0])
		}
	}
	a := &Averaging{Kind: cmp.Or(w.Taper.Name, "hann") + " window", ENBWHz: nenbw / (2 * length), GroupDelayS: length / 2, Settling1S: length, Settling01S: length, Joint: true}
	switch {
	case w.Length > 0:
		a.RowsHz, a.WindowS = 1/w.Hop, w.Length
	case len(w.Intervals) > 0:
		a.Kind = "plain average of each interval (the shortest)"
	default:
		a.Kind = "plain average of the whole recording"
	}
	a.disturb(&cfg, s, w, length)
	return a, nil
}

// disturb tells what lines do to windows or intervals of a length [s].
func (a *Averaging) disturb(cfg *multitone.Config, s *Survey, w *Windows, length float64) {
	shape := []float64{1}
	if w.Length > 0 {
		shape = w.Taper.Terms()
	}
	a.Disturbers = s.disturbers(cfg.Effects(max(1, int(math.Round(length*cfg.SampleRate))), shape))
}

// reject finds the worst cases of a low-pass.
func (a *Averaging) reject(tones []multitone.Tone, hz []float64, mains []multitone.Line, p *window.LowPass) {
	worst := func(into **Rejection, k int, of string, other, value float64) {
		if *into == nil || value < (*into).DB {
			*into = &Rejection{Tone: tones[k].Name, Of: of, Hz: other, DB: value}
		}
	}
	for k := range tones {
		for j := range tones {
			if j != k {
				worst(&a.NextTone, k, tones[j].Name, hz[j], multitone.Rejection(p, hz[k], hz[j]))
			}
		}
		worst(&a.Image, k, tones[k].Name, 2*hz[k], -20*math.Log10(cmplx.Abs(p.Response(2*hz[k]))))
		for _, l := range mains {
			worst(&a.Mains, k, "mains", l.Hz, multitone.Rejection(p, hz[k], l.Hz))
		}
	}
}

// observe takes the noise of a frame into account.
func (a *Averaging) observe(f *multitone.Frame, references []bool) {
	low, high := math.Inf(1), 0.0
	for k := range f.Hz {
		for c, v := range f.Variance[k*f.Channels : (k+1)*f.Channels] {
			if references[c] || !(v > 0) || v > math.MaxFloat64 {
				continue
			}
			low, high = min(low, v), max(high, v)
		}
	}
	if high == 0 {
		return
	}
	// A component's variance is 2·S·ENBW.
	low, high = math.Sqrt(low/(2*a.ENBWHz)), math.Sqrt(high/(2*a.ENBWHz))
	if a.DensityLow == 0 || low < a.DensityLow {
		a.DensityLow = low
	}
	a.DensityHigh = max(a.DensityHigh, high)
}

// leastCycles is how many cycles of a tone a window must hold to separate its
// amplitude from an offset.
const leastCycles = 1.5

// holds refuses windows that hold too little of a tone.
func (s *Survey) holds(w *Windows) error {
	for k, hz := range s.Hz() {
		if w.Length > 0 && w.Length*hz < leastCycles {
			return fmt.Errorf("a window of %g s holds %.2g cycles of tone %s at %.6g Hz: at least %g are needed", w.Length, w.Length*hz, s.tones[k].Name, hz, leastCycles)
		}
	}
	return nil
}
