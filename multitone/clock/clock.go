// Package clock finds the real frequencies of tones, in the ADC's clock, from
// the channels that carry the digitised drives.
//
// The generator's clock and the ADC's differ by tens of parts per million, and
// over a second a few of them turn a phasor by degrees: nothing may be
// averaged before the frequencies are known. A Tracker reads a recording once,
// measures every tone in short blocks, and fits a line to the phases of each
// segment of blocks; a Track answers which frequency a tone had when, and how far it
// had turned. It may be asked for at any time, so that a stream is followed as it
// comes.
//
// Where no drive is digitised, the pickups' own tones are followed. A coupling is
// real and may have changed its sign from one block to the next, so that a phase is
// known but for half turns: it is followed doubled. Starts then tells when the file
// with the drives began to play, from the same phases.
//
// Samples that the recorder lost, or gave twice, without a mark make the phases of
// all tones step at once, each by 2πf times the same time: the Track names these
// slips, and its frequencies are as if there were none.
//
// The line fit over m blocks loses 1/m² of the information (Cramér–Rao bound
// 6/(π²·SNR·N·T²) on the frequency's variance, SNR = A²/2σ²; Rife and
// Boorstyn, IEEE Trans. Inf. Theory 20, 1974).
package clock

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"tonepose/multitone"
)

// Mode says which frequencies are unknown.
type Mode int

const (
	Common Mode = iota // one relative offset for all tones: one generator clock
	Each               // every tone its own
	None               // the nominal frequencies are taken as they stand
)

// MaxOffset is the largest relative clock offset that is captured.
const MaxOffset = 250e-6

const (
	segmentSeconds = 1.0
	minBlocks      = 8
	lostSigmas     = 10 // a reference weaker than this many sigmas is lost
)

// ErrNoReference reports that no tone has a usable reference.
var ErrNoReference = errors.New("clock: no reference channel carries its tone")

// Tracker follows the tones of one recording.
type Tracker struct {
	mode       Mode
	sampleRate float64
	tones      []multitone.Tone
	spacing    float64 // between tones, and from them to either end of the spectrum [Hz]
	length     int     // samples of a block
	groups     []group
	// folds is by how much phases are multiplied: 2 on pickups, whose signs are not
	// known. There tones has those asked for once for each pickup, and asked says how
	// many these are.
	folds      float64
	asked      int
	segment    []block
	slips      slips
	perSegment int
	offset     []float64 // relative, per tone, as of the last segment
	track      Track
	primed     bool
	begin      int64 // first sample
	fed        int64 // samples
	room       *room
	look       *Tracker  // memory of Look
	looked     int       // segments of it that are the Tracker's own
	view       Track     // that was looked at last
	least      []float64 // power of each tone [V²] below which it is lost; nil: not known
	collectors []func(*multitone.Frame) error
	one        [1][]float64
}

// group is the tones that share a reference channel.
type group struct {
	channel int
	tones   []int
	bank    *multitone.Bank
	hz      []float64 // that the bank is tuned to
	prime   []float64 // the first samples, read twice
}

// block holds the phasors of one block, relative to the nominal frequencies.
type block struct {
	start  int64
	time   float64
	phasor []complex128
	weight []float64 // inverse variance of the phase [1/rad²], 0 where lost
	seen   int       // groups
}

// Track tells the frequencies and phases along a recording: it is a
// multitone.Course.
type Track struct {
	nominal  []float64
	segments []segment
	origin   []float64 // how far each tone's clock is ahead at time zero [s], once forgotten
	Lost     []Loss
	Slips    []Slip // in their order; frequencies and phases are as if there were none
	// StrayTone's own offset differs by StrayOffset (relative) from the tones'
	// median, most of all and beyond chance; 0: none does. Tones that do not
	// share a generator's clock need Each.
	StrayTone   int
	StrayOffset float64
}

// Loss is a stretch of samples in which a tone's reference was lost.
type Loss struct {
	Tone        int
	Start, Stop int64
}

