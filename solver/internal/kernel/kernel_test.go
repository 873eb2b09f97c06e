package kernel

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/variant/varianttest"
)

func fill[T ~[]Vec](r *rand.Rand, v T) {
	for i := range v {
		for l := range v[i] {
			v[i][l] = r.NormFloat64()
		}
	}
}

// guard is what surrounds an output, to see that nothing writes beside it.
var guard = math.Float64frombits(0x7ff8dead00000001)

func guarded(n int) []Row {
	rows := make([]Row, n+2)
	for i := range Columns {
		for l := range Lanes {
			rows[0][i][l], rows[n+1][i][l] = guard, guard
		}
	}
	return rows
}

func checkGuards(t *testing.T, rows []Row) {
	t.Helper()
	for _, k := range []int{0, len(rows) - 1} {
		for i := range Columns {
			for l := range Lanes {
				if math.Float64bits(rows[k][i][l]) != math.Float64bits(guard) {
					t.Fatalf("row %d written beside the output", k-1)
				}
			}
		}
	}
}

func TestMain(m *testing.M) { varianttest.Main(m) }

// Each entry is a sum of fewer than 20 products whose own rounding is a few
// ulp; cancellation among them is measured by the largest entry of the row.
const rowTol = 64 * 0x1p-53

func TestDipoleRowsMatchGo(t *testing.T) {
	varianttest.Each(t, dipoleRowsKernel, func(t *testing.T) {
		testRows(t, func(r *rand.Rand, want, got []Row, emitters []Dipole, coils int, data []Datum) {
			points := make([]Point, coils)
			for i := range points {
				for j := range points[i] {
					points[i][j] = r.NormFloat64()
				}
			}
			dipoleRowsGo(want, emitters, points, data)
			DipoleRows(got, emitters, points, data)
		})
	})
}

func testRows(t *testing.T, both func(r *rand.Rand, want, got []Row, emitters []Dipole, coils int, data []Datum)) {
	r := rand.New(rand.NewPCG(1, 1))
	for e := 1; e <= 4; e++ {
		for c := 1; c <= 5; c++ {
			emitters, data := make([]Dipole, e), make([]Datum, e*c)
			for i := range emitters {
				fill(r, emitters[i][:])
			}
			for i := range data {
				fill(r, data[i][:])
			}
			want, got := make([]Row, e*c), guarded(e*c)
			both(r, want, got[1:], emitters, c, data)
			checkGuards(t, got)
			compareRows(t, want, got[1:], emitters, c, data)
		}
	}
}

func compareRows(t *testing.T, want, got []Row, emitters []Dipole, coils int, data []Datum) {
	t.Helper()
	for k := range want {
		for l := range Lanes {
			size := math.Abs(data[k][0][l] * data[k][1][l])
			for i := range Columns {
				size = math.Max(size, math.Abs(want[k][i][l]))
			}
			for i := range Columns {
				if d := math.Abs(want[k][i][l] - got[k][i][l]); !(d <= rowTol*size) {
					t.Fatalf("row %d column %d lane %d: %g, Go %g (row's size %g)", k, i, l, got[k][i][l], want[k][i][l], size)
				}
			}
		}
	}
}

func TestNormalMatchesGo(t *testing.T) {
	varianttest.Each(t, normalKernel, testNormal)
}

func testNormal(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 1))
	for n := 0; n <= 40; n++ {
		rows := make([]Row, n)
		for i := range rows {
			fill(r, rows[i][:])
		}
		var want, got, size Sum
		normalGo(&want, rows)
		Normal(&got, rows)
		for i := range Columns {
			for j := i; j < Columns; j++ {
				for k := range rows {
					for l := range Lanes {
						size[At(i, j)] += math.Abs(rows[k][i][l] * rows[k][j][l])
					}
				}
			}
		}
		// Sums of 8n products: 2·8n·2⁻⁵³·Σ|product|.
		for k := range want {
			tol := 16 * float64(n) * 0x1p-53 * size[k]
			if d := math.Abs(want[k] - got[k]); !(d <= tol) {
				t.Fatalf("%d rows, entry %d: %g, Go %g", n, k, got[k], want[k])
			}
		}
	}
}

func TestScoreMatchesGo(t *testing.T) {
	varianttest.Each(t, scoreKernel, testScore)
}

