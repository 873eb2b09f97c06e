package fieldmodels_test

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
)

// The loop in 300-bit arithmetic, by other formulas than the package's: Simpson
// et al. (2001) with K and E, these by the arithmetic-geometric mean, the
// derivatives by central differences with steps of 1e-25 (error 1e-50).

const exactBits = 300

func exact(x float64) *big.Float { return new(big.Float).SetPrec(exactBits).SetFloat64(x) }

func add(a, b *big.Float) *big.Float { return new(big.Float).SetPrec(exactBits).Add(a, b) }
func sub(a, b *big.Float) *big.Float { return new(big.Float).SetPrec(exactBits).Sub(a, b) }
func mul(a, b *big.Float) *big.Float { return new(big.Float).SetPrec(exactBits).Mul(a, b) }
func quo(a, b *big.Float) *big.Float { return new(big.Float).SetPrec(exactBits).Quo(a, b) }
func root(a *big.Float) *big.Float   { return new(big.Float).SetPrec(exactBits).Sqrt(a) }

// exactKE returns K/π and E/π for 1−k² = kc2 (Abramowitz and Stegun, 17.6.3, 17.6.4).
func exactKE(kc2 *big.Float) (k, e *big.Float) {
	a, b := exact(1), root(kc2)
	sum := quo(sub(exact(1), kc2), exact(2))
	for w := 1.0; ; w *= 2 {
		c := quo(sub(a, b), exact(2))
		a, b = quo(add(a, b), exact(2)), root(mul(a, b))
		c2 := mul(c, c)
		sum = add(sum, mul(exact(w), c2))
		if f, _ := c2.Float64(); f < 1e-90 {
			break
		}
	}
	k = quo(exact(0.5), a)
	return k, mul(k, sub(exact(1), sum))
}

// exactLoop returns B_x and B_z times 2/μ0 at (x, 0, z), x > 0.
func exactLoop(a, x, z *big.Float) (bx, bz *big.Float) {
	a2, x2, z2 := mul(a, a), mul(x, x), mul(z, z)
	far := add(mul(add(a, x), add(a, x)), z2)
	near := add(mul(sub(a, x), sub(a, x)), z2)
	k, e := exactKE(quo(near, far))
	inv := quo(exact(1), root(far))
	r2 := add(x2, z2)
	bz = mul(inv, add(k, mul(e, quo(sub(a2, r2), near))))
	bx = mul(mul(quo(z, x), inv), sub(mul(e, quo(add(a2, r2), near)), k))
	return bx, bz
}

func TestLoopExact(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	a := 0.035
	loop := fieldmodels.Loop{Radius: a, Turns: 1}
	number := func(v *big.Float) float64 { f, _ := v.Float64(); return f * fieldmodels.Mu0 / 2 }
	var worst, worstAxis, worstJ float64
	for i := range 600 {
		var x, z float64
		angle := math.Pi * rng.Float64()
		sin, cos := math.Sincos(angle)
		switch i % 3 {
		case 0: // anywhere, to a million radii
			r := a * math.Pow(10, -3+9*rng.Float64())
			x, z = r*sin, r*cos
		case 1: // round the wire, down to 1e-8 radii
			d := a * math.Pow(10, -8*rng.Float64())
			angle *= 2
			x, z = math.Abs(a+d*math.Sin(angle)), d*math.Cos(angle)
		case 2: // by the axis
			x, z = a*math.Pow(10, -12*rng.Float64()), 3*a*cos
		}
		bx, bz := exactLoop(exact(a), exact(x), exact(z))
		want := r3.Vec{X: number(bx), Z: number(bz)}
		got, j, err := loop.Gradient(r3.Vec{X: x, Z: z})
		if err != nil {
			t.Fatal(err)
		}
		// Roundings of the formula, times what the logarithm K ≤ 21 at the wire
		// takes from 2−σ = 4/K.
		e := r3.Norm(r3.Sub(got, want)) / r3.Norm(want)
		worst = math.Max(worst, e)
		if e > 1e-14 {
			t.Errorf("x = %g, z = %g: B off by %.1e", x, z, e)
		}
		// By the axis B_x is small, and exact in itself all the same.
		if e := math.Abs(got.X/want.X - 1); want.X != 0 {
			worstAxis = math.Max(worstAxis, e)
			if e > 1e-14 {
				t.Errorf("x = %g, z = %g: B_x off by %.1e of itself", x, z, e)
			}
		}
		h := mul(exact(1e-25), root(add(mul(exact(x), exact(x)), mul(exact(z), exact(z)))))
		if d := math.Hypot(x-a, z); d < x {
			h = mul(exact(1e-25), exact(d))
		}
		if i%3 == 2 {
			h = mul(exact(1e-25), exact(x))
		}
		slope := func(dx, dz *big.Float) (float64, float64) {
			px, pz := exactLoop(exact(a), add(exact(x), dx), add(exact(z), dz))
			mx, mz := exactLoop(exact(a), sub(exact(x), dx), sub(exact(z), dz))
			h2 := add(add(dx, dx), add(dz, dz))
			return number(quo(sub(px, mx), h2)), number(quo(sub(pz, mz), h2))
		}
		var wantJ fieldmodels.Jacobian
		wantJ[0][0], wantJ[2][0] = slope(h, exact(0))
		wantJ[0][2], wantJ[2][2] = slope(exact(0), h)
		wantJ[1][1] = want.X / x
		scale := norm(wantJ)
		for r := range j {
			for c := range j[r] {
				j[r][c] -= wantJ[r][c]
			}
		}
		e = norm(j) / scale
		worstJ = math.Max(worstJ, e)
		if e > 2e-14 {
			t.Errorf("x = %g, z = %g: J off by %.1e", x, z, e)
		}
	}
	t.Logf("worst: B %.1e, B_x %.1e of itself, J %.1e", worst, worstAxis, worstJ)
}