// NewTracker prepares to follow the tones' references at a sample rate [Hz]; where
// no tone has one, its pickups, from which the clock common to all is found.
func NewTracker(mode Mode, sampleRate float64, tones []multitone.Tone) (*Tracker, error) {
	t := &Tracker{mode: mode, sampleRate: sampleRate, tones: tones, folds: 1, asked: len(tones), room: &room{}}
	if shown := onPickups(tones); mode != None && len(shown) > 0 {
		t.mode, t.tones, t.folds = Common, shown, 2
	}
	t.offset, t.track.nominal = make([]float64, len(t.tones)), make([]float64, len(t.tones))
	for i, tone := range t.tones {
		t.track.nominal[i] = tone.Hz
	}
	if mode == None {
		return t, nil
	}
	highest := 0.0
	t.spacing = sampleRate
	for i, tone := range t.tones {
		channel, ok := tone.Reference.Channel()
		if !ok {
			continue
		}
		g := slices.IndexFunc(t.groups, func(g group) bool { return g.channel == channel })
		if g < 0 {
			g = len(t.groups)
			t.groups = append(t.groups, group{channel: channel})
		}
		for _, o := range t.groups[g].tones {
			t.spacing = min(t.spacing, math.Abs(tone.Hz-t.tones[o].Hz))
		}
		t.groups[g].tones = append(t.groups[g].tones, i)
		highest = max(highest, tone.Hz)
		t.spacing = min(t.spacing, tone.Hz, sampleRate/2-tone.Hz)
	}
	if len(t.groups) == 0 {
		t.mode = None
		return t, nil
	}
	// Short enough that the largest offset turns a phase by less than a third of
	// a cycle between blocks.
	return t, t.cut(int(min(0.02*sampleRate, 0.3*sampleRate/(t.folds*MaxOffset*highest))))
}

// onPickups lists the tones once for each channel of their pickups, as if that had the
// drives; none where a tone has a reference.
func onPickups(tones []multitone.Tone) (shown []multitone.Tone) {
	if len(tones) == 0 || slices.ContainsFunc(tones, func(t multitone.Tone) bool { return !t.Reference.None() }) {
		return nil
	}
	for i := range tones[0].Pickups {
		for _, tone := range tones {
			shown = append(shown, multitone.Tone{Name: tone.Name, Hz: tone.Hz, Reference: multitone.OnChannel(tone.Pickups[i])})
		}
	}
	return shown
}

// found is the track of the tones asked for.
func (t *Tracker) found() *Track {
	k := t.track
	k.nominal = k.nominal[:t.asked]
	return &k
}

// cut sets the length of the blocks, or as much more as tells the tones apart.
func (t *Tracker) cut(length int) error {
	t.length = max(length, int(6*t.sampleRate/t.spacing), 32)
	t.perSegment = max(minBlocks, int(segmentSeconds*t.sampleRate)/t.length)
	for g := range t.groups {
		if err := t.groups[g].open(t); err != nil {
			return err
		}
	}
	return nil
}

// open starts the group's bank at the frequencies known so far.
func (g *group) open(t *Tracker) error {
	c := multitone.Config{SampleRate: t.sampleRate, Channels: 1}
	g.hz = nil
	for _, i := range g.tones {
		g.hz = append(g.hz, t.tones[i].Hz*(1+t.offset[i]))
		c.Tones = append(c.Tones, multitone.Tone{Name: t.tones[i].Name, Hz: t.tones[i].Hz * (1 + t.offset[i])})
	}
	var err error
	g.bank, err = multitone.NewBank(c, multitone.Framing{
		Length: t.length, Cosine: []float64{1}, NoBend: true,
		Precision: multitone.Single, // its 1e-7 rad are 1e-12 of a tone's turns in a second
	})
	if err == nil && t.begin > 0 {
		g.bank.Skip(t.begin)
	}
	return err
}

// Follows tells whether a channel's samples are used.
func (t *Tracker) Follows(channel int) bool {
	return slices.ContainsFunc(t.groups, func(g group) bool { return g.channel == channel })
}

// Write feeds samples of all the recording's channels.
func (t *Tracker) Write(x [][]float64) error {
	if t.mode == None || len(x) == 0 {
		return nil
	}
	if t.primed {
		return t.feed(x, 0)
	}
	// The first blocks are read twice: once at the nominal frequencies for a
	// coarse offset, then at frequencies close enough that the tones on one
	// channel do not leak into each other.
	primeLen := minBlocks * t.length
	n := min(len(x[0]), primeLen-len(t.groups[0].prime))
	for i := range t.groups {
		g := &t.groups[i]
		g.prime = append(g.prime, x[g.channel][:n]...)
	}
	if len(t.groups[0].prime) < primeLen {
		return nil
	}
	if err := t.start(primeLen); err != nil {
		return err
	}
	return t.feed(x, n)
}

