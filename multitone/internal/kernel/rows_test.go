package kernel

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"unsafe"

	"tonepose/fieldmodels/variant/varianttest"
)

func TestMain(m *testing.M) { varianttest.Main(m) }

// guard surrounds n elements with NaN, off by an odd place so that no vector
// is aligned; check fails if one of them was written.
func guard[T Real](t *testing.T, n int) (inside []T, check func()) {
	const margin = 67
	nan := T(math.NaN())
	all := make([]T, n+2*margin)
	for i := range all {
		all[i] = nan
	}
	inside = all[margin : margin+n : margin+n]
	clear(inside)
	return inside, func() {
		t.Helper()
		for i, v := range all {
			if (i < margin || i >= margin+n) && v == v {
				t.Fatalf("element %d of %d was written", i-margin, n)
			}
		}
	}
}

// epsilon is the unit roundoff of T.
func epsilon[T Real]() float64 {
	var zero T
	if _, ok := any(zero).(float32); ok {
		return 0x1p-24
	}
	return 0x1p-53
}

// Every variant of every loop against the definition summed in float64, for
// all lengths up to 129 and counts of channels that leave every remainder.
func TestSumsMatchTheDefinition(t *testing.T) {
	t.Run("float32", func(t *testing.T) { varianttest.Each(t, singlesKernel, testSums[float32]) })
	t.Run("float64", func(t *testing.T) { varianttest.Each(t, doublesKernel, testSums[float64]) })
}

func testSums[T Real](t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for length := 1; length <= 129; length++ {
		channels := 1 + (length*7)%34
		rows := 1 + (length*5)%27
		checkSums[T](t, length, rows, channels, rng)
		checkSums[T](t, length, 10, 1, rng) // these have loops of their own
		checkSums[T](t, length, 7, 4, rng)
	}
	for _, length := range []int{255, 256, 257, 385, 513, 1030} { // one run to some
		checkSums[T](t, length, 26, 31, rng)
		checkSums[T](t, length, 10, 1, rng)
		checkSums[T](t, length, 7, 4, rng)
	}
}

func checkSums[T Real](t *testing.T, length, rows, channels int, rng *rand.Rand) {
	t.Helper()
	r := New[T](length, rows, channels)
	var tableOK, foldOK func()
	r.table, tableOK = guard[T](t, len(r.table))
	r.fold, foldOK = guard[T](t, len(r.fold))
	even, odd := make([][]float64, rows), make([][]float64, rows)
	for i := range rows {
		even[i], odd[i] = make([]float64, r.Half()), make([]float64, r.Half())
		for n := range even[i] {
			// table values that T holds exactly: the test is of the sums
			even[i][n] = float64(T(rng.NormFloat64()))
			odd[i][n] = float64(T(rng.NormFloat64()))
		}
		at := r.Half() / 3
		r.Set(i, 0, even[i][:at], odd[i][:at])
		r.Set(i, at, even[i][at:], odd[i][at:])
	}
	counts := make([]int16, length*channels+3)[3:]
	floats, floatsOK := guard[float64](t, length*channels)
	for i := range counts {
		counts[i] = int16(rng.Uint32())
		if i%11 == 0 {
			counts[i] = -32768 // the sum of two does not fit 16 bits
		}
		floats[i] = float64(counts[i])
	}
	results, resultsOK := guard[float64](t, 2*r.Size())
	dst := complexes(results)
	for _, input := range []string{"int16", "float64"} {
		for i := range dst {
			dst[i] = complex(1, 1) // of an earlier block
		}
		if input == "int16" {
			r.Int16(dst, counts)
		} else {
			r.Float64(dst, floats)
		}
		up, down := length/2, (length-1)/2
		for c := range channels {
			for i := range rows {
				var e, o, sizeE, sizeO float64
				for n := range r.Half() {
					a, b := floats[(up+n)*channels+c], floats[(down-n)*channels+c]
					if length%2 == 1 && n == 0 {
						b = 0
					}
					e += even[i][n] * (a + b)
					sizeE += math.Abs(even[i][n] * (a + b))
					if !(length%2 == 1 && n == 0) {
						o += odd[i][n] * (a - b)
						sizeO += math.Abs(odd[i][n] * (a - b))
					}
				}
				// Of chain products each sum in T errs by at most chain roundings of
				// its size, and by one each time that two join, at most 2·joined times;
				// sums in float64, and the reference, by half as many of 2⁻⁵³ as
				// there are terms.
				eps := float64(chain+2*joined)*epsilon[T]() + 2*float64(length)*0x1p-53
				got := dst[r.Index(c, i)]
				if d := math.Abs(real(got) - e); !(d <= eps*sizeE) {
					t.Fatalf("%s: length %d, %d channels, %d rows: channel %d row %d: even %g, want %g", input, length, channels, rows, c, i, real(got), e)
				}
				if d := math.Abs(imag(got) - o); !(d <= eps*sizeO) {
					t.Fatalf("%s: length %d, %d channels, %d rows: channel %d row %d: odd %g, want %g", input, length, channels, rows, c, i, imag(got), o)
				}
			}
		}
	}
	tableOK()
	foldOK()
	floatsOK()
	resultsOK()
}

