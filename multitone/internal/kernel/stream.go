package kernel

import (
	"math"

	"tonepose/fieldmodels/variant"
)

// Stream mixes every channel with every tone and filters the products by equal
// first-order stages, with an output after every sample.
//
// Within a piece of at most Longest samples the tones' phases count from its
// first one; states go from one piece's first sample to the next's. With all
// that happens at its sample u divided by aᵘ, a being the stages' pole, a stage
// is a plain sum: its outputs are to be multiplied by Decay.
type Stream struct {
	Order    int
	channels int
	tones    int
	vectors  int // of four channels
	pole     float64
	state    []complex128 // tones × vectors × order × 4
	decay    []float64    // aᵘ
	carrier  []complex128 // tones × Longest: gain·a^{−u}·e^{−jωu}
	turn     []complex128 // by tone, to the next piece: aⁿ·e^{jωn}
	whole    []complex128 // the turn of a piece of Longest samples
	step     []float64    // ω [rad/sample]
	spread   []float64    // Longest × vectors × 8: every sample twice
	gain     []float64    // vectors × 8
	referral *Referral    // nil: rows are raw
	loops    streamLoops
}

// Longest is the most samples of a piece.
const Longest = 64

type streamLoops struct {
	counts func(s *Stream, x []int16, n int)
	mix    func(s *Stream, out []complex128, tone, n int)
	refer  func(s *Stream, out []complex128, n int) // mixes all tones and refers them
}

var (
	streamLoopsFor = func(s *Stream) streamLoops { return portableStream }
	streamKernel   = variant.New("multitone.Stream", &streamLoopsFor)
)

var portableStream = streamLoops{spreadCountsGo, mixGo, referGo}

// NewStream prepares a stream at rest. A stage is y += b·(x − y); volts is the
// size of a unit of the samples of each channel.
func NewStream(order int, b float64, tones int, volts []float64) *Stream {
	s := &Stream{Order: order, channels: len(volts), tones: tones, vectors: (len(volts) + 3) / 4, pole: 1 - b}
	s.state = make([]complex128, tones*s.vectors*order*4)
	s.carrier = make([]complex128, tones*Longest)
	s.turn, s.whole, s.step = make([]complex128, tones), make([]complex128, tones), make([]float64, tones)
	s.spread = make([]float64, Longest*s.vectors*8)
	s.decay = make([]float64, Longest+1)
	for u := range s.decay {
		s.decay[u] = math.Pow(s.pole, float64(u))
	}
	s.Scale(volts)
	s.loops = streamLoopsFor(s)
	return s
}

// Scale sets the size of a unit of each channel's samples.
func (s *Stream) Scale(volts []float64) {
	s.gain = make([]float64, s.vectors*8)
	for c, v := range volts {
		s.gain[2*c], s.gain[2*c+1] = v, v
	}
}

// Tune sets the tones' angular frequencies [rad/sample].
func (s *Stream) Tune(omega []float64) {
	// b as the pole has it: a gain of exactly 1; twice for peak values
	gain := 2 * math.Pow(1-s.pole, float64(s.Order))
	for k, w := range omega {
		s.step[k], s.whole[k] = w, s.turned(w, Longest)
		for u := range Longest {
			sin, cos := math.Sincos(w * float64(u))
			g := gain / s.decay[u]
			s.carrier[k*Longest+u] = complex(g*cos, -g*sin)
		}
	}
}

// turned is aⁿ·e^{jωn}.
func (s *Stream) turned(w float64, n int) complex128 {
	sin, cos := math.Sincos(math.Mod(w*float64(n), 2*math.Pi))
	return complex(s.decay[n]*cos, s.decay[n]*sin)
}

// Decay is what row u of a piece is to be multiplied by.
func (s *Stream) Decay(u int) float64 { return s.decay[u] }

// Size is the length of a row.
func (s *Stream) Size() int { return s.tones * s.channels }

// Counts filters a piece of interleaved counts; row u of out, tones × channels,
// is the output after sample u over Decay(u), relative to the tones' phases at
// sample 0, or referred as ReferTo says.
func (s *Stream) Counts(out []complex128, x []int16) {
	n := len(x) / s.channels
	s.loops.counts(s, x, n)
	s.mixAll(out, n)
}

// Floats is Counts for floats.
func (s *Stream) Floats(out []complex128, x []float64) {
	n := len(x) / s.channels
	spreadFrom(s, x, 0, n)
	s.mixAll(out, n)
}

func (s *Stream) mixAll(out []complex128, n int) {
	_ = out[:n*s.Size()]
	switch {
	case n == 0:
		return
	case s.referral != nil:
		s.loops.refer(s, out, n)
	default:
		for k := range s.step {
			s.loops.mix(s, out, k, n)
		}
	}
	if n == Longest {
		copy(s.turn, s.whole)
		return
	}
	for k, w := range s.step {
		s.turn[k] = s.turned(w, n)
	}
}