func testScore(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	for _, coils := range []int{1, 3} {
		for e := 4; e <= 13; e++ {
			for n := 1; n <= 5; n++ {
				field := make([]Vec, 3*e*n)
				fill(r, field)
				w, wy := make([]float64, e), make([]float64, e*coils)
				power := 0.0
				for i := range w {
					w[i] = 0.5 + r.Float64()
					for c := range coils {
						y := r.NormFloat64()
						wy[i*coils+c] = w[i] * y
						power += w[i] * y * y
					}
				}
				want, got := make([]Vec, n+2), make([]Vec, n+2)
				for l := range Lanes {
					got[0][l], got[n+1][l] = guard, guard
				}
				scoreGo(want[1:n+1], field, w, wy, coils, power)
				Score(got[1:n+1], field, w, wy, coils, power)
				for l := range Lanes {
					if got[0][l] == got[0][l] || got[n+1][l] == got[n+1][l] {
						t.Fatal("written beside the scores")
					}
				}
				for i := 1; i <= n; i++ {
					for l := range Lanes {
						// Reciprocals to 4e-9, magnified by the conditions of
						// random 3×3 matrices of four and more rows.
						if d := math.Abs(want[i][l] - got[i][l]); !(d <= 1e-6*(power+4)) {
							t.Fatalf("%d coils, %d emitters, block %d lane %d: %g, Go %g", coils, e, i, l, got[i][l], want[i][l])
						}
					}
				}
			}
		}
	}
}

// scoresOf gives n blocks with some NaN and infinities.
func scoresOf(r *rand.Rand, n int) []Vec {
	scores := make([]Vec, n)
	fill(r, scores)
	for i := range scores {
		scores[i][r.IntN(Lanes)] = math.NaN()
		scores[i][r.IntN(Lanes)] = math.Inf(1 - 2*(n%2))
	}
	return scores
}

func TestLeastMatchesGo(t *testing.T) {
	varianttest.Each(t, leastKernel, func(t *testing.T) {
		r := rand.New(rand.NewPCG(4, 1))
		for n := range 20 {
			scores := scoresOf(r, n)
			if want, got := leastGo(scores), Least(scores); want != got {
				t.Fatalf("%d blocks: least %g, Go %g", n, got, want)
			}
		}
	})
}

func TestBelowMatchesGo(t *testing.T) {
	varianttest.Each(t, belowKernel, func(t *testing.T) {
		r := rand.New(rand.NewPCG(4, 2))
		for n := range 20 {
			scores := scoresOf(r, n)
			want, got := make([]uint8, n+1), make([]uint8, n+1)
			for _, limit := range []float64{0.3, math.Inf(1), math.NaN()} {
				want[n], got[n] = 77, 77
				belowGo(want[:n], scores, limit)
				Below(got, scores, limit)
				for i := range want {
					if want[i] != got[i] {
						t.Fatalf("%d blocks, limit %g, block %d: %08b, Go %08b", n, limit, i, got[i], want[i])
					}
				}
			}
		}
	})
}

// A random normal matrix times the inverse and the solution from its
// factorisation give the identity and the right-hand side.
func TestFactor(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 1))
	for range 50 {
		rows := make([]Row, 3)
		for i := range rows {
			fill(r, rows[i][:])
		}
		var sum Sum
		Normal(&sum, rows)
		damping, gauge := r.Float64(), 5*r.Float64()
		u := [3]float64{r.NormFloat64(), r.NormFloat64(), r.NormFloat64()}
		var h, inv [6][6]float64
		for i := range 6 {
			for j := range 6 {
				h[i][j] = sum[At(min(i, j), max(i, j))]
				if i == j {
					h[i][j] *= 1 + damping
				}
				if i >= 3 && j >= 3 {
					h[i][j] += gauge * u[i-3] * u[j-3]
				}
			}
		}
		var f Factor
		low := f.Decompose(&sum, damping, Gauge{r3.Vec{X: u[0], Y: u[1], Z: u[2]}, gauge})
		if !(low > 0 && low < 1) {
			t.Fatalf("pivot ratio %g", low)
		}
		f.Inverse(&inv)
		b, x := [6]float64{}, [6]float64{}
		for i := range b {
			b[i] = r.NormFloat64()
		}
		f.Solve(&x, &b)
		// Conditions of such matrices stay below 1e3.
		for i := range 6 {
			s := -b[i]
			for j := range 6 {
				s += h[i][j] * x[j]
				p := 0.0
				for k := range 6 {
					p += h[i][k] * inv[k][j]
				}
				if i == j {
					p--
				}
				if math.Abs(p) > 1e-11 {
					t.Fatalf("H·H⁻¹ differs from 1 by %g at %d, %d", p, i, j)
				}
			}
			if math.Abs(s) > 1e-11 {
				t.Fatalf("H·x differs from b by %g", s)
			}
		}
	}
	// A column without weight is found.
	rows := make([]Row, 3)
	for i := range rows {
		fill(r, rows[i][:])
		rows[i][4] = rows[i][1]
	}
	var sum Sum
	Normal(&sum, rows)
	var f Factor
	if low := f.Decompose(&sum, 0, Gauge{}); low > 1e-14 {
		t.Fatalf("equal columns leave a pivot ratio of %g", low)
	}
}
