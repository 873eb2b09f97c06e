package stream

import (
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/multitone"
	"tonepose/multitone/recording"
	"tonepose/multitone/window"
	"tonepose/solver/integrity"
)

// Measurement says what is measured of a stream, and how.
type Measurement struct {
	Tones   []multitone.Tone
	Windows Windows
	// Joint are further sinusoids to be estimated with the tones and the mains
	// [Hz].
	Joint []float64
	// Rests are the channels that a result rests on: faults on others do not
	// excuse a bend of its phasors. Nil: all.
	Rests []bool
	// Widen adds to the variance of each phasor what a bend inside its window may
	// hide.
	Widen bool
	// Volts are the amplitudes that the drives of a live stream should have, by tone; nil
	// or 0: not known.
	Volts []float64
	// Note is told, between the frames, what else a live stream shows; nil: nobody is.
	Note func(Note)
}

// Measured is one frame with what is doubtful about its samples. The next one
// overwrites it.
type Measured struct {
	*multitone.Frame
	Time, Duration float64         // centre and length [s]
	Sensors        []string        // for which its interval is meant; nil: all
	Channels       []verdict.Flags // faults of the samples, by channel
	Lost           []verdict.Flags // ReferenceLost where it was, by tone
	Flags          verdict.Flags   // Motion, where phasors bend inside the window
	Shares         []string        // by tone: what shares its frequency, in words; empty: nothing known
	Arrived        time.Time       // when its last sample came in; zero: not from a live source
	Skipped        int             // windows that were not measured right before it, as measuring did not keep up
}

// Wanted reports whether a sensor is to be solved in this frame.
func (f *Measured) Wanted(sensor string) bool {
	return f.Sensors == nil || slices.Contains(f.Sensors, sensor)
}

// Doubts are the flags of one phasor: those of the frame, of its channel, and of
// its tone's reference.
func (f *Measured) Doubts(t multitone.Tone, tone, channel int) verdict.Flags {
	flags := f.Flags | f.Channels[channel] | f.Lost[tone]
	if c, ok := t.Reference.Channel(); ok {
		flags |= f.Channels[c]
	}
	return flags
}

// motionChance is the probability of a bend below which a frame is flagged:
// noise alone does it to one frame in a hundred thousand.
const motionChance = 1e-5

// Measure reads a source and hands out its frames in the order of their ends;
// frames of intervals in the order of their starts. It returns what the averaging
// does to signals and noise.
func Measure(ctx context.Context, src Source, s *Survey, m Measurement, use func(*Measured) error, progress Progress) (*Averaging, error) {
	v, err := measuring(src.Info(), s, &m, use)
	if err != nil {
		return nil, err
	}
	if c, ok := v.frames.(*multitone.Continuous); ok {
		if err := v.readNoise(ctx, src, s, c); err != nil {
			return nil, err
		}
	}
	return v.averaging, measure(ctx, src, s, []*meter{v}, progress)
}

// Tapers measures windows of one length and hop under several tapers in one reading,
// the frames of each for its own use.
func Tapers(ctx context.Context, src Source, s *Survey, m Measurement, tapers []Taper, uses []func(*Measured) error, progress Progress) error {
	var meters []*meter
	for i, t := range tapers {
		own := m
		own.Windows.Taper = t
		v, err := measuring(src.Info(), s, &own, uses[i])
		if err != nil {
			return end(meters, err)
		}
		meters = append(meters, v)
	}
	return measure(ctx, src, s, meters, progress)
}

// measure reads a source once for meters of the same tones and lines.
func measure(ctx context.Context, src Source, s *Survey, meters []*meter, progress Progress) error {
	first := meters[0]
	err := Blocks(ctx, src, first.counts, func(b *Block) error {
		progress.Report("measure", b.First, first.info.Samples)
		b = first.screen.clean(b, s.Monitor)
		for _, v := range meters {
			if err := v.take(b, s); err != nil {
				return err
			}
		}
		return nil
	})
	return end(meters, err)
}

func end(meters []*meter, failed error) error {
	for _, v := range meters {
		failed = v.end(failed)
	}
	return failed
}

// noiseSamples bounds what is read ahead to know the noise of the first rows.
const noiseSamples = 1 << 18

var errEnough = errors.New("enough samples")

// readNoise reads ahead for the noise of the first rows.
func (v *meter) readNoise(ctx context.Context, src Source, s *Survey, c *multitone.Continuous) error {
	ahead, err := newScreen(v.info, v.cfg, v.screen.stretch)
	if err != nil {
		return err
	}
	err = Blocks(ctx, src, src.Info().Int16, func(b *Block) error {
		if b.First >= noiseSamples {
			return errEnough
		}
		measureNoise(c, ahead.clean(b, s.Monitor))
		return nil
	})
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}

