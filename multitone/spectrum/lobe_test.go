package spectrum

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"tonepose/multitone/window"
)

func lobeOf(t *testing.T, name string, size int) *lobe {
	t.Helper()
	taper, err := window.ByName(name)
	if err != nil {
		t.Fatal(err)
	}
	return newLobe(taper, size)
}

// The lobe is the taper's transform, summed as it stands; a line's offset comes back
// from the ratio that it makes, within the search's 1e-9.
func TestLobe(t *testing.T) {
	for _, name := range []string{"hann", "blackman-harris"} {
		for _, size := range []int{16, 61, 130, 1 << 17} {
			l := lobeOf(t, name, size)
			n := len(l.taper)
			for _, f := range []float64{0, 0.3, 1, 2.7} {
				var want, sum float64
				for i, w := range l.taper {
					want += w * math.Cos(2*math.Pi*f*(float64(i)-float64(n-1)/2)/float64(n))
					sum += w
				}
				// n roundings of the sum, and as many of the turns.
				if got := l.at(f); math.Abs(got-want/sum) > 2*float64(n)*0x1p-52 {
					t.Errorf("%s of %d at %g: %g, want %g", name, size, f, got, want/sum)
				}
			}
			for x := 0.0; x <= 0.5; x += 1.0 / 64 {
				if got, _ := l.offset(l.at(1-x) / l.at(x)); math.Abs(got-x) > 2e-9 {
					t.Errorf("%s of %d: offset %g, want %g", name, size, got, x)
				}
			}
		}
	}
}

// The variance of a ratio is that of its definition, the products of g with itself.
func TestRatioVariance(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	l := lobeOf(t, "blackman-harris", 1024)
	n := len(l.taper)
	for range 20 {
		offset, top, next := 0.5*rng.Float64(), 1+rng.Float64(), 0.3+rng.Float64()
		g := make([]complex128, n)
		for i, w := range l.taper {
			u := 2 * math.Pi * (float64(i) - float64(n-1)/2) / float64(n)
			g[i] = complex(w, 0) * (cmplx.Rect(1/top, offset*u) - cmplx.Rect(1/next, (offset-1)*u))
		}
		var want, size float64
		add := func(shift int, times float64) {
			for i, v := range g[shift:] {
				want += times * real(v*cmplx.Conj(g[i]))
				size += math.Abs(times) * cmplx.Abs(v) * cmplx.Abs(g[i])
			}
		}
		add(0, 1)
		var overlaps []overlap
		for _, shift := range []int{n / 3, n / 2, 2 * n / 3} {
			o := overlap{shift: float64(shift) / float64(n), share: 0.9}
			o.products = l.products(o.shift)
			overlaps = append(overlaps, o)
			add(shift, 2*o.share)
		}
		const count = 100
		got := l.ratioVariance(offset, top, next, overlaps, count)
		want, size = max(0, want)/(2*l.power*count), size/(2*l.power*count)
		// Of each of n products a few roundings.
		if math.Abs(got-want) > 8*float64(n)*0x1p-53*size {
			t.Errorf("offset %g: %g, want %g", offset, got, want)
		}
	}
}
