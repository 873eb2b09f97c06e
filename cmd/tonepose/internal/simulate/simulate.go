// Package simulate writes the recordings that a bench would make: Run follows the
// sensors on a Path, read from a file (ReadPath) or built in (BuiltinPath).
package simulate

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone/recording"
	"tonepose/multitone/synth"
)

// Options are the length, format and disturbances of a recording. The zero value is a
// perfect receiver of float samples. Voltages are at the input of a channel's
// amplifier: its gain is applied to them.
type Options struct {
	RateHz    float64 // default: the rig's
	DurationS float64 // default: the path's
	Bits      int     // 8, 16 or 24; 0: 32-bit float samples in volts, not quantised

	Noise         float64 // white, one-sided [V/√Hz]
	FlickerHz     float64 // corner; the density² is Noise²·(1 + FlickerHz/f)
	MainsHz       float64 // 50 or 60 nominal, 0: none; the real one is off by up to 0.05 %
	MainsV        float64 // peak of its fundamental; harmonic n has 1/n of it
	ClockPPM      float64 // generator against ADC: a real tone is nominal·(1 + ppm·10⁻⁶)
	ClockDriftPPM float64 // change of ClockPPM a second
	OwnPPM        float64 // sigma of each tone's own offset beside it
	CurrentDrift  float64 // relative slow wander of each drive current, peak
	PickupDelayS  float64 // of every pickup channel beside the rig's, which does not know of it
	CrosstalkOhm  float64 // magnitude of drive-to-pickup voltage per ampere; phases random
	// Clock is how far the generator's clock is ahead beside all that [s] at time t [s],
	// and the rate at which it gains; nil: not at all.
	Clock func(t float64) (ahead, rate float64)

	Seed  uint64
	Start time.Time // core:datetime; default 2026-01-01T00:00:00Z, so that equal calls give equal files
	Force bool      // replace existing files
}

// Summary is what a simulation left.
type Summary struct {
	Recording string  `json:"recording"`
	Truth     string  `json:"truth"`
	Intervals string  `json:"intervals,omitempty"`
	Samples   int64   `json:"samples"`
	Channels  int     `json:"channels"`
	RateHz    float64 `json:"sample_rate_hz"`
	DurationS float64 `json:"duration_s"`
	Clipped   []int64 `json:"clipped_samples"` // a channel

	Warnings []string `json:"-"`
}

// truthRateHz is the rate of the truth of a free motion.
const truthRateHz = 200

// Run writes the recording of a rig file's sensors on a path, the name of a
// built-in one or a CSV file, with its truth. See Write.
func Run(ctx context.Context, rigFile, path, out string, o Options, progress func(done, total int64)) (*Summary, error) {
	r, err := rig.Load(rigFile, rig.Options{})
	if err != nil {
		return nil, err
	}
	var p *Path
	if slices.Contains(BuiltinPaths, path) {
		p, err = BuiltinPath(path, r, o.DurationS, o.Seed)
	} else if p, err = ReadPath(path, r.SensorNames()); errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("%w: built-in paths are %s", err, strings.Join(BuiltinPaths, " and "))
	}
	if err != nil {
		return nil, err
	}
	s, err := Write(ctx, r, p, out, o, progress)
	if err != nil {
		return nil, err
	}
	for c, n := range s.Clipped {
		if n > 0 {
			s.Warnings = append(s.Warnings, fmt.Sprintf("channel %s: %d of %d samples clipped at its full scale of %g V", r.Channels[c].Name, n, s.Samples, r.Channels[c].FullScaleV))
		}
	}
	return s, nil
}