func measureNoise(c *multitone.Continuous, b *Block) {
	b.tell(c)
	if b.Counts != nil {
		c.MeasureNoiseInt16(b.Counts)
	} else {
		c.MeasureNoise(b.Volts)
	}
}

// How often a bank follows the clock [s]: that of a recording, whose course is
// known, and of a stream, whose next segment is still to come.
const (
	retuneSeconds = 1.0
	streamSeconds = 0.1
)

// meter cuts blocks into frames, and adds to each what is known of its samples.
type meter struct {
	info      recording.Info
	m         *Measurement
	averaging *Averaging
	reference []bool          // of the channels
	leak      *multitone.Leak // of a low-pass; nil: tones are estimated jointly
	measured  Measured
	next      func(*Measured) error

	cfg    multitone.Config
	counts bool    // takes counts rather than volts
	length float64 // of the memory of a frame [s]: how closely the clock must be followed
	tuned  float64 // time of the last tuning [s]
	retune float64 // time between tunings [s]

	emitting  func(*multitone.Frame) error // emit
	live      bool                         // what is told of a frame is what is known when it is measured
	base      int64                        // number of the session's first sample in a live stream
	arrived   time.Time
	following int64 // start of the frame that follows the last
	skipped   int   // windows before the session that no frame has told of

	renewing *task[*renewal] // for other lines in a live stream; nil: none is prepared
	renewed  bool            // the lines are others than at the beginning

	screen *screen
	frames framer  // of windows or of a low-pass
	queue  *queue  // behind frames
	spans  *spans  // of intervals, instead of frames
	survey *Survey // with which the frame at hand is measured
}

// framer is a Bank or a Continuous.
type framer interface {
	Tune(hz []float64) error
	Follow(multitone.Course)
	omitter
	Write(x [][]float64, emit func(*multitone.Frame) error) error
	WriteInt16(x []int16, emit func(*multitone.Frame) error) error
}

func newMeter(info recording.Info, s *Survey, m *Measurement, use func(*Measured) error, block int) (*meter, error) {
	w := &m.Windows
	if err := w.Check(info, m.Tones); err != nil {
		return nil, err
	}
	if err := s.holds(w); err != nil {
		return nil, err
	}
	averaging, err := newAveraging(info, s, m)
	if err != nil {
		return nil, err
	}
	v := &meter{info: info, m: m, averaging: averaging, reference: References(m.Tones, info.Channels), next: use, retune: retuneSeconds, survey: s,
		measured: Measured{Channels: make([]verdict.Flags, info.Channels), Lost: make([]verdict.Flags, len(m.Tones))}}
	v.emitting = v.emit
	v.cfg = multitone.Config{SampleRate: info.SampleRate, Channels: info.Channels, Tones: slices.Clone(m.Tones), Lines: s.lines(m.Joint), Foreign: s.Foreign}
	tune(&v.cfg, s, 0, retuneSeconds)
	if v.screen, err = newScreen(info, v.cfg, block); err != nil {
		return nil, err
	}
	if !w.Successive() {
		v.spans, err = newSpans(w.Intervals, info, s)
		return v, err
	}
	v.counts = info.Int16
	if info.Int16 {
		v.cfg.CountVolts = info.Scale
	}
	if w.LowPass != nil {
		p, err := window.Design(w.LowPass.Spec, info.SampleRate)
		if err != nil {
			return nil, err
		}
		v.length = 2 * p.GroupDelayS()
		lines, rest := s.behind(p, &v.cfg)
		v.leak = multitone.NewLeak(p, m.Tones, lines, s.offsets())
		averaging.Disturbers = s.disturbers(rest)
		v.frames, err = multitone.NewContinuous(v.cfg, multitone.Averaging{LowPass: w.LowPass.Spec, Every: w.LowPass.every(p), Samples: info.Samples, Lines: lines})
		if err != nil {
			return nil, err
		}
	} else {
		length, hop := int(math.Round(w.Length*info.SampleRate)), int(math.Round(w.Hop*info.SampleRate))
		v.length = w.Length
		v.frames, err = multitone.NewBank(v.cfg, multitone.Framing{Length: length, Hop: hop, Cosine: w.Taper.Cosine})
		if err != nil {
			return nil, err
		}
	}
	return v, nil
}

// measuring makes a meter for a file, of which frames may wait to be judged.
func measuring(info recording.Info, s *Survey, m *Measurement, use func(*Measured) error) (*meter, error) {
	v, err := newMeter(info, s, m, use, blockSamples(info.Channels))
	if err == nil && v.spans == nil {
		v.queue = newQueue(ahead(info.Channels*len(m.Tones)), func(w *waiting) error { return v.judge(&w.frame, w.survey, nil) })
	}
	return v, err
}

