package lines

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"unsafe"

	"tonepose/fieldmodels/variant/varianttest"
)

func TestMain(m *testing.M) { varianttest.Main(m) }

// guard is what surrounds an output, to see that nothing writes beside it.
var guard = math.Float64frombits(0x7ff8dead00000001)

// Sums of up to 24 products and what was there, in any order: 2·25·2⁻⁵³ of the sum of
// their sizes.
func TestLinesMatchGo(t *testing.T) {
	varianttest.Each(t, kernel, func(t *testing.T) {
		r := rand.New(rand.NewPCG(1, 1))
		random := func(n int) []Line {
			l := make([]Line, n)
			for i := range l {
				for k := range l[i] {
					l[i][k] = r.NormFloat64()
				}
			}
			return l
		}
		for rows := range Width + 1 {
			for terms := range Width + 1 {
				for _, how := range []string{"product", "transposed", "rows"} {
					by, from, before := random(Width), random(terms), random(rows+2)
					for k := range before[0] {
						before[0][k], before[rows+1][k] = guard, guard
					}
					got := append([]Line(nil), before...)
					switch how {
					case "product":
						AddProduct(got[1:rows+1], by, from)
					case "transposed":
						AddTransposed(got[1:rows+1], by, from)
					case "rows":
						AddRows(got[1:rows+1], unsafe.Slice(&by[0][0], len(by)*Width), Width, from)
					}
					for i := range got {
						for j, v := range got[i] {
							if i == 0 || i == rows+1 {
								if math.Float64bits(v) != math.Float64bits(guard) {
									t.Fatalf("%d rows, %d terms: written beside the output", rows, terms)
								}
								continue
							}
							want, size := before[i][j], math.Abs(before[i][j])
							for k := range from {
								f := by[i-1][k]
								if how == "transposed" {
									f = by[k][i-1]
								}
								want += f * from[k][j]
								size += math.Abs(f * from[k][j])
							}
							if math.Abs(v-want) > 2*25*0x1p-53*size {
								t.Fatalf("%d rows, %d terms, %s: entry %d, %d is %g, want %g", rows, terms, how, i-1, j, v, want)
							}
						}
					}
				}
			}
		}
	})
}

func BenchmarkLines(b *testing.B) {
	for _, n := range []struct{ rows, terms int }{{1, 9}, {18, 6}, {18, 18}} {
		b.Run(fmt.Sprintf("rows=%d/terms=%d", n.rows, n.terms), func(b *testing.B) {
			to, by, from := make([]Line, n.rows), make([]Line, 18), make([]Line, n.terms)
			for b.Loop() {
				AddProduct(to, by, from)
			}
			b.ReportMetric(float64(n.rows*n.terms*Width)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mproducts/s")
		})
	}
}
