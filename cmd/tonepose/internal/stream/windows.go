package stream

import (
	"fmt"
	"math"

	"tonepose/multitone"
	"tonepose/multitone/recording"
	"tonepose/multitone/window"
)

// Windows says how a stream is averaged: in successive windows, over the given
// intervals, by a low-pass, or with none of these as a whole.
type Windows struct {
	Length, Hop float64    // [s]; Hop 0: Length
	Taper       Taper      // weighting of windows
	Intervals   []Interval // used when Length is 0
	LowPass     *LowPass   // instead of windows and intervals
}

// Taper is a sum of cosines; its zero value is Hann.
type Taper struct {
	Name   string    // for the reader
	Cosine []float64 // coefficients
}

// Interval is a stretch of time that is measured by itself.
type Interval struct {
	Start, Stop float64 // [s]
	Sensor      string  // for which it is meant; empty: all
	Origin      string  // file and line, for messages
}

// LowPass averages continuously.
type LowPass struct {
	Spec     window.Spec
	OutputHz float64 // rows a second; 0: four times the bandwidth, at most the sample rate
}

// every is the whole number of samples from one row to the next.
func (l *LowPass) every(p *window.LowPass) int {
	hz := l.OutputHz
	if hz == 0 {
		hz = 4 * p.CutoffHz()
	}
	if math.IsNaN(hz) {
		return 1
	}
	return int(max(1, math.Round(p.SampleRateHz()/hz)))
}

// Interval is the time from one row to the next [s].
func (l *LowPass) Interval(sampleRate float64) (float64, error) {
	p, err := window.Design(l.Spec, sampleRate)
	if err != nil {
		return 0, err
	}
	return float64(l.every(p)) / sampleRate, nil
}

// Check refuses windows that samples of a source cannot fill, and a low-pass that does not tell
// the tones apart.
func (w *Windows) Check(info recording.Info, tones []multitone.Tone) error {
	whole := info.Duration()
	if info.Samples < 0 { // of a stream, how long it lasts is not known
		whole = math.Inf(1)
	}
	switch {
	case w.LowPass != nil:
		p, err := window.Design(w.LowPass.Spec, info.SampleRate)
		if err != nil {
			return err
		}
		if s := p.SettlingS(1e-3); s > whole {
			return fmt.Errorf("%s: the low-pass settles to 0.1 %% in %.4g s, longer than the recording, %g s: widen it", info.Name, s, whole)
		}
		if hz := w.LowPass.OutputHz; hz > 0 && 1/hz > whole {
			return fmt.Errorf("%s: at %g rows a second, one takes longer than the recording, %g s: raise the output rate", info.Name, hz, whole)
		}
		return separates(p, tones, info.Name)
	case w.Length > whole:
		return fmt.Errorf("%s: a window of %g s is longer than the recording, %g s", info.Name, w.Length, whole)
	case w.Length > 0 && w.Hop > 0 && w.Hop*info.SampleRate < 0.5:
		return fmt.Errorf("%s: windows that follow each other by %g s: a sample takes %g s, so widen the hop", info.Name, w.Hop, 1/info.SampleRate)
	}
	return nil
}

// separates refuses a low-pass that lets half of the power and more through of a tone beside another,
// or of its image at twice its frequency: what comes through is taken off as if it kept still,
// and is no signal that the tone could carry.
func separates(p *window.LowPass, tones []multitone.Tone, name string) error {
	passes := func(hz float64) bool {
		h := p.Response(hz)
		return real(h)*real(h)+imag(h)*imag(h) >= 0.5
	}
	for i, a := range tones {
		for _, b := range tones[:i] {
			if d := math.Abs(a.Hz - b.Hz); passes(d) {
				return fmt.Errorf("%s: the low-pass lets what is %.6g Hz beside a tone through, and so far apart are %s and %s: take it narrower than that, by half or more", name, d, b.Name, a.Name)
			}
		}
	}
	for _, a := range tones {
		if passes(2 * a.Hz) {
			return fmt.Errorf("%s: the low-pass lets what is %.6g Hz beside tone %s through, its image at twice its frequency: take it narrower than that, by half or more", name, 2*a.Hz, a.Name)
		}
	}
	return nil
}

// Successive reports whether observations follow each other closely: a pose is then
// near the last one.
func (w *Windows) Successive() bool { return w.Length > 0 || w.LowPass != nil }

// Spread is the standard deviation of time under a window's weights [s].
func (w *Windows) Spread() float64 {
	cosine := w.Taper.Terms()
	second := cosine[0] / 12
	for k, a := range cosine[1:] {
		j := float64(k + 1)
		second += a * math.Pow(-1, j) / (2 * math.Pi * math.Pi * j * j)
	}
	return w.Length * math.Sqrt(second/cosine[0])
}

// Kurtosis is the fourth moment of time under a window's weights over the square of
// the second.
func (w *Windows) Kurtosis() float64 {
	const n = 2000
	var sum, second, fourth float64
	for i, v := range w.Taper.sampled(n) {
		u := (float64(i)+0.5)/n - 0.5
		sum, second, fourth = sum+v, second+v*u*u, fourth+v*u*u*u*u
	}
	return fourth * sum / (second * second)
}

// Correlation is that of white noise between windows 1, 2, 3 … apart, as long as they
// overlap.
func (w *Windows) Correlation() (rho []float64) {
	const n = 2000
	taper := w.Taper.sampled(n)
	var power float64
	for _, v := range taper {
		power += v * v
	}
	for k := 1; ; k++ {
		shift := int(math.Round(float64(k) * w.Hop / w.Length * n))
		if shift >= n || shift < 1 {
			return rho
		}
		sum := 0.0
		for i := shift; i < n; i++ {
			sum += taper[i] * taper[i-shift] / power
		}
		rho = append(rho, sum)
	}
}

// sampled is a taper at the middles of n parts of its window.
func (t Taper) sampled(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		u := (float64(i)+0.5)/float64(n) - 0.5
		for j, a := range t.Terms() {
			out[i] += a * math.Cos(2*math.Pi*float64(j)*u)
		}
	}
	return out
}

// Terms are the taper's cosine terms; those of Hann where none are given.
func (t Taper) Terms() []float64 {
	if t.Cosine == nil {
		return []float64{0.5, 0.5}
	}
	return t.Cosine
}