// Write writes the recording that the rig would make of its sensors on a
// path, and the truth beside it: STEM.truth.csv, and STEM.intervals.csv with the
// stations' times where there are any. The format follows out's extension (see
// recording.OutputOf). Files appear all or none. progress, if not nil, gets the
// samples done and wanted. Write ends with ctx.
func Write(ctx context.Context, r *rig.Rig, p *Path, out string, o Options, progress func(done, total int64)) (*Summary, error) {
	if o.MainsHz == 0 {
		o.MainsV = 0
	}
	o.RateHz, o.DurationS = cmp.Or(o.RateHz, r.SampleRateHz), cmp.Or(o.DurationS, p.Duration)
	o.Start = cmp.Or(o.Start, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))
	for i := range p.Tracks {
		if err := p.Tracks[i].covers(o.DurationS); err != nil {
			return nil, err
		}
	}
	samples := int64(math.Round(o.DurationS * o.RateHz))
	if samples < 1 {
		return nil, fmt.Errorf("%g s at %g Hz hold no sample: lengthen the path or --duration", o.DurationS, o.RateHz)
	}
	config, err := simulationConfig(ctx, r, p, o)
	if err != nil {
		return nil, err
	}
	config.Samples = samples
	generator, err := synth.New(config)
	if err != nil {
		return nil, err
	}

	to := recording.OutputOf(out)
	s := &Summary{
		Recording: cmp.Or(to.Meta, to.Data), Truth: to.Stem + ".truth.csv", Samples: samples, Channels: len(r.Channels),
		RateHz: o.RateHz, DurationS: float64(samples) / o.RateHz,
	}
	batch := &files.Batch{Force: o.Force}
	defer batch.Abort()
	rec, err := createRecording(batch, to, r, o, samples)
	if err != nil {
		return nil, err
	}
	if err := batch.Fill(s.Truth, func(w io.Writer) error { return writeTruth(ctx, w, p, s.DurationS) }); err != nil {
		return nil, err
	}
	if p.Tracks[0].Stations != nil {
		s.Intervals = to.Stem + ".intervals.csv"
		if err := batch.Fill(s.Intervals, func(w io.Writer) error { return writeIntervals(w, p, s.DurationS) }); err != nil {
			return nil, err
		}
	}
	if err := drain(ctx, generator, rec, samples, progress); err != nil {
		return nil, err
	}
	if err := rec.Close(); err != nil {
		return nil, err
	}
	if err := batch.Commit(); err != nil {
		return nil, err
	}
	s.Clipped = generator.Clipped()
	return s, nil
}

// createRecording begins the recording's files.
func createRecording(batch *files.Batch, to recording.Output, r *rig.Rig, o Options, samples int64) (*recording.Writer, error) {
	d := recording.Description{Format: to.Format, SampleRate: o.RateHz, Bits: o.Bits, Samples: samples, Start: o.Start,
		Text: fmt.Sprintf("Simulated; invented data, seed %d", o.Seed), Recorder: "tonepose simulate"}
	for _, c := range r.Channels {
		d.Names, d.FullScale = append(d.Names, c.Name), append(d.FullScale, c.FullScaleV)
	}
	var meta, data io.Writer
	var err error
	if to.Meta != "" {
		if meta, err = batch.Create(to.Meta); err != nil {
			return nil, err
		}
	}
	if data, err = batch.Create(to.Data); err != nil {
		return nil, err
	}
	w, err := recording.NewWriter(data, meta, d)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", to.Data, err)
	}
	return w, nil
}

// drain writes all samples block by block.
func drain(ctx context.Context, g *synth.Generator, rec *recording.Writer, total int64, progress func(done, total int64)) error {
	const block = 4096
	// One block is written while the next is made.
	type volts struct {
		room, view [][]float64
		err        error // of its writing
	}
	made, free := make(chan *volts), make(chan *volts, 2)
	for range cap(free) {
		v := &volts{room: make([][]float64, len(rec.Names)), view: make([][]float64, len(rec.Names))}
		for c := range v.room {
			v.room[c] = make([]float64, block)
		}
		free <- v
	}
	var writing sync.WaitGroup
	writing.Go(func() {
		for v := range made {
			v.err = rec.Write(v.view)
			free <- v
		}
	})
	defer writing.Wait()
	defer close(made)
	for done := int64(0); ; {
		if err := ctx.Err(); err != nil {
			return err
		}
		v := <-free
		if v.err != nil {
			return v.err
		}
		n, err := g.ReadPlanar(v.room)
		if errors.Is(err, io.EOF) {
			return (<-free).err // the other one's
		}
		if err != nil {
			return err
		}
		for c := range v.view {
			v.view[c] = v.room[c][:n]
		}
		made <- v
		done += int64(n)
		if progress != nil {
			progress(done, total)
		}
	}
}