func spreadCountsGo(s *Stream, x []int16, n int) { spreadFrom(s, x, 0, n) }

// spreadFrom spreads the samples from the given one on, up to n.
func spreadFrom[S int16 | float64](s *Stream, x []S, from, n int) {
	for u := from; u < n; u++ {
		to := s.spread[u*s.vectors*8:]
		for c, sample := range x[u*s.channels : (u+1)*s.channels] {
			v := float64(sample) * s.gain[2*c]
			to[2*c], to[2*c+1] = v, v
		}
	}
}

func mixGo(s *Stream, out []complex128, tone, n int) {
	var y [8]complex128
	carrier := s.carrier[tone*Longest:][:n]
	for c := range s.channels {
		state := s.state[((tone*s.vectors+c/4)*s.Order)*4+c%4:]
		for j := range s.Order {
			y[j] = state[j*4] * s.turn[tone]
		}
		at := tone*s.channels + c
		for u, o := range carrier {
			v := s.spread[u*s.vectors*8+2*c]
			re, im := v*real(o), v*imag(o)
			for j := range s.Order {
				re, im = real(y[j])+re, imag(y[j])+im
				y[j] = complex(re, im)
			}
			out[at] = complex(re, im)
			at += s.tones * s.channels
		}
		for j := range s.Order {
			state[j*4] = y[j]
		}
	}
}

// Referral turns rows to the phase of each tone's reference, and multiplies them
// by Decay.
type Referral struct {
	channel []int // of each tone's reference
	groups  int
	// By row and group, 8 real parts and 8 imaginary parts each: what references
	// are multiplied by, the tones' carriers, and the turns.
	ahead, carrier, turns []float64
	// By group, for 8 tones each, in bytes: where the reference's state begins,
	// where its sample stands in a row of spread, and the tone's turn.
	offsets []int64
	// References holds the raw phasor of each tone's reference, row by row, times
	// ahead.
	References []complex128
}

// NewReferral prepares for tones with a reference channel each; ahead are what
// the reference's phasors are multiplied by, row by row of a piece. It holds for
// the frequencies now set.
func (s *Stream) NewReferral(channel []int, ahead [][]complex128) *Referral {
	r := &Referral{channel: channel, groups: (s.tones + Lanes - 1) / Lanes}
	r.offsets = make([]int64, r.groups*3*Lanes)
	for i := range r.groups * Lanes {
		k := min(i, s.tones-1) // any that is there
		c := channel[k]
		at := i/Lanes*3*Lanes + i%Lanes
		r.offsets[at] = int64((k*s.vectors+c/4)*s.Order*4+c%4) * 16
		r.offsets[at+Lanes] = int64(c) * 16
		r.offsets[at+2*Lanes] = int64(k) * 16
	}
	size := Longest * r.groups * 2 * Lanes
	r.ahead, r.carrier, r.turns = make([]float64, size), make([]float64, size), make([]float64, size)
	for u, row := range ahead {
		for k, v := range row {
			v *= complex(s.decay[u], 0)
			at, o := r.at(u, k), s.carrier[k*Longest+u]
			r.ahead[at], r.ahead[at+Lanes] = real(v), imag(v)
			r.carrier[at], r.carrier[at+Lanes] = real(o), imag(o)
		}
	}
	r.References = make([]complex128, Longest*r.groups*Lanes)
	return r
}

// at is where the tables hold tone k of row u.
func (r *Referral) at(u, k int) int { return (u*r.groups+k/Lanes)*2*Lanes + k%Lanes }

// Row is the references of row u.
func (r *Referral) Row(u int) []complex128 {
	n := r.groups * Lanes
	return r.References[u*n : u*n+len(r.channel)]
}

// ReferTo has the rows of the pieces that follow referred; nil: raw.
func (s *Stream) ReferTo(r *Referral) { s.referral = r }

func referGo(s *Stream, out []complex128, n int) {
	for k := range s.step {
		s.loops.mix(s, out, k, n)
	}
	r := s.referral
	for u := range n {
		row := out[u*s.Size():][:s.Size()]
		references := r.Row(u)
		for k, c := range r.channel {
			own := row[k*s.channels:][:s.channels]
			ref := own[c]
			at := r.at(u, k)
			references[k] = ref * complex(r.ahead[at], r.ahead[at+Lanes])
			turn := turnBack(ref, s.decay[u])
			for i, v := range own {
				own[i] = v * turn
			}
			own[c] = complex(real(own[c]), 0)
		}
	}
}

// turnBack is what turns numbers to the phase of a reference, times gain; where the
// reference is 0, the gain alone.
func turnBack(reference complex128, gain float64) complex128 {
	re, im := real(reference), imag(reference)
	if power := re*re + im*im; power > 0 {
		size := gain / math.Sqrt(power)
		return complex(re*size, -im*size)
	}
	return complex(gain, 0)
}
