package simulate

import (
	"bufio"
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"time"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/multitone/recording"
)

// Shape is the form of one period of a signal and its reference.
type Shape int

const (
	Sine   Shape = iota
	Square       // half of the period on, half off; without what lies above half the sample rate
)

// Pair describes a recording of two channels without a bench: a signal that follows
// the tone of a reference. Both carry white noise.
type Pair struct {
	RateHz, DurationS float64
	ToneHz            float64
	Shape             Shape
	Parts             []Part  // one after the other, each as long
	ReferenceV        float64 // peak of a sine; a square goes from minus to plus it
	Noise             float64 // of each channel, white, one-sided [V/√Hz]
	Bits              int     // as in Options
	FullScaleV        float64 // of both channels

	Seed  uint64
	Force bool // replace existing files
}

// Part is a stretch in which the signal keeps still.
type Part struct {
	// LevelV is the peak of a sine [V]; of a square how far it goes from off to on, so
	// that its harmonic n, odd, has the peak 2·LevelV/(π·n).
	LevelV float64
	// PhaseRad is the signal's phase minus the reference's at the tone: negative for a
	// delay, which shifts harmonic n by n times as much.
	PhaseRad  float64
	DistanceM float64 // of an acoustic path, which the truth then names; 0: none
}

// SpeedOfSound returns that of air [m/s] at a temperature [°C]: 343.2·√(T/293.15 K), ISO
// 9613-1:1993, annex A. Humidity changes it by up to 0.4 % at 20 °C, which that leaves out.
func SpeedOfSound(celsius float64) float64 { return 343.2 * math.Sqrt((celsius+273.15)/293.15) }

// AcousticPath is the part of a tone heard over a distance [m].
func AcousticPath(levelV, toneHz, distance, celsius float64) Part {
	return Part{LevelV: levelV, PhaseRad: -2 * math.Pi * toneHz * distance / SpeedOfSound(celsius), DistanceM: distance}
}

// harmonics are the peaks of a shape's harmonics 1, 2, 3 … below half the sample rate,
// for a sine of peak 1 or a square from −1 to 1 with its maximum at phase 0.
func (p *Pair) harmonics() []float64 {
	if p.Shape == Sine {
		return []float64{1}
	}
	var peaks []float64
	for n := 1; float64(n)*p.ToneHz < p.RateHz/2; n++ {
		peaks = append(peaks, 4/(math.Pi*float64(n))*math.Sin(math.Pi/2*float64(n)))
	}
	return peaks
}

func (p *Pair) check() error {
	for _, f := range []struct {
		name  string
		value float64
	}{{"sample rate", p.RateHz}, {"duration", p.DurationS}, {"tone", p.ToneHz}, {"full scale", p.FullScaleV}} {
		if !(f.value > 0) || math.IsInf(f.value, 1) {
			return fmt.Errorf("%s %g: must be positive", f.name, f.value)
		}
	}
	if p.ToneHz >= p.RateHz/2 {
		return fmt.Errorf("tone %g Hz: must lie below half the sample rate, %g Hz", p.ToneHz, p.RateHz/2)
	}
	if len(p.Parts) == 0 {
		return fmt.Errorf("no part: give the signal a level")
	}
	return nil
}

