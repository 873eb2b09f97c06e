package clock

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// Slip is where the time line breaks, unmarked: samples were lost, or came from
// nowhere. All tones' phases step at once there, each by 2πf·Lost/fs.
type Slip struct {
	Lost        int64 // samples; negative: so many too many
	At          int64 // about the first sample after them
	Start, Stop int64 // samples among which the break lies
}

const (
	// slipWander is how much time all tones may gain together between blocks [samples]
	// beside whole ones: of a clock that drifts by 5 ppm/s, 10 ppm of two blocks.
	slipWander = 0.06
	// A step fits a length where each tone's phase is as that says within so many sigmas
	// and no less than slipPhase [rad]: what the clock's drift leaves between blocks. No
	// more than slipLoose either: a break makes the noise look greater.
	slipSigmas = 6
	slipPhase  = 5e-3
	slipLoose  = 20e-3
	// slipChance bounds the lengths that are tried: of any steps of K phases one of 2N lengths
	// fits with the probability 2N·Π(tolerance/π).
	slipChance = 1e-3
	slipMost   = 20000 // samples
	// slipBlocks is how many blocks in a row may fit to nothing, one of which has the
	// break in it, before the phases start anew.
	slipBlocks = 3
	// slipRoom is how far the break may lie from where its block's phases say
	// [samples]: what a tone leaks into a part of a block is 1/(ω·length) of it, some four, and
	// counts for more the less the phases step.
	slipRoom  = 32
	mostSlips = 4096
)

// slips follows the phases of all tones from block to block.
type slips struct {
	most   int64  // samples that may be lost at once
	done   int    // blocks of the segment that are looked at
	lost   int64  // samples so far
	before *block // the last that fits
	own    block  // its memory
	odd    []block
}

// clone shares nothing that changes.
func (s slips) clone() slips {
	s.own = block{}
	s.odd = slices.Clone(s.odd)
	for i := range s.odd {
		s.odd[i] = *s.odd[i].clone()
	}
	return s
}

// copyTo makes c equal to b, in its own memory.
func (b *block) copyTo(c *block) {
	phasor, weight := append(c.phasor[:0], b.phasor...), append(c.weight[:0], b.weight...)
	*c = *b
	c.phasor, c.weight = phasor, weight
}

func (b *block) clone() *block {
	c := *b
	c.phasor, c.weight = slices.Clone(b.phasor), slices.Clone(b.weight)
	return &c
}

// repair looks for slips in blocks that follow each other, and turns the phases after
// each back by what was lost: they go on as those before. The block that has the
// break in it weighs nothing.
func (t *Tracker) repair(blocks []block) {
	if t.folds != 1 {
		return // pickups move
	}
	s := &t.slips
	for k := range blocks {
		b := &blocks[k]
		t.turnBack(b, s.lost)
		if floats.Sum(b.weight) == 0 {
			continue // no drive
		}
		if s.before == nil || len(t.track.Slips) >= mostSlips {
			s.before = b
			continue
		}
		steps := t.steps(s.before, b)
		n, ok := steps.length(s.most)
		switch {
		case ok && n == 0 || len(s.odd) == slipBlocks || len(steps) == 0:
			s.odd, s.before = s.odd[:0], b
		case ok:
			t.track.Slips = append(t.track.Slips, t.place(b, n))
			for i := range s.odd {
				clear(s.odd[i].weight)
			}
			if len(s.odd) > 0 { // a tone that the break makes incoherent there is not lost
				from := s.odd[0].start
				t.track.Lost = slices.DeleteFunc(t.track.Lost, func(l Loss) bool { return l.Start >= from && l.Stop <= b.start })
			}
			s.lost += n
			t.turnBack(b, n)
			s.odd, s.before = s.odd[:0], b
		default:
			s.odd = append(s.odd, *b) // shares its weights
		}
	}
	if s.before != nil && s.before != &s.own { // blocks move in their memory
		s.before.copyTo(&s.own)
		s.before = &s.own
	}
}

// turnBack takes off a block's phases what so many samples lost have added.
func (t *Tracker) turnBack(b *block, lost int64) {
	if lost == 0 {
		return
	}
	for i := range b.phasor {
		b.phasor[i] *= cmplx.Rect(1, -t.turn(i, lost))
	}
}

// turn is by how much a tone's phase steps where so many samples are lost [rad].
func (t *Tracker) turn(tone int, lost int64) float64 {
	return 2 * math.Pi * math.Remainder(t.tones[tone].Hz*(1+t.offset[tone])*float64(lost)/t.sampleRate, 1)
}