// start finds the coarse offsets from so many of the first samples, then
// measures all of them.
func (t *Tracker) start(primeLen int) error {
	t.primed, t.fed = true, t.begin+int64(primeLen)
	for i := range t.groups {
		g := &t.groups[i]
		if err := t.measure(i, g.prime[:primeLen]); err != nil {
			return err
		}
		if err := g.bank.Flush(t.collect(i)); err != nil {
			return err
		}
	}
	t.coarse()
	if t.folds == 1 {
		t.slips.most = t.longestSlip() // now, that no Look has to
	}
	t.segment = t.segment[:0]
	for i := range t.groups {
		g := &t.groups[i]
		if err := g.open(t); err != nil {
			return err
		}
		if err := t.measure(i, g.prime); err != nil {
			return err
		}
		g.prime = nil
	}
	return nil
}

// feed takes samples from the given one on, block by block.
func (t *Tracker) feed(x [][]float64, from int) error {
	for n := len(x[0]); from < n; {
		to := min(n, from+t.length-int(t.fed%int64(t.length)))
		for i := range t.groups {
			if err := t.measure(i, x[t.groups[i].channel][from:to]); err != nil {
				return err
			}
		}
		t.fed += int64(to - from)
		from = to
		if t.fed%int64(t.length) == 0 && t.fitSegments(false) {
			if err := t.retune(); err != nil {
				return err
			}
		}
	}
	return nil
}

// mostOff is by how much of a turn a tone may be off over a block. Its phase is then
// off by π·mostOff at the block's ends, and of a neighbour at least six bins away on
// the same channel remains mostOff/12 = 0.08 mrad: that tilts the line of a segment of
// one second by six times as much at the most, 0.016 ppm of 5 kHz.
const mostOff = 1e-3

// retune has the banks follow a clock that drifts, so that tones on one channel do not
// leak into each other.
func (t *Tracker) retune() error {
	now := float64(t.fed) / t.sampleRate
	for _, g := range t.groups {
		hz := t.room.x[:0]
		moved := false
		for j, i := range g.tones {
			hz = append(hz, t.track.HzAt(i, now))
			moved = moved || math.Abs(hz[j]-g.hz[j])*float64(t.length) > mostOff*t.sampleRate
		}
		if !moved {
			continue
		}
		copy(g.hz, hz)
		if err := g.bank.Tune(hz); err != nil {
			return err
		}
	}
	return nil
}

// measure feeds samples of a group's channel to its bank.
func (t *Tracker) measure(index int, x []float64) error {
	t.one[0] = x
	return t.groups[index].bank.Write(t.one[:], t.collect(index))
}

// collect stores a group's frames in their blocks.
func (t *Tracker) collect(index int) func(*multitone.Frame) error {
	for i := len(t.collectors); i < len(t.groups); i++ {
		t.collectors = append(t.collectors, t.collector(i))
	}
	return t.collectors[index]
}

func (t *Tracker) collector(index int) func(*multitone.Frame) error {
	return func(f *multitone.Frame) error {
		g, b := &t.groups[index], t.at(f)
		for j, i := range g.tones {
			v, variance := f.At(j, 0)
			power := real(v)*real(v) + imag(v)*imag(v)
			// to the nominal frequency's phase
			turns := t.folds * (f.Hz[j] - t.tones[i].Hz) * b.time
			if t.folds == 2 && power > 0 {
				v *= v / complex(math.Sqrt(power), 0)
			}
			b.phasor[i] = v * cmplx.Rect(1, 2*math.Pi*(turns-math.Round(turns)))
			if power > lostSigmas*lostSigmas*variance && (t.least == nil || power >= t.least[i]) {
				b.weight[i] = power / max(variance, 1e-30*power) / (t.folds * t.folds)
			} else if t.folds == 1 {
				t.track.lose(i, f.Start, f.Stop)
			}
		}
		b.seen++
		return nil
	}
}

// at finds the block of a frame, or begins it.
func (t *Tracker) at(f *multitone.Frame) *block {
	for i := len(t.segment) - 1; i >= 0; i-- {
		if t.segment[i].start == f.Start {
			return &t.segment[i]
		}
	}
	b := t.room.block(len(t.tones))
	b.start, b.time = f.Start, f.Time(t.sampleRate)
	t.segment = append(t.segment, b)
	return &t.segment[len(t.segment)-1]
}