// The sum of full-scale products in float32 must not cost more than −140 dB of
// full scale: here a tone at full scale on every row that is itself rounded,
// in the worst case for roundings, a tone of a whole number of samples a period.
func TestSinglesAreWithin140dB(t *testing.T) {
	const length = 2048
	for level := range singlesKernel.Each() {
		for _, channels := range []int{1, 4, 12, 20} {
			worst := 0.0
			for _, period := range []float64{4, 8, 19.5122, 64, 333.3} {
				exact := New[float64](length, 16, channels)
				single := New[float32](length, 16, channels)
				cos, sin := make([]float64, length/2), make([]float64, length/2)
				for i, other := range []float64{1, 1.37} {
					row := 9 * i // of either group
					for n := range cos {
						u := float64(n) + 0.5
						w := (1 + math.Cos(2*math.Pi*u/length)) / length * 2
						s, c := math.Sincos(2 * math.Pi * u / period * other)
						cos[n], sin[n] = w*c, w*s
					}
					exact.Set(row, 0, cos, sin)
					single.Set(row, 0, cos, sin)
				}
				x := make([]int16, length*channels)
				for n := range length {
					for c := range channels {
						phase := 2 * math.Pi * (float64(n)/period + float64(c)/float64(channels))
						other := 2 * math.Pi * float64(n) / period * 1.37
						x[n*channels+c] = int16(math.Round(32000*math.Cos(phase) + 700*math.Cos(other)))
					}
				}
				want, got := make([]complex128, exact.Size()), make([]complex128, single.Size())
				exact.Int16(want, x)
				single.Int16(got, x)
				for c := range channels {
					for row := range 16 {
						d := got[single.Index(c, row)] - want[exact.Index(c, row)]
						worst = max(worst, math.Hypot(real(d), imag(d))/32768)
					}
				}
			}
			t.Logf("%s: %d channels: %.1f dB of full scale", level.Name, channels, 20*math.Log10(worst))
			if worst > 1e-7 {
				t.Errorf("%s: %d channels: error %.3g of full scale", level.Name, channels, worst)
			}
		}
	}
}

func TestSumsDoNotAllocate(t *testing.T) {
	r := New[float32](200, 9, 5)
	dst, x := make([]complex128, r.Size()), make([]int16, 200*5)
	if n := testing.AllocsPerRun(10, func() { r.Int16(dst, x) }); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkRows(b *testing.B) {
	for _, s := range []struct{ length, rows, channels int }{{1024, 16, 12}, {2048, 6, 4}, {2048, 32, 32}, {1333, 48, 12}} {
		for level := range singlesKernel.Each() {
			b.Run(fmt.Sprintf("n=%d/rows=%d/channels=%d/float32/impl=%s", s.length, s.rows, s.channels, level.Name), func(b *testing.B) {
				r := New[float32](s.length, s.rows, s.channels)
				benchRows(b, r)
			})
		}
		for level := range doublesKernel.Each() {
			b.Run(fmt.Sprintf("n=%d/rows=%d/channels=%d/float64/impl=%s", s.length, s.rows, s.channels, level.Name), func(b *testing.B) {
				r := New[float64](s.length, s.rows, s.channels)
				benchRows(b, r)
			})
		}
	}
}

func benchRows[T Real](b *testing.B, r *Rows[T]) {
	dst, x := make([]complex128, r.Size()), make([]int16, r.length*r.channels)
	b.SetBytes(int64(2 * len(x)))
	for b.Loop() {
		r.Int16(dst, x)
	}
	b.ReportMetric(float64(b.N)*float64(len(x))/b.Elapsed().Seconds()/1e6, "Mchsamples/s")
}

// complexes views pairs of floats as complex numbers.
func complexes(x []float64) []complex128 {
	return unsafe.Slice((*complex128)(unsafe.Pointer(&x[0])), len(x)/2)
}
