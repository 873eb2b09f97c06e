package synth

import (
	"math"
	"math/bits"
	"math/rand/v2"
)

// normals draws the normal numbers that rand.Rand.NormFloat64 draws from a rand.PCG, in a
// fraction of the time: all but the tail is here, without a call, its state in registers.
type normals struct {
	source *pcg
	random *rand.Rand // of the same source
}

func newNormals(seed, purpose uint64) *normals {
	source := &pcg{seed, purpose*0x9e3779b97f4a7c15 + 1}
	return &normals{source, rand.New(source)}
}

// pcg is a rand.PCG that shows its state, a number of 128 bits.
//
// Source: O'Neill, PCG: A Family of Simple Fast Space-Efficient Statistically Good
// Algorithms for Random Number Generation, HMC-CS-2014-0905, with the output function
// DXSM; constants of math/rand/v2.
type pcg struct{ hi, lo uint64 }

func (p pcg) next() pcg {
	const (
		factorHi, factorLo = 2549297995355413924, 4865540595714422341
		addHi, addLo       = 6364136223846793005, 1442695040888963407
	)
	hi, lo := bits.Mul64(p.lo, factorLo)
	hi += p.hi*factorLo + p.lo*factorHi
	lo, carry := bits.Add64(lo, addLo, 0)
	hi, _ = bits.Add64(hi, addHi, carry)
	return pcg{hi, lo}
}

func (p pcg) out() uint64 {
	x := p.hi
	x ^= x >> 32
	x *= 0xda942042e4dd58b5
	x ^= x >> 48
	return x * (p.lo | 1)
}

// Uint64 implements rand.Source.
func (p *pcg) Uint64() uint64 {
	*p = p.next()
	return p.out()
}

// strips are those of equal area under e^(−x²/2) that a normal number is drawn from: below
// its limit, a number of 31 bits lies within a strip's rectangle, and its width makes it x.
//
// Source: Marsaglia and Tsang, The Ziggurat Method for Generating Random Variables,
// Journal of Statistical Software 5(8), 2000, whose constants these are.
var strips = func() (s [128]strip) {
	const edge, area, unit = 3.442619855899, 9.91256303526217e-3, 1 << 31
	height := func(x float64) float64 { return math.Exp(-0.5 * x * x) }
	x, outer := edge, edge
	base := area / height(x) // the lowest strip has the tail beside it
	s[0] = strip{uint64(x / base * unit), single(base / unit), 1}
	s[127].width, s[127].inner = single(x/unit), float32(height(x))
	for i := 126; i >= 1; i-- {
		x = math.Sqrt(-2 * math.Log(area/x+height(x)))
		s[i+1].limit, outer = uint64(x/outer*unit), x
		s[i].width, s[i].inner = single(x/unit), float32(height(x))
	}
	return s
}()

type strip struct {
	limit uint64
	width float64
	inner float32 // the curve at its edge
}

// single is x in the precision that NormFloat64 keeps its widths in.
func single(x float64) float64 { return float64(float32(x)) }

// fill fills dst with the next numbers.
func (n *normals) fill(dst []float64) {
	state := *n.source
	for i := 0; i < len(dst); {
		after := state.next()
		u := after.out()
		j, which := int64(int32(u)), u>>32&127
		sign, s := j>>63, &strips[which]
		x := float64(j) * s.width
		switch {
		case uint64((j^sign)-sign) < s.limit:
			dst[i], state = x, after
			i++
		case which > 0: // beside the rectangle: x counts if a second number is below the curve
			state = after.next()
			if y := float64(state.out()<<11>>11) / (1 << 53); s.inner+float32(y)*(strips[which-1].inner-s.inner) < float32(math.Exp(-0.5*x*x)) {
				dst[i] = x
				i++
			}
		default:
			*n.source = state
			dst[i] = n.random.NormFloat64()
			state = *n.source
			i++
		}
	}
	*n.source = state
}
