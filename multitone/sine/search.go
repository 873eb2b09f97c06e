package sine

import (
	"context"
	"errors"
	"fmt"
)

// searchSamples bounds the transform in which a tone of unknown frequency is
// sought.
const searchSamples = 1 << 18

// ErrNoTone reports that a channel carries no tone where one was sought.
var ErrNoTone = errors.New("carries no tone")

// Excerpt is what is held of two channels to find a tone: the first samples, or
// means of equal stretches over the whole recording.
type Excerpt struct {
	Rate      float64   // of the excerpt [Hz]
	Ratio     int       // samples averaged into each of its values
	Whole     bool      // it covers all samples, but for part of a stretch at the end
	Reference []float64 // of the channel that carries the tone
	Signal    []float64 // of the other channel
}

// Search collects excerpts of a recording's reference and signal channels: its
// first 2^18 samples, and, if that is not all, means of equal stretches of the
// whole, in which slow tones are found.
type Search struct {
	excerpts []*Excerpt
	sums     [2]float64
	count    int
}

// NewSearch prepares the search in a recording of the given sample rate [Hz]
// and number of samples; negative: not known, the beginning alone is kept.
func NewSearch(rate float64, samples int64) *Search {
	s := &Search{excerpts: []*Excerpt{{Rate: rate, Ratio: 1, Whole: samples >= 0 && samples <= searchSamples}}}
	if samples > searchSamples {
		ratio := int((samples + searchSamples - 1) / searchSamples)
		s.excerpts = append(s.excerpts, &Excerpt{Rate: rate / float64(ratio), Ratio: ratio, Whole: true})
	}
	return s
}

// Write feeds the next samples of both channels, equally many.
func (s *Search) Write(reference, signal []float64) {
	first := s.excerpts[0]
	if room := searchSamples - len(first.Reference); room > 0 {
		n := min(room, len(reference))
		first.Reference, first.Signal = append(first.Reference, reference[:n]...), append(first.Signal, signal[:n]...)
	}
	if len(s.excerpts) == 1 {
		return
	}
	e := s.excerpts[1]
	for i := range reference {
		s.sums[0] += reference[i]
		s.sums[1] += signal[i]
		if s.count++; s.count == e.Ratio {
			n := float64(e.Ratio)
			e.Reference, e.Signal = append(e.Reference, s.sums[0]/n), append(e.Signal, s.sums[1]/n)
			s.sums, s.count = [2]float64{}, 0
		}
	}
}

// Tone is a reference's tone.
type Tone struct {
	*Excerpt        // in which it was found
	Model    *Model // of the reference, with its refined frequency
	Fit      *Fit   // of the reference
	Present  []int  // numbers of the harmonics on either channel, from the second on
}

// Find looks for the reference's tone, its largest line but for the mains, and
// refines its frequency. nearHz > 0 bounds the search to 5 % about it. The error
// is ErrNoTone where there is none.
func (s *Search) Find(ctx context.Context, nearHz float64) (*Tone, error) {
	var best peak
	var t *Tone
	for _, x := range s.excerpts {
		if len(x.Reference) < 16 {
			return nil, fmt.Errorf("%d samples are too few to find a tone: 16 are needed", len(x.Reference))
		}
		spectrum := newLineSpectrum(x.Reference, x.Rate)
		lo, hi := 0.0, x.Rate/2
		if x.Ratio > 1 {
			hi = x.Rate / 8 // where the means neither fold much nor weaken
		}
		peaks := spectrum.peaks(lo, hi)
		eligible := peaks
		if nearHz > 0 {
			eligible = spectrum.peaks(0.95*nearHz, min(hi, 1.05*nearHz))
		}
		p, ok := strongest(eligible)
		// Of a slow tone, the beginning holds less than the whole.
		if !ok || t != nil && (p.amplitude < 0.9*best.amplitude || p.hz*float64(len(t.Reference))/t.Rate > 200) {
			continue
		}
		best = p
		t = &Tone{Excerpt: x, Present: present(p.hz, x.Rate, spectrum, newLineSpectrum(x.Signal, x.Rate))}
		t.Model = &Model{Hz: p.hz, Rate: x.Rate, Harmonics: []int{1}, Others: spectrum.disturbing(peaks, p.hz)}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
	}
	switch {
	case t == nil && nearHz > 0:
		return nil, fmt.Errorf("%w near %g Hz: check what is connected there, or look near another frequency", ErrNoTone, nearHz)
	case t == nil:
		return nil, ErrNoTone
	}
	for _, h := range t.Present {
		if float64(h)*best.hz < t.Rate/2 {
			t.Model.Harmonics = append(t.Model.Harmonics, h)
		}
	}
	var err error
	if t.Fit, err = t.Model.Refine(ctx, t.Reference); err != nil && len(t.Model.Others) > 0 && ctx.Err() == nil {
		// A line that is none, or too close: the tone alone.
		t.Model.Hz, t.Model.Others = best.hz, nil
		t.Fit, err = t.Model.Refine(ctx, t.Reference)
	}
	if err != nil {
		return nil, err
	}
	return t, nil
}

// Weak tells whether noise hides the tone over so many seconds: its
// amplitude is below 10 of its sigmas.
func (t *Tone) Weak(seconds float64) bool {
	x := t.Fit.Phasors[0]
	return real(x)*real(x)+imag(x)*imag(x) < 100*2*t.Fit.Variance/max(seconds*t.Rate, 16)
}
