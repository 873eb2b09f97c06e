package engine

import (
	"context"
	"math"
	"math/cmplx"
	"slices"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/clock"
	"tonepose/multitone/coupling"
	"tonepose/solver"
)

// Where the recorder plays the drives from a file and digitises none, a frame's
// phasors say of a tone's current only the line through zero on which it lies, as
// couplings are real and may have either sign. The lines of all tones, seen over the
// whole recording, tell the start of the file, but for starts that turn some tones by
// half turns; of these the poses tell the right one, where they can.

const (
	axisSeconds = 1.0 // stretches over which phases are pooled: clocks of one recorder hardly part in these
	startFrames = 16  // that starts are tried on
)

// late is how far the player's clock is behind what the survey's track says of it, in
// the middle of successive stretches of axisSeconds [s].
type late []float64

// at interpolates, and holds the ends.
func (l late) at(t float64) float64 {
	u := min(max(t/axisSeconds-0.5, 0), float64(len(l)-1))
	i := min(int(u), max(0, len(l)-2))
	if i+1 == len(l) {
		return l[i]
	}
	return l[i] + (u-float64(i))*(l[i+1]-l[i])
}

// turn is by how much a tone has turned beyond what the track says [rad].
func (l late) turn(hz, t float64) float64 { return 2 * math.Pi * math.Mod(hz*l.at(t), 1) }

// axes gathers the squares of phasors.
type axes struct {
	square   []complex128
	variance []float64 // of each component of square, over four
}

func newAxes(tones int) *axes {
	return &axes{make([]complex128, tones), make([]float64, tones)}
}

// add takes a phasor with the variance of each component. What it adds to the square
// has the noise 2zn + n² in units of the variance.
func (a *axes) add(tone int, z complex128, variance float64) {
	a.square[tone] += z * z / complex(variance, 0)
	a.variance[tone] += real(z*cmplx.Conj(z))/variance + 1
}

// sigma is the standard deviation of half the phase of a square [rad].
func (a *axes) sigma(tone int) float64 {
	return math.Sqrt(a.variance[tone]) / cmplx.Abs(a.square[tone])
}

// tried is one frame of one sensor that starts are tried on.
type tried struct {
	sensor   int
	time     float64
	value    []complex128 // couplings for currents of phase 0
	variance []float64
}

// sample keeps frames of one sensor, evenly spread over a recording of unknown length.
type sample struct {
	frames       []tried
	seen, stride int

	// Of the frame before, its time [s] and the tones' powers over the noise's.
	time  float64
	power []float64
}

func (s *sample) take(most int, f tried) {
	s.stride = max(s.stride, 1)
	if s.seen++; (s.seen-1)%s.stride != 0 {
		return
	}
	if len(s.frames) == most {
		for i := range most / 2 {
			s.frames[i] = s.frames[2*i]
		}
		s.frames, s.stride = s.frames[:most/2], 2*s.stride
		if (s.seen-1)%s.stride != 0 {
			return
		}
	}
	f.value, f.variance = slices.Clone(f.value), slices.Clone(f.variance)
	s.frames = append(s.frames, f)
}

// listening gathers what a recording shows of its start.
type listening struct {
	bench   *bench.Bench
	late    late
	stretch map[int]*axes
	last    int       // stretch
	kept    []sample  // by sensor
	frames  []tried   // of all, once all is heard
	power   []float64 // by tone, of one frame over its noise
	swing   []float64 // by tone: sum over frames of the rate of its power [1/s]
	solvers []*solver.Solver
}

