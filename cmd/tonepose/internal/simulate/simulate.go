// Package simulate writes the recordings that a bench would make: Run follows the
// sensors on a Path, read from a file (ReadPath) or built in (BuiltinPath). All samples
// come from a Generator, which also is the bench as a stream: it can be read without end
// and turned meanwhile, by a Change.
package simulate

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone/recording"
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

	// Scene is a file of what stands near the bench and happens on it, see rig.Scene;
	// empty: nothing.
	Scene string
	// MetalYields lets metal count as away for a sensor's coil that would lie in it; else that is an error.
	MetalYields bool

	Seed  uint64
	Start time.Time // core:datetime; default 2026-01-01T00:00:00Z, so that equal calls give equal files
	Force bool      // replace existing files
}

// fill puts the defaults of a rig and a path in place.
func (o *Options) fill(r *rig.Rig, p *Path) {
	if o.MainsHz == 0 {
		o.MainsV = 0
	}
	o.RateHz, o.DurationS = cmp.Or(o.RateHz, r.SampleRateHz), cmp.Or(o.DurationS, p.Duration)
	o.Start = cmp.Or(o.Start, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))
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
	o.fill(r, p)
	for i := range p.Tracks {
		if err := p.Tracks[i].covers(o.DurationS); err != nil {
			return nil, err
		}
	}
	samples := int64(math.Round(o.DurationS * o.RateHz))
	if samples < 1 {
		return nil, fmt.Errorf("%g s at %g Hz hold no sample: lengthen the path or --duration", o.DurationS, o.RateHz)
	}
	generator, err := NewGenerator(ctx, r, p, o, samples)
	if err != nil {
		return nil, err
	}

	to, err := recording.OutputOf(out)
	if err != nil {
		return nil, err
	}
	s := &Summary{
		Recording: cmp.Or(to.Meta, to.Data), Truth: to.Stem + ".truth.csv", Samples: samples, Channels: len(r.Channels),
		RateHz: o.RateHz, DurationS: float64(samples) / o.RateHz,
	}
	batch := &files.Batch{Force: o.Force}
	defer batch.Abort()
	d := recording.Description{SampleRate: o.RateHz, Bits: o.Bits, Samples: samples, Start: o.Start}
	for _, c := range r.Channels {
		d.Names, d.FullScale = append(d.Names, c.Name), append(d.FullScale, c.FullScaleV)
	}
	rec, err := createRecording(batch, to, d, o.Seed)
	if err != nil {
		return nil, err
	}
	if err := batch.Fill(s.Truth, func(w io.Writer) error { return writeTruth(ctx, w, p, generator, s.DurationS) }); err != nil {
		return nil, err
	}
	if p.Tracks[0].Stations != nil && !generator.carried() {
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

// createRecording begins the files of a simulated recording.
func createRecording(batch *files.Batch, to recording.Output, d recording.Description, seed uint64) (*recording.Writer, error) {
	d.Format, d.Text, d.Recorder = to.Format, fmt.Sprintf("Simulated; invented data, seed %d", seed), "tonepose simulate"
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
func drain(ctx context.Context, g *Generator, rec *recording.Writer, total int64, progress func(done, total int64)) error {
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
