package kernel

import (
	"math"
	"math/rand/v2"
	"testing"
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

// Each entry is a sum of fewer than 20 products whose own rounding is a few
// ulp; cancellation among them is measured by the largest entry of the row.
const rowTol = 64 * 0x1p-53

func TestDipoleRowsMatchGo(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for e := 1; e <= 4; e++ {
		for c := 1; c <= 5; c++ {
			emitters, coils := make([]Dipole, e), make([]Coil, c)
			points, data := make([]Point, c), make([]Datum, e*c)
			for i := range emitters {
				fill(r, emitters[i][:])
			}
			for i := range data {
				fill(r, data[i][:])
			}
			for i := range coils {
				fill(r, coils[i][:])
				for j := range points[i] {
					points[i][j] = r.NormFloat64()
				}
			}
			want, got := guarded(e*c), guarded(e*c)
			dipoleRowsManyGo(want[1:e*c+1], emitters, coils, data)
			DipoleRowsMany(got[1:], emitters, coils, data)
			checkGuards(t, got)
			compareRows(t, want[1:e*c+1], got[1:], emitters, c, data)
			dipoleRowsGo(want[1:e*c+1], emitters, points, data)
			DipoleRows(got[1:], emitters, points, data)
			checkGuards(t, got)
			compareRows(t, want[1:e*c+1], got[1:], emitters, c, data)
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
	r := rand.New(rand.NewPCG(2, 1))
	for n := 0; n <= 40; n++ {
		rows := make([]Row, n)
		for i := range rows {
			fill(r, rows[i][:])
		}
		var want, got, size Sum
		var wantVec, gotVec SumVec
		normalGo(&want, rows)
		Normal(&got, rows)
		accumulateGo(&wantVec, rows)
		Accumulate(&gotVec, rows)
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
			lanes := 0.0
			for l := range Lanes {
				if d := math.Abs(wantVec[k][l] - gotVec[k][l]); !(d <= tol) {
					t.Fatalf("%d rows, entry %d, lane %d: %g, Go %g", n, k, l, gotVec[k][l], wantVec[k][l])
				}
				lanes += gotVec[k][l]
			}
			if d := math.Abs(want[k] - lanes); !(d <= tol) {
				t.Fatalf("%d rows, entry %d: lanes sum to %g, Go %g", n, k, lanes, want[k])
			}
		}
	}
}