// WritePair writes the recording, channels signal and reference, and its truth beside
// it: STEM.truth.csv with the phasor of the signal's fundamental in each part. Files
// appear all or none. progress, if not nil, is told how many samples of how many are done.
func WritePair(ctx context.Context, p Pair, out string, progress func(done, total int64)) (*Summary, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	samples := int64(math.Round(p.DurationS * p.RateHz))
	if samples < int64(len(p.Parts)) {
		return nil, fmt.Errorf("%g s at %g Hz hold no sample for each of %d parts: lengthen the duration", p.DurationS, p.RateHz, len(p.Parts))
	}
	to, err := recording.OutputOf(out)
	if err != nil {
		return nil, err
	}
	s := &Summary{Recording: cmp.Or(to.Meta, to.Data), Truth: to.Stem + ".truth.csv", Samples: samples, Channels: 2,
		RateHz: p.RateHz, DurationS: float64(samples) / p.RateHz}
	batch := &files.Batch{Force: p.Force}
	defer batch.Abort()
	rec, err := createRecording(batch, to, recording.Description{SampleRate: p.RateHz, Bits: p.Bits, Samples: samples,
		Names: []string{"signal", "reference"}, FullScale: []float64{p.FullScaleV, p.FullScaleV}, Start: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)}, p.Seed)
	if err != nil {
		return nil, err
	}
	if err := batch.Fill(s.Truth, func(w io.Writer) error { return p.writeTruth(w, samples) }); err != nil {
		return nil, err
	}
	if s.Clipped, err = p.write(ctx, rec, samples, progress); err != nil {
		return nil, err
	}
	if err := rec.Close(); err != nil {
		return nil, err
	}
	for c, n := range s.Clipped {
		if n > 0 {
			s.Warnings = append(s.Warnings, fmt.Sprintf("channel %s: %d of %d samples clipped at its full scale of %g V", rec.Names[c], n, samples, p.FullScaleV))
		}
	}
	return s, batch.Commit()
}

// begin is the first sample of a part, or the end of the last one.
func (p *Pair) begin(part int, samples int64) int64 {
	return int64(part) * samples / int64(len(p.Parts))
}

func (p *Pair) write(ctx context.Context, rec *recording.Writer, samples int64, progress func(done, total int64)) (clipped []int64, err error) {
	random := rand.New(rand.NewPCG(p.Seed, 0x70616972))
	start := 2 * math.Pi * random.Float64() // of the reference
	sigma := p.Noise * math.Sqrt(p.RateHz/2)
	peaks := p.harmonics()
	const block = 4096
	volts := [][]float64{make([]float64, block), make([]float64, block)}
	clipped = make([]int64, 2)
	part := 0
	for done := int64(0); done < samples; {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		n := min(block, samples-done)
		for i := range n {
			for done+i >= p.begin(part+1, samples) {
				part++
			}
			at := &p.Parts[part]
			_, cycles := math.Modf(p.ToneHz * float64(done+i) / p.RateHz) // whole turns cost digits
			phase := start + 2*math.Pi*cycles
			signal, reference := 0.0, 0.0
			for k, peak := range peaks {
				if peak == 0 {
					continue
				}
				h := float64(k + 1)
				signal += peak * math.Cos(h*(phase+at.PhaseRad))
				reference += peak * math.Cos(h*phase)
			}
			if signal *= at.LevelV; p.Shape == Square {
				signal = (signal + at.LevelV) / 2
			}
			volts[0][i] = signal + sigma*random.NormFloat64()
			volts[1][i] = p.ReferenceV*reference + sigma*random.NormFloat64()
			for c := range volts {
				if p.Bits > 0 && math.Abs(volts[c][i]) > p.FullScaleV {
					clipped[c]++
				}
			}
		}
		if err := rec.Write([][]float64{volts[0][:n], volts[1][:n]}); err != nil {
			return nil, err
		}
		done += n
		if progress != nil {
			progress(done, samples)
		}
	}
	return clipped, nil
}

func (p *Pair) writeTruth(to io.Writer, samples int64) error {
	w := bufio.NewWriter(to)
	distances := p.Parts[0].DistanceM > 0
	header := "start_s,stop_s,amplitude_v,phase_deg"
	if distances {
		header += ",distance_m"
	}
	fmt.Fprintln(w, header)
	for i, part := range p.Parts {
		peak := part.LevelV
		if p.Shape == Square {
			peak *= 2 / math.Pi
		}
		degrees := math.Remainder(part.PhaseRad*180/math.Pi, 360)
		fmt.Fprintf(w, "%.9g,%.9g,%.9g,%.9g", float64(p.begin(i, samples))/p.RateHz, float64(p.begin(i+1, samples))/p.RateHz, peak, degrees)
		if distances {
			fmt.Fprintf(w, ",%.9g", part.DistanceM)
		}
		fmt.Fprintln(w)
	}
	return w.Flush()
}
