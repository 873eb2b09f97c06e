package synth

import (
	"math"
	"math/rand/v2"
)

// normals draws the normal numbers that rand.Rand.NormFloat64 draws from a PCG, in half
// the time: what 99 % of them take is here, without a call through an interface.
type normals struct {
	source *rand.PCG
	random *rand.Rand // of the same source
}

func newNormals(seed, purpose uint64) *normals {
	source := rand.NewPCG(seed, purpose*0x9e3779b97f4a7c15+1)
	return &normals{source, rand.New(source)}
}

// The strips of equal area under e^(−x²/2) that a normal number is drawn from: below its
// limit, a number of 31 bits lies within a strip's rectangle, and its width makes it x.
//
// Source: Marsaglia and Tsang, The Ziggurat Method for Generating Random Variables,
// Journal of Statistical Software 5(8), 2000, whose constants these are.
var stripLimit, stripWidth = func() (limit [128]uint32, width [128]float64) {
	const edge, area, unit = 3.442619855899, 9.91256303526217e-3, 1 << 31
	height := func(x float64) float64 { return math.Exp(-0.5 * x * x) }
	x, outer := edge, edge
	base := area / height(x) // the lowest strip has the tail beside it
	limit[0], width[0], width[127] = uint32(x/base*unit), single(base/unit), single(x/unit)
	for i := 126; i >= 1; i-- {
		x = math.Sqrt(-2 * math.Log(area/x+height(x)))
		limit[i+1], outer = uint32(x/outer*unit), x
		width[i] = single(x / unit)
	}
	return limit, width
}()

// single is x in the precision that NormFloat64 keeps its widths in.
func single(x float64) float64 { return float64(float32(x)) }

// next is the next number.
func (n *normals) next() float64 {
	before := *n.source
	u := n.source.Uint64()
	j, strip := int32(u), u>>32&127
	size := uint32(j)
	if j < 0 {
		size = -size
	}
	if size < stripLimit[strip] {
		return float64(j) * stripWidth[strip]
	}
	*n.source = before
	return n.random.NormFloat64()
}