// simulationConfig turns rig, path and options into what synth generates.
func simulationConfig(ctx context.Context, r *rig.Rig, p *Path, o Options) (synth.Config, error) {
	random := rand.New(rand.NewPCG(o.Seed, 0x73696d))
	phase := func() float64 { return 2 * math.Pi * random.Float64() }
	c := synth.Config{
		Rate: o.RateHz, ClockPPM: o.ClockPPM, ClockDrift: o.ClockDriftPPM, Clock: o.Clock, Seed: o.Seed, KnotStep: p.knotStep,
		Mains: synth.Mains{Hz: o.MainsHz * (1 + 5e-4*(2*random.Float64()-1))},
	}
	begun := 0.0 // instant at which phase_deg holds [s]
	if b := r.Playback; b != nil {
		begun = b.EarliestS + (b.LatestS-b.EarliestS)*rand.New(rand.NewPCG(o.Seed, 0x706c6179)).Float64()
	}
	for _, e := range r.Emitters {
		t := synth.Tone{Hz: e.ToneHz, Current: e.CurrentPeakA, Phase: phase(), OffsetPPM: o.OwnPPM * random.NormFloat64()}
		if e.Reference == nil {
			t.Phase = e.PhaseDeg*math.Pi/180 - 2*math.Pi*math.Mod(e.ToneHz*begun, 1)
		}
		t.Wander = synth.Wander{Relative: o.CurrentDrift, Hz: 0.05 + 0.25*random.Float64(), Phase: phase()}
		c.Tones = append(c.Tones, t)
	}
	coils, err := newCouplingMap(r, p)
	if err != nil {
		return c, err
	}
	// Between blocks there may be seconds of couplings.
	c.Couplings = func(t float64, m, dm []complex128) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		return coils.fill(t, m, dm)
	}
	for i := range r.Channels {
		ch, err := simulatedChannel(r, i, o)
		if err != nil {
			return c, err
		}
		ch.Pickup = slices.ContainsFunc(coils.coils, func(c pathCoil) bool { return c.channel == i })
		if ch.Pickup {
			ch.Delay += o.PickupDelayS
			if o.CrosstalkOhm != 0 {
				ch.Transimpedance = make([]complex128, len(c.Tones))
				for k := range ch.Transimpedance {
					ch.Transimpedance[k] = cmplx.Rect(o.CrosstalkOhm, phase())
				}
			}
		}
		for k, e := range r.Emitters {
			if e.Reference == nil || e.Reference.Channel != i {
				continue
			}
			if ch.Transimpedance == nil {
				ch.Transimpedance = make([]complex128, len(c.Tones))
			}
			ch.Transimpedance[k] = complex(e.Reference.TransimpedanceOhm, 0)
		}
		c.Channels = append(c.Channels, ch)
	}
	return c, nil
}

// simulatedChannel is a channel's receive chain and its disturbances, carried
// to the ADC's input.
func simulatedChannel(r *rig.Rig, i int, o Options) (synth.Channel, error) {
	in := &r.Channels[i]
	ch := synth.Channel{Gain: in.Gain, Delay: in.DelayS}
	size := math.Abs(in.Gain)
	if len(in.Table) > 0 {
		size = 0
		for _, e := range r.Emitters {
			g, err := in.Response(e.ToneHz)
			if err != nil {
				return ch, err
			}
			ch.Response = append(ch.Response, g)
			size += cmplx.Abs(g) / float64(len(r.Emitters))
		}
	}
	ch.Noise = synth.Noise{Density: o.Noise * size, Corner: o.FlickerHz}
	ch.Mains = o.MainsV * size
	if o.Bits > 0 {
		if in.FullScaleV == 0 {
			return ch, fmt.Errorf("channel %s has no full_scale_v, which %d-bit samples need: state it in the rig, or ask for float samples (--bits 0)",
				in.Name, o.Bits)
		}
		ch.Quantiser = synth.Quantiser{Bits: o.Bits, FullScale: in.FullScaleV}
	}
	return ch, nil
}
