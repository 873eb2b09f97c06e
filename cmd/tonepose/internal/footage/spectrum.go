package footage

import (
	"context"
	"math"
	"runtime"
	"slices"
	"sync"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone/spectrum"
)

// Heard is the spectrum of a stretch of samples.
type Heard struct {
	Densities []*spectrum.Density // by channel asked for
	Lines     []MarkedLine
	Floors    []channelFloor
	Spread    bool // segments were taken here and there, evenly over the stretch

	channels []int
	lines    [][]spectrum.Line
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
	finestBins = 1 << 16 // of a segment
	mostBins   = 1 << 19 // of a segment of all channels together: many are resolved less
	// Of a long stretch so many pairs of overlapping segments are averaged: their mean
	// scatters by a quarter, 1 dB, which on an axis of many decades is a line's width, and a
	// second of sixteen channels is heard in a fraction of one.
	mostPairs  = 8
	lineAlarm  = 1e-3 // chance that noise alone makes a line
	floorReach = 64   // bins on both sides that a floor is of
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
	for size > 256 && (int64(size) > (b-a)/4 || size*len(channels) > mostBins) {
		size /= 2
	}
	if int64(size) > b-a {
		return nil, ErrLater
	}
	n := len(channels)
	h := &Heard{channels: channels, lines: make([][]spectrum.Line, n), Densities: make([]*spectrum.Density, n), Floors: make([]channelFloor, n)}
	all, err := welches(f.Info.SampleRate, size, n)
	if err != nil {
		return nil, err
	}
	take, every := b-a, b-a
	if pair := int64(size + size/3 + 1); b-a > mostPairs*pair {
		h.Spread, take, every = true, pair, (b-a-pair)/(mostPairs-1)
		for _, w := range all {
			w.Spread(b-a, 2*mostPairs)
		}
	}
	x := planar(f.Info.Channels, readAtOnce)
	for at := a; at+take <= b; at += every {
		for stop, pos := at+take, at; pos < stop; {
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
			eachOf(len(all), func(k int) { all[k].Add(x[channels[k]][:n]) })
			pos += int64(n)
		}
		for _, w := range all {
			w.Break()
		}
	}
	eachOf(len(all), func(k int) {
		d := all[k].Density()
		h.Densities[k], h.Floors[k] = d, channelFloor{channels[k], math.NaN()}
		if d.Segments > 0 { // else no sample is finite
			floor := d.Floor(floorReach)
			h.lines[k] = d.Lines(floor, lineAlarm)
			var some []float64 // as neighbours hardly differ
			for i := 1; i < len(floor.PSD); i += floorReach / 4 {
				some = append(some, floor.PSD[i])
			}
			h.Floors[k].Density = math.Sqrt(Median(some))
		}
	})
	if h.Densities[0].Segments == 0 {
		return nil, ErrLater
	}
	f.name(h, r)
	return h, nil
}

// hands work on channels side by side, each on every so many-th.
func hands() int { return runtime.GOMAXPROCS(0) }

// eachOf calls do for every channel, from as many goroutines as there are hands.
func eachOf(channels int, do func(k int)) {
	var working sync.WaitGroup
	for h := range min(hands(), channels) {
		working.Go(func() {
			for k := h; k < channels; k += hands() {
				do(k)
			}
		})
	}
	working.Wait()
}

// welches are accumulators for channels that eachOf goes through: those of one hand share
// room to work in.
func welches(rate float64, size, channels int) ([]*spectrum.Welch, error) {
	first, err := spectrum.NewWelch(rate, size)
	if err != nil {
		return nil, err
	}
	all := make([]*spectrum.Welch, channels)
	for k := range all {
		if k < hands() {
			all[k] = first.Beside()
		} else {
			all[k] = all[k-hands()].Another()
		}
	}
	return all, nil
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
		mains = strongestMains(h.lines)
	}
	catalogue := spectrum.NewCatalogue(f.Info.SampleRate, tones, mains)
	strongest := map[int]MarkedLine{} // by bin, on the channel that shows it most
	for k, d := range h.Densities {
		for _, l := range h.lines[k] {
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

// Median is that of the finite numbers among values, the upper one of two; NaN: there are none.
func Median(values []float64) float64 {
	sorted := slices.DeleteFunc(slices.Clone(values), func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
	if len(sorted) == 0 {
		return math.NaN()
	}
	slices.Sort(sorted)
	return sorted[len(sorted)/2]
}

// strongestMains is the mains whose first harmonics stand out most in the spectra of a
// stream, of which no survey is at hand: 50 or 60 Hz, within 1 %; none where neither does.
func strongestMains(channels [][]spectrum.Line) (best spectrum.Mains) {
	for _, nominal := range []float64{50, 60} {
		var hz, sigma []float64
		for _, lines := range channels {
			for _, l := range lines {
				if n := math.Round(l.Hz / nominal); n >= 1 && n <= 9 && math.Abs(l.Hz-n*nominal) < max(0.01*nominal, l.ToleranceHz) {
					hz, sigma = append(hz, l.Hz/n), append(sigma, l.SigmaHz/n)
				}
			}
		}
		if len(hz) >= 2 && (best.Hz == 0 || Median(sigma) < best.SigmaHz) {
			best = spectrum.Mains{Hz: Median(hz), SigmaHz: Median(sigma) + spectrum.MainsWanderHz}
		}
	}
	return best
}
