package pipeline

import (
	"context"
	"fmt"
	"math"
	"slices"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone"
	"tonepose/multitone/recording"
)

// Windows says how a recording is cut: fixed windows, or the stretches of an
// intervals file.
type Windows struct {
	Length, Hop float64           // [s]; Hop 0: Length
	Cosine      []float64         // of the taper, nil: Hann
	Taper       string            // its name, for the reader
	Intervals   []tables.Interval // used when Length is 0; none: the whole recording
	LowPass     *LowPass          // in place of windows and intervals
}

// measured is one frame with the sensors it is meant for; nil: all.
type measured func(f *multitone.Frame, sensors []string) error

// measure reads the recording and hands out its frames in the order of their
// ends; frames of intervals in the order of their starts.
func (b *Bench) measure(ctx context.Context, r *recording.Reader, s *Survey, w Windows, use measured, progress Progress) error {
	info := r.Info()
	cfg := multitone.Config{SampleRate: info.SampleRate, Channels: info.Channels, Tones: slices.Clone(b.Tones), Lines: b.lines(s, info)}
	if w.LowPass != nil {
		return b.measureContinuous(ctx, r, s, cfg, w.LowPass, use, progress)
	}
	if w.Length > 0 {
		return b.measureWindows(ctx, r, s, cfg, w, use, progress)
	}
	return b.measureIntervals(ctx, r, s, cfg, w.Intervals, use, progress)
}

// retuneSeconds is how often a bank follows the clock.
const retuneSeconds = 1.0

func (b *Bench) measureWindows(ctx context.Context, r *recording.Reader, s *Survey, cfg multitone.Config, w Windows, use measured, progress Progress) error {
	info := r.Info()
	length := int(math.Round(w.Length * info.SampleRate))
	hop := int(math.Round(w.Hop * info.SampleRate))
	if int64(length) > info.Samples {
		return fmt.Errorf("%s: a window of %g s is longer than the recording, %g s", info.Name, w.Length, info.Duration())
	}
	tune(&cfg, s, 0, retuneSeconds)
	if info.Int16 {
		cfg.CountVolts = info.Scale
	}
	bank, err := multitone.NewBank(cfg, multitone.Framing{Length: length, Hop: hop, Cosine: w.Cosine})
	if err != nil {
		return err
	}
	out := newFrames(cfg.Channels*len(cfg.Tones), use)
	err = b.feed(ctx, r, s, bank, cfg.Tones, w.Length, out.emit, progress)
	if err == nil {
		err = bank.Flush(out.emit)
	}
	if failed := out.wait(); failed != nil {
		return failed
	}
	return err
}

// feed runs the whole recording through a bank that follows the clock.
func (b *Bench) feed(ctx context.Context, r *recording.Reader, s *Survey, bank framer, tones []multitone.Tone, window float64, emit func(*multitone.Frame) error, progress Progress) error {
	info := r.Info()
	tuned := 0.0
	follow := func(first int64) error {
		progress.report("measure", first, info.Samples)
		t := float64(first) / info.SampleRate
		if t <= tuned+retuneSeconds {
			return nil
		}
		tuned = t
		hz := s.Track.Hz(t, t+retuneSeconds)
		if !moved(tones, hz, window) {
			return nil
		}
		for k := range hz {
			tones[k].Hz = hz[k]
		}
		return bank.Tune(hz)
	}
	if info.Int16 {
		return counts(ctx, r, func(x []int16, first int64) error {
			if err := follow(first); err != nil {
				return err
			}
			return bank.WriteInt16(x, emit)
		})
	}
	return blocks(ctx, r, func(x [][]float64, first int64) error {
		if err := follow(first); err != nil {
			return err
		}
		return bank.Write(x, emit)
	})
}

// moved tells whether a frequency changed by more than a thousandth of a turn
// over a window: less changes no phasor.
func moved(tones []multitone.Tone, hz []float64, length float64) bool {
	for k, t := range tones {
		if math.Abs(hz[k]-t.Hz)*length > 1e-3 {
			return true
		}
	}
	return false
}

func tune(cfg *multitone.Config, s *Survey, start, stop float64) {
	for k, hz := range s.Track.Hz(start, stop) {
		cfg.Tones[k].Hz = hz
	}
}

// stretch is one measurement, wanted by one or more rows of the intervals.
type stretch struct {
	start, stop int64
	sensors     []string
	interval    *multitone.Interval
}

func (b *Bench) measureIntervals(ctx context.Context, r *recording.Reader, s *Survey, cfg multitone.Config, rows []tables.Interval, use measured, progress Progress) error {
	info := r.Info()
	stretches, err := stretchesOf(rows, info)
	if err != nil {
		return err
	}
	var plans multitone.Plans
	waiting, open := 0, []int{}
	frames := make([]*multitone.Frame, len(stretches))
	next := 0 // the first stretch not handed out
	return blocks(ctx, r, func(x [][]float64, first int64) error {
		progress.report("measure", first, info.Samples)
		end := first + int64(len(x[0]))
		for waiting < len(stretches) && stretches[waiting].start < end {
			v := &stretches[waiting]
			tune(&cfg, s, float64(v.start)/info.SampleRate, float64(v.stop)/info.SampleRate)
			var err error
			if v.interval, err = plans.NewInterval(cfg, v.start, v.stop); err != nil {
				return err
			}
			open = append(open, waiting)
			waiting++
		}
		still := open[:0]
		for _, i := range open {
			v := &stretches[i]
			if !v.interval.Write(x, first) {
				still = append(still, i)
				continue
			}
			var err error
			if frames[i], err = v.interval.Frame(); err != nil {
				return err
			}
			v.interval = nil
		}
		open = still
		for next < len(frames) && frames[next] != nil {
			if err := use(frames[next], stretches[next].sensors); err != nil {
				return err
			}
			frames[next] = nil
			next++
		}
		return nil
	})
}

// stretchesOf joins rows with equal times and sorts them by start.
func stretchesOf(rows []tables.Interval, info recording.Info) ([]stretch, error) {
	if len(rows) == 0 {
		return []stretch{{start: 0, stop: info.Samples}}, nil
	}
	var out []stretch
	at := map[[2]int64]int{}
	for _, row := range rows {
		start, stop := int64(math.Round(row.Start*info.SampleRate)), int64(math.Round(row.Stop*info.SampleRate))
		if start < 0 || stop > info.Samples {
			return nil, fmt.Errorf("%s:%d: %g s to %g s: %s has samples from 0 s to %g s", row.File, row.Line, row.Start, row.Stop, info.Name, info.Duration())
		}
		key := [2]int64{start, stop}
		i, ok := at[key]
		if !ok {
			i = len(out)
			at[key] = i
			out = append(out, stretch{start: start, stop: stop})
		}
		if row.Sensor != "" && !slices.Contains(out[i].sensors, row.Sensor) {
			out[i].sensors = append(out[i].sensors, row.Sensor)
		}
	}
	slices.SortStableFunc(out, func(a, b stretch) int { return int(max(-1, min(1, a.start-b.start))) })
	return out, nil
}