// step is that of one tone's phase between two blocks, beside what its frequency says.
type step struct {
	phase, sigma float64 // [rad]
	perSample    float64 // lost [rad]
}

type steps []step

func (t *Tracker) steps(a, b *block) steps {
	list := t.room.steps[:0]
	for i, tone := range t.tones {
		if a.weight[i] == 0 || b.weight[i] == 0 {
			continue
		}
		at := 2 * math.Pi * tone.Hz * t.offset[i] * (b.time - a.time)
		list = append(list, step{
			phase:     math.Remainder(cmplx.Phase(b.phasor[i]*cmplx.Conj(a.phasor[i]))-at, 2*math.Pi),
			sigma:     math.Sqrt(1/a.weight[i] + 1/b.weight[i]),
			perSample: 2 * math.Pi * tone.Hz * (1 + t.offset[i]) / t.sampleRate,
		})
	}
	t.room.steps = list
	return list
}

// longestSlip is the greatest number of samples that the tones tell from others: half of
// what turns all of them by whole turns.
func (t *Tracker) longestSlip() int64 {
	const whole = 1e-3 // turns
	for n := int64(1); n <= 2*slipMost; n++ {
		alike := true
		for _, tone := range t.tones {
			alike = alike && math.Abs(math.Remainder(tone.Hz*float64(n)/t.sampleRate, 1)) < whole
		}
		if alike {
			return max(1, (n-1)/2)
		}
	}
	return slipMost
}

// length is the number of samples lost, up to most, that explains all steps; 0 where
// there are none.
func (s steps) length(most int64) (n int64, ok bool) {
	if !math.IsInf(s.off(0), 1) {
		return 0, true
	}
	chance := 2.0
	for _, v := range s {
		chance *= min(1, v.tolerance()/math.Pi)
	}
	if len(s) > 0 {
		chance *= max(1, slipWander*s[0].perSample/s[0].tolerance())
	}
	most = min(most, int64(min(slipMost, slipChance/chance)))
	best := math.Inf(1)
	for size := int64(1); size <= most; size++ {
		for _, m := range []int64{size, -size} {
			if off := s.off(m); off < best {
				n, best = m, off
			}
		}
	}
	return n, !math.IsInf(best, 1)
}

func (v step) tolerance() float64 { return min(max(slipSigmas*v.sigma, slipPhase), slipLoose) }

// off is how far the steps are off those of so many samples lost, beside what all gain
// together: a sum of squares in units of the tolerances; infinite where one is beyond.
func (s steps) off(n int64) (sum float64) {
	var along, power float64
	for _, v := range s {
		along += v.perSample * v.left(n)
		power += v.perSample * v.perSample
	}
	wander := max(-slipWander, min(slipWander, along/power))
	for _, v := range s {
		d := (v.left(n) - wander*v.perSample) / v.tolerance()
		if d > 1 || d < -1 {
			return math.Inf(1)
		}
		sum += d * d
	}
	return sum
}

// left is what so many samples lost leave of a step [rad].
func (v step) left(n int64) float64 {
	return math.Remainder(v.phase-float64(n)*v.perSample, 2*math.Pi)
}

// place finds where n samples were lost between the block that was good last and b. In
// the blocks between, a share ρ of the tones is as before: its phasors are
// A·(ρ + (1−ρ)·e^{jδ}), with δ the tone's step.
func (t *Tracker) place(b *block, n int64) Slip {
	s := &t.slips
	first := b
	if len(s.odd) > 0 {
		first = &s.odd[0]
	}
	room, before := 1.0, 0.0 // samples before the break
	for k := range s.odd {
		odd := &s.odd[k]
		var num, den, tones float64
		for i, a := range s.before.phasor {
			if s.before.weight[i] == 0 || a == 0 {
				continue
			}
			x := odd.phasor[i] / a * cmplx.Rect(1, -2*math.Pi*t.tones[i].Hz*t.offset[i]*(odd.time-s.before.time))
			after := cmplx.Rect(1, t.turn(i, n))
			d := 1 - after
			num += real((x - after) * cmplx.Conj(d))
			den += real(d)*real(d) + imag(d)*imag(d)
			tones++
		}
		if den > 0 {
			before += max(0, min(1, num/den)) * float64(t.length)
			room = max(1, math.Sqrt(tones/den))
		}
	}
	slip := Slip{Lost: n, At: first.start + int64(math.Round(before))}
	slip.Start, slip.Stop = max(0, slip.At-int64(room*slipRoom)), slip.At+int64(room*slipRoom)
	return slip
}