// write measures a block with what is known of the stream by now.
func (v *meter) write(b *Block, s *Survey) error { return v.take(v.screen.clean(b, s.Monitor), s) }

// take measures a block that has been screened.
func (v *meter) take(b *Block, s *Survey) error {
	v.survey = s
	if v.spans != nil {
		return v.spans.write(b, s, v.cfg, func(f *multitone.Frame, of *span) error {
			if v.live {
				return v.queue.tell(v, f, of)
			}
			return v.judge(f, s, of)
		})
	}
	v.frames.Follow(s.Track)
	if err := v.follow(float64(b.First)/v.info.SampleRate, s); err != nil {
		return err
	}
	b.tell(v.frames)
	if b.Counts != nil {
		return v.frames.WriteInt16(b.Counts, v.emitting)
	}
	return v.frames.Write(b.Volts, v.emitting)
}

func (v *meter) emit(f *multitone.Frame) error {
	if v.live {
		return v.queue.tell(v, f, nil)
	}
	return v.queue.emit(f, v.survey)
}

// follow retunes to the clock at time t [s] where a frequency has changed by more
// than a thousandth of a turn over a window: less changes no phasor.
func (v *meter) follow(t float64, s *Survey) error {
	if t <= v.tuned+v.retune {
		return nil
	}
	v.tuned = t
	hz, moved := s.Track.Hz(t, t+v.retune), false
	for k := range hz {
		moved = moved || math.Abs(hz[k]-v.cfg.Tones[k].Hz)*v.length > 1e-3
	}
	if !moved {
		return nil
	}
	for k := range hz {
		v.cfg.Tones[k].Hz = hz[k]
	}
	return v.frames.Tune(hz)
}

func tune(cfg *multitone.Config, s *Survey, start, stop float64) {
	for k, hz := range s.Track.Hz(start, stop) {
		cfg.Tones[k].Hz = hz
	}
}

// end hands out what is left, unless measuring has failed, and waits until all
// frames are used.
func (v *meter) end(failed error) error {
	if failed == nil {
		failed = v.flush()
	}
	if v.queue == nil {
		return failed
	}
	if err := v.queue.wait(); err != nil {
		return err
	}
	return failed
}

// flush hands out the frames that wait for the noise to be known.
func (v *meter) flush() error {
	if bank, ok := v.frames.(*multitone.Bank); ok {
		return bank.Flush(v.emit)
	}
	return nil
}

// References says which channels carry drives.
func References(tones []multitone.Tone, channels int) []bool {
	is := make([]bool, channels)
	for _, t := range tones {
		if c, ok := t.Reference.Channel(); ok {
			is[c] = true
		}
	}
	return is
}

// judge lets a frame be used, with what is known of its samples: of is the interval
// that it is of, nil for others.
func (v *meter) judge(f *multitone.Frame, s *Survey, of *span) error {
	if err := v.tell(&v.measured, f, s, of); err != nil {
		return err
	}
	return v.next(&v.measured)
}

// tell writes what is known of a frame's samples.
func (v *meter) tell(j *Measured, f *multitone.Frame, s *Survey, of *span) error {
	j.Frame, j.Sensors, j.Flags, j.Shares, j.Arrived, j.Skipped = f, nil, 0, s.shares, v.arrived, 0
	if of != nil {
		j.Sensors = of.sensors
		if of.cut {
			j.Flags = verdict.Gap
		}
	}
	j.Time, j.Duration = s.Time(f.Time(1)), f.Duration(v.info.SampleRate)
	// A fault bends phasors as motion does, unless its samples are left out.
	from := f.Start
	if v.leak != nil { // a low-pass rests on as much before, by a hundredth: of steps in all tones too much
		from -= f.Stop - f.Start
	}
	broken, slipped := s.Monitor.Slipped(from, f.Stop), verdict.Flags(0)
	if broken {
		slipped = verdict.Gap
	}
	for c := range j.Channels {
		j.Channels[c] = s.Flags(c, f.Start, f.Stop) | slipped
		broken = broken || j.Channels[c]&^verdict.LeftOut != 0 && (v.m.Rests == nil || v.m.Rests[c])
	}
	for k := range j.Lost {
		j.Lost[k] = 0
		if s.Lost(k, f.Start, f.Stop) {
			j.Lost[k], broken = verdict.ReferenceLost, true
		}
	}
	if v.leak != nil {
		if err := v.leak.Remove(f, v.info.SampleRate, s.Track); err != nil {
			return err
		}
	}
	v.averaging.observe(f, v.reference)
	if f.BendDOF > 0 && !broken && integrity.Chance(f.Bend, f.BendDOF) < motionChance {
		j.Flags |= verdict.Motion
		if v.m.Widen {
			for i, pull := range f.Pull {
				f.Variance[i] += pull
			}
		}
	}
	if v.live {
		v.place(j)
	}
	return nil
}