// FindStart reads a source for the start of the drives. Nil for a rig without playback.
func FindStart(ctx context.Context, src stream.Source, b *bench.Bench, s *stream.Survey, w stream.Windows, progress stream.Progress) (*Start, error) {
	if b.Rig().Playback == nil {
		return nil, nil
	}
	l := &listening{bench: b, stretch: map[int]*axes{}, kept: make([]sample, len(b.Sensors())), power: make([]float64, len(b.Tones())), swing: make([]float64, len(b.Tones()))}
	coupler := b.Coupler()
	var matrices []coupling.Matrix
	for i := range b.Sensors() {
		sv, err := b.Solver(i)
		if err != nil {
			return nil, err
		}
		l.solvers, matrices = append(l.solvers, sv), append(matrices, coupler.Matrix(i))
	}
	zero := make([]float64, len(b.Tones()))
	_, err := stream.Measure(ctx, src, s, stream.Measurement{Tones: b.Tones(), Windows: w}, func(f *stream.Measured) error {
		if err := coupler.Tune(f.Hz); err != nil {
			return err
		}
		coupler.Drive(zero, zero)
		for i, sensor := range b.Sensors() {
			if !f.Wanted(sensor.Name) {
				continue
			}
			m := matrices[i]
			coupler.Fill(m, i, f.Frame)
			sound := !silent(&m)
			for k := range m.Value {
				if f.Channels[sensor.Channels[k%len(sensor.Channels)]] != 0 {
					sound, m.Variance[k] = false, math.Inf(1)
				}
			}
			l.hear(i, len(sensor.Channels), f.Time, m.Value, m.Variance, sound)
		}
		return nil
	}, progress)
	if err != nil {
		return nil, err
	}
	for _, s := range l.kept {
		l.frames = append(l.frames, s.frames...)
	}
	return l.conclude(ctx)
}

// hear takes the couplings of a sensor in one frame.
func (l *listening) hear(sensor, coils int, time float64, value []complex128, variance []float64, sound bool) {
	at := max(0, int(time/axisSeconds))
	a := l.stretch[at]
	if a == nil {
		a = newAxes(len(value) / coils)
		l.stretch[at], l.last = a, max(l.last, at)
	}
	clear(l.power)
	for k, z := range value {
		if !math.IsInf(variance[k], 1) {
			a.add(k/coils, z, variance[k])
			l.power[k/coils] += real(z*cmplx.Conj(z)) / variance[k]
		}
	}
	before := &l.kept[sensor]
	for k, power := range before.power {
		if time > before.time {
			l.swing[k] += (l.power[k] - power) / (time - before.time)
		}
	}
	before.time, before.power = time, append(before.power[:0], l.power...)
	if sound {
		even := startFrames / len(l.kept) / 2 * 2
		l.kept[sensor].take(max(4, even), tried{sensor, time, value, variance})
	}
}

// align follows the player's clock from stretch to stretch, and returns the axes of
// the whole recording with the median variance of a stretch's time [s²].
func (l *listening) align() (whole *axes, variance float64) {
	emitters := l.bench.Rig().Emitters
	whole = newAxes(len(emitters))
	var variances []float64
	known, at := []float64{}, []int{}
	behind := 0.0
	for i := range l.last + 1 {
		a := l.stretch[i]
		if a == nil {
			continue
		}
		var across, information float64
		for k, e := range emitters {
			slope := 2 * math.Pi * e.ToneHz
			off := cmplx.Phase(a.square[k]*cmplx.Conj(whole.square[k])*cmplx.Rect(1, -2*math.Pi*math.Mod(2*e.ToneHz*behind, 1))) / 2
			if v := a.sigma(k)*a.sigma(k) + whole.sigma(k)*whole.sigma(k); v < clock.VagueAxis*clock.VagueAxis {
				across, information = across+off*slope/v, information+slope*slope/v
			}
		}
		if information > 0 {
			behind += across / information
			variances = append(variances, 1/information)
		}
		for k, e := range emitters {
			whole.square[k] += a.square[k] * cmplx.Rect(1, -2*math.Pi*math.Mod(2*e.ToneHz*behind, 1))
			whole.variance[k] += a.variance[k]
		}
		known, at = append(known, behind), append(at, i)
	}
	for i := range l.last + 1 { // stretches without a frame lie on lines
		k := 0
		for k+1 < len(at) && at[k+1] <= i {
			k++
		}
		v := known[k]
		if k+1 < len(at) && i > at[k] {
			v += (known[k+1] - known[k]) * float64(i-at[k]) / float64(at[k+1]-at[k])
		}
		l.late = append(l.late, v)
	}
	if slices.Sort(variances); len(variances) > 0 {
		variance = variances[len(variances)/2]
	}
	return whole, variance
}