func (t *Track) lose(tone int, start, stop int64) {
	for i := range t.Lost {
		if l := &t.Lost[i]; l.Tone == tone && l.Stop == start {
			l.Stop = stop
			return
		}
	}
	t.Lost = append(t.Lost, Loss{tone, start, stop})
}

// fitSegments fits the segments that are complete; at the end, what is left. It tells
// whether there were any.
func (t *Tracker) fitSegments(last bool) (any bool) {
	for ; ; any = true {
		complete := 0
		for complete < len(t.segment) && t.segment[complete].seen == len(t.groups) {
			complete++
		}
		n := t.perSegment
		switch {
		case complete >= 2*n: // a remainder joins the last segment
		case last && complete > 0:
			n = complete
		default:
			return any
		}
		// A break in the last block shows in those behind it.
		known := min(complete, n+slipBlocks+1)
		t.repair(t.segment[min(t.slips.done, known):known])
		t.fit(t.segment[:n])
		if len(t.slips.odd) == 0 { // else these share memory with some of them
			t.room.blocks = append(t.room.blocks, t.segment[:n]...)
		}
		t.segment = append(t.segment[:0], t.segment[n:]...)
		t.slips.done = known - n
	}
}

// Finish ends the recording and returns what was found.
func (t *Tracker) Finish() (*Track, error) { return t.finish((*multitone.Bank).Flush) }

// Track returns what the samples so far tell, as Finish would, and goes on. What
// was lost so far may still be joined by what follows.
func (t *Tracker) Track() (*Track, error) {
	// A copy takes in what waits, and ends.
	c := *t
	c.look, c.collectors, c.room = nil, nil, &room{}
	c.groups = slices.Clone(t.groups)
	c.offset = slices.Clone(t.offset)
	c.segment = make([]block, len(t.segment))
	for i, b := range t.segment {
		b.phasor, b.weight = slices.Clone(b.phasor), slices.Clone(b.weight)
		c.segment[i] = b
	}
	c.track.segments = slices.Clip(t.track.segments)
	c.track.Lost = slices.Clone(t.track.Lost)
	c.track.Slips, c.slips = slices.Clip(t.track.Slips), t.slips.clone()
	return c.finish((*multitone.Bank).Waiting)
}

// Forget drops what was found before a time [s], but for the last of it, so
// that a stream without end takes bounded memory. Tracks returned before keep it.
func (t *Tracker) Forget(before float64) {
	k := &t.track
	n := 0
	for n+1 < len(k.segments) && k.segments[n+1].time <= before {
		n++
	}
	if n > 0 && k.origin == nil {
		k.origin = k.start()
	}
	if t.look != nil { // who looks keeps no Track
		for i := range k.segments[:n] {
			t.room.segments = append(t.room.segments, k.segments[i])
		}
		k.segments = k.segments[:copy(k.segments, k.segments[n:])]
	} else {
		k.segments = k.segments[n:]
	}
	k.Lost = slices.DeleteFunc(k.Lost, func(l Loss) bool { return float64(l.Stop) < before*t.sampleRate })
}

// finish takes in the frames that each bank still has and fits what is left.
func (t *Tracker) finish(rest func(*multitone.Bank, func(*multitone.Frame) error) error) (*Track, error) {
	if t.mode == None {
		return t.found(), nil
	}
	if !t.primed {
		// A short recording is cut into shorter blocks.
		n := len(t.groups[0].prime)
		if err := t.cut(min(t.length, n/minBlocks)); err != nil {
			return nil, err
		}
		if n < 2*t.length {
			return nil, fmt.Errorf("clock: %d samples are too few to find the tones' frequencies: %d are needed", n, 2*t.length)
		}
		if err := t.start(min(n, minBlocks*t.length)); err != nil {
			return nil, err
		}
	}
	for i := range t.groups {
		if err := rest(t.groups[i].bank, t.collect(i)); err != nil {
			return nil, err
		}
	}
	t.fitSegments(true)
	if len(t.track.segments) == 0 && t.folds == 1 { // pickups may be too weak to tell an offset: then there is none
		return t.found(), ErrNoReference
	}
	return t.found(), nil
}
