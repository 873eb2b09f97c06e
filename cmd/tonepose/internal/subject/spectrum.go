package subject

import (
	"context"
	"math"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone/spectrum"
)

// Heard is the spectrum of a stretch of samples.
type Heard struct {
	channels  []int
	Densities []*spectrum.Density
	Lines     []MarkedLine
	Floors    []channelFloor
}

// MarkedLine is a line of a spectrum, and what it is.
type MarkedLine struct {
	Hz      float64 `json:"hz"`
	Kind    string  `json:"kind"` // tone, mains, known or unexplained
	Name    string  `json:"name"`
	Peak    float64 `json:"peak_v"`
	Channel int     `json:"channel"`
	Emitter int     `json:"emitter"` // −1: none
}

type channelFloor struct {
	Channel int     `json:"channel"`
	Density float64 `json:"density"` // median over all frequencies [V/√Hz]
}

const (
	finestBins   = 1 << 16 // of a segment
	mostSegments = 48      // averaged: more would not be seen
	lineAlarm    = 1e-3    // chance that noise alone makes a line
)

// Hear computes the spectrum of a stretch of time.
func (f *Footage) Hear(ctx context.Context, r *rig.Rig, channels []int, from, to float64) (*Heard, error) {
	first, end := f.span()
	if f.ring != nil { // of a stream only what is kept
		first = max(first, end-int64(len(f.ring.x[0])))
	}
	a := min(max(int64(from*f.Info.SampleRate), first), end)
	b := min(max(int64(to*f.Info.SampleRate), a), end)
	size := finestBins
	for size > 256 && int64(size) > (b-a)/4 {
		size /= 2
	}
	if int64(size) > b-a {
		return nil, ErrLater
	}
	h := &Heard{channels: channels}
	var all []*spectrum.Welch
	for range channels {
		w, err := spectrum.NewWelch(f.Info.SampleRate, size)
		if err != nil {
			return nil, err
		}
		all = append(all, w)
	}
	// Of a long stretch segments are taken evenly, each with the samples of three.
	take, every := b-a, b-a
	if segment := int64(3 * size); b-a > mostSegments/6*segment {
		take, every = segment, (b-a)/(mostSegments/6)
	}
	x := planar(f.Info.Channels, readAtOnce)
	for at := a; at < b; at += every {
		for stop, pos := min(at+take, b), at; pos < stop; {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			for c := range x {
				x[c] = x[c][:min(int64(cap(x[c])), stop-pos)]
			}
			n, err := f.read(pos, x)
			if err != nil {
				return nil, err
			}
			if n == 0 {
				break
			}
			for k, c := range channels {
				all[k].Add(x[c][:n])
			}
			pos += int64(n)
		}
		for _, w := range all {
			w.Break()
		}
	}
	for _, w := range all {
		h.Densities = append(h.Densities, w.Density())
	}
	if h.Densities[0].Segments == 0 {
		return nil, ErrLater
	}
	f.name(h, r)
	return h, nil
}

// name finds the lines of a spectrum, and says what they are.
func (f *Footage) name(h *Heard, r *rig.Rig) {
	f.mu.Lock()
	survey := f.survey
	f.mu.Unlock()
	var tones []spectrum.Tone
	for e := range r.Emitters {
		hz := r.Emitters[e].ToneHz
		if survey != nil {
			hz = survey.Hz()[e]
		}
		tones = append(tones, spectrum.Tone{Name: r.Emitters[e].Name, Hz: hz, ToleranceHz: 1e-4 * hz})
	}
	var mains spectrum.Mains
	if survey != nil {
		mains = spectrum.Mains{Hz: survey.MainsHz, SigmaHz: survey.MainsSigmaHz}
	} else if f.reader == nil {
		mains = strongestMains(h.Densities)
	}
	catalogue := spectrum.NewCatalogue(f.Info.SampleRate, tones, mains)
	strongest := map[int]MarkedLine{} // by bin, on the channel that shows it most
	for k, d := range h.Densities {
		floor := d.Floor(64)
		h.Floors = append(h.Floors, channelFloor{h.channels[k], math.Sqrt(median(floor.PSD[1:]))})
		for _, l := range d.Lines(floor, lineAlarm) {
			if have, ok := strongest[l.Bin]; ok && have.Peak >= l.PeakV {
				continue
			}
			m := MarkedLine{Hz: l.Hz, Kind: "unexplained", Peak: l.PeakV, Channel: h.channels[k], Emitter: -1}
			for e, t := range tones {
				if math.Abs(l.Hz-t.Hz) <= max(l.ToleranceHz, d.ENBWHz) {
					m.Kind, m.Name, m.Emitter = "tone", t.Name, e
				}
			}
			if m.Emitter < 0 {
				if why := catalogue.Explain(l.Hz, l.ToleranceHz); len(why) > 0 && why[0].Chance < 0.1 {
					if m.Kind, m.Name = "known", why[0].Text; why[0].Origin == spectrum.MainsHarmonic {
						m.Kind = "mains"
					}
				}
			}
			strongest[l.Bin] = m
		}
	}
	for _, m := range strongest {
		h.Lines = append(h.Lines, m)
	}
}

// strongestMains is the mains whose first harmonics stand out most in the spectra of a
// stream, of which no survey is at hand: 50 or 60 Hz, within 1 %; none where neither does.
func strongestMains(densities []*spectrum.Density) (best spectrum.Mains) {
	for _, nominal := range []float64{50, 60} {
		var hz, sigma []float64
		for _, d := range densities {
			for _, l := range d.Lines(d.Floor(64), lineAlarm) {
				if n := math.Round(l.Hz / nominal); n >= 1 && n <= 9 && math.Abs(l.Hz-n*nominal) < max(0.01*nominal, l.ToleranceHz) {
					hz, sigma = append(hz, l.Hz/n), append(sigma, l.SigmaHz/n)
				}
			}
		}
		if len(hz) >= 2 && (best.Hz == 0 || median(sigma) < best.SigmaHz) {
			best = spectrum.Mains{Hz: median(hz), SigmaHz: median(sigma) + spectrum.MainsWanderHz}
		}
	}
	return best
}
