package figure

import (
	"bytes"
	"encoding/xml"
	"image/color"
	"image/png"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/image/font/sfnt"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"

	"tonepose/cmd/tonepose/internal/files"
)

func labelled(ticks []plot.Tick) (texts []string) {
	for _, t := range ticks {
		if t.Label != "" {
			texts = append(texts, t.Label)
		}
	}
	return texts
}

func TestTicks(t *testing.T) {
	for _, c := range []struct {
		ticker plot.Ticker
		lo, hi float64
		want   string
	}{
		{linearTicks{}, 0, 1, "0.0|0.2|0.4|0.6|0.8|1.0"},
		{linearTicks{}, -0.3, 0.3, "−0.2|0.0|0.2"},
		{linearTicks{unit: 1e-3}, -0.15, 0.1, "−150|−100|−50|0|50|100"},
		{linearTicks{count: 3}, 4.0001, 4.0004, "4.0001|4.0002|4.0003|4.0004"},
		{linearTicks{unit: 1e3, count: 4}, 0, 50e3, "0|20|40"},
		{linearTicks{}, 2, 2, ""},
		{linearTicks{}, math.NaN(), 1, ""},
		{logTicks{}, 1e-9, 2e-6, "1 n|10 n|100 n|1 µ"},
		{logTicks{}, 1e-5, 1e-4, "10 µ|20 µ|50 µ|100 µ"},
		{logTicks{}, 10, 50e3, "10|100|1 k|10 k"},
		{logTicks{plain: true}, 0.01, 1, "0.01|0.02|0.05|0.1|0.2|0.5|1"},
		{logTicks{unit: 1e-3, plain: true}, 1e-5, 1e-3, "0.01|0.02|0.05|0.1|0.2|0.5|1"},
		{logTicks{plain: true}, 1e-7, 1e-4, "1e-07|1e-06|1e-05|0.0001"},
		{logTicks{}, 2.1, 3.9, "2.5|3.0|3.5"},
		{logTicks{}, 0, 1, ""},
	} {
		ticks := c.ticker.Ticks(c.lo, c.hi)
		if have := strings.Join(labelled(ticks), "|"); have != c.want {
			t.Errorf("%#v from %g to %g: %s, want %s", c.ticker, c.lo, c.hi, have, c.want)
		}
		for _, tick := range ticks {
			// The library drops ticks beyond the range.
			if tick.Value < c.lo || tick.Value > c.hi {
				t.Errorf("%#v: tick %g outside %g to %g", c.ticker, tick.Value, c.lo, c.hi)
			}
		}
	}
}

// SI Brochure, 9th edition (2019), table 7.
func TestPrefixes(t *testing.T) {
	for v, want := range map[float64]string{1e-15: "f", 3e-12: "p", 1e-9: "n", 999e-9: "n", 1e-6: "µ", 0.02: "m", 1: "", 999: "", 1e3: "k", -2e6: "M", 5e9: "G", 1e13: "T"} {
		unit, have := prefixOf(v)
		if have != want || math.Abs(v)/unit >= 1000 && have != "T" {
			t.Errorf("%g: %q, want %q", v, have, want)
		}
	}
	if unit, prefix := prefixOf(0); unit != 1 || prefix != "" {
		t.Errorf("0: %g %q", unit, prefix)
	}
}

// A curve and its decimated self reach the same extremes in every column.
func TestDecimateKeepsExtremes(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	const n, columns = 5000, 50
	x, y := make([]float64, n), make([]float64, n)
	for i := range x {
		x[i] = columns * float64(i) / n
		y[i] = random.NormFloat64()
	}
	y[1234], y[4321] = math.NaN(), math.NaN()
	lines := decimate(x, y, 0, 1)
	if len(lines) != 3 {
		t.Errorf("%d lines from two gaps", len(lines))
	}
	kept := slices.Concat(lines...)
	if !slices.IsSorted(kept) || len(kept) > 4*(columns+2) {
		t.Errorf("%d points, in order: %v", len(kept), slices.IsSorted(kept))
	}
	extremes := func(points []int) (lo, hi [columns]float64) {
		for _, i := range points {
			if c := int(x[i]); !math.IsNaN(y[i]) {
				lo[c], hi[c] = min(lo[c], y[i]), max(hi[c], y[i])
			}
		}
		return lo, hi
	}
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	lo, hi := extremes(all)
	klo, khi := extremes(kept)
	if lo != klo || hi != khi {
		t.Error("an extreme was lost")
	}
	if few := decimate([]float64{1, 2, 3}, []float64{4, 5, 6}, 0, 0.1); !cmp.Equal(few, [][]int{{0, 1, 2}}) {
		t.Errorf("sparse points: %v", few)
	}
}

func TestSpread(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 2))
	for range 300 {
		n := 1 + random.IntN(12)
		centres, widths := make([]vg.Length, n), make([]vg.Length, n)
		for i := range centres {
			centres[i] = vg.Length(500 * random.Float64())
			widths[i] = vg.Length(5 + 30*random.Float64())
		}
		slices.Sort(centres)
		placed := spread(centres, widths, 0, 500)
		apart := func(p []vg.Length) bool {
			ok := p[0]-widths[0]/2 >= -1e-9 && p[n-1]+widths[n-1]/2 <= 500+1e-9
			for i := 1; i < n; i++ {
				ok = ok && p[i]-p[i-1] >= (widths[i]+widths[i-1])/2-1e-9
			}
			return ok
		}
		cost := func(p []vg.Length) (sum float64) {
			for i := range p {
				sum += float64((p[i] - centres[i]) * (p[i] - centres[i]))
			}
			return sum
		}
		if !apart(placed) {
			t.Fatalf("labels overlap or leave: %v, widths %v", placed, widths)
		}
		// The problem is convex: no small move that keeps apart may cost less.
		for range 200 {
			other := slices.Clone(placed)
			i := random.IntN(n)
			j := i + 1 + random.IntN(n-i)
			move := vg.Length(random.NormFloat64() * 0.1)
			for k := i; k < j; k++ {
				other[k] += move
			}
			if apart(other) && cost(other) < cost(placed)-1e-6 {
				t.Fatalf("%v costs less than %v", other, placed)
			}
		}
	}
	if have := spread([]vg.Length{10, 200}, []vg.Length{20, 20}, 0, 500); !cmp.Equal(have, []vg.Length{10, 200}) {
		t.Errorf("labels with room moved: %v", have)
	}
}

// L* of the sRGB primaries: Lindbloom, RGB/Lab calculator, D65: red 53.24,
// green 87.73, blue 32.30; from memory.
func TestBrightness(t *testing.T) {
	for c, want := range map[color.NRGBA]float64{
		rgb(0x000000): 0, rgb(0xffffff): 100, rgb(0xff0000): 53.24, rgb(0x00ff00): 87.73, rgb(0x0000ff): 32.30,
	} {
		if have := brightness(c); math.Abs(have-want) > 0.01 {
			t.Errorf("%v: L* %.2f, want %.2f", c, have, want)
		}
	}
}

// What makes a sequential map readable, in grey too: brightness rises all the
// way. Even means here: no tenth has less than half of the mean rise.
func TestColorMapsRiseEvenly(t *testing.T) {
	for name, m := range map[string]ColorMap{"viridis": Viridis, "cividis": Cividis} {
		mean := (brightness(m.At(1)) - brightness(m.At(0))) / 10
		for k := range 10 {
			rise := brightness(m.At(float64(k+1)/10)) - brightness(m.At(float64(k)/10))
			if rise < mean/2 || rise > mean*1.5 {
				t.Errorf("%s: L* rises by %.1f in tenth %d, on average by %.1f", name, rise, k, mean)
			}
		}
	}
	for k := range 50 { // the signed map darkens alike on both sides
		a, b := brightness(signed.At(0.5+float64(k)/100)), brightness(signed.At(0.5-float64(k)/100))
		if math.Abs(a-b) > 8 {
			t.Errorf("signed map at ±%.2f: L* %.0f and %.0f", float64(k)/50, a, b)
		}
	}
	if signed.At(-3) != blue || signed.At(7) != vermillion || signed.At(math.NaN()) == signed.At(0.5) {
		t.Error("ends or missing value of the signed map")
	}
}

// Every character that a figure prints must have a glyph: the library drops
// others without a word.
func TestFontHasEveryGlyph(t *testing.T) {
	face := font.DefaultCache.Lookup(lettering(9, ink, 0, 0).Font, 9)
	var buffer sfnt.Buffer
	for _, r := range "0123456789 abcxyz/()µ−–√²·×%°ΩTGMkmnpf" {
		if at, err := face.Face.GlyphIndex(&buffer, r); err != nil || at == 0 {
			t.Errorf("no glyph for %q", r)
		}
	}
}

func TestNumbers(t *testing.T) {
	for _, c := range []struct{ have, want string }{
		{number(-0.001, 2), "0.00"}, {number(-0.006, 2), "−0.01"}, {number(1200, 0), "1200"},
		{significant(0.1234, 3), "0.12"}, {significant(-12.34, 3), "−12.3"}, {significant(999.9, 3), "1000"}, {significant(0, 3), "0.00"},
	} {
		if c.have != c.want {
			t.Errorf("%q, want %q", c.have, c.want)
		}
	}
}

func TestSave(t *testing.T) {
	dir := t.TempDir()
	f := Matrix(MatrixData{Title: "One", Rows: []string{"e1"}, Columns: []string{"rx1"}, Value: []float64{1e-9}, Quantity: "coupling", Unit: "H"})
	to, err := files.Into(dir, false)
	if err != nil {
		t.Fatal(err)
	}
	defer to.Abort()
	for _, name := range []string{"f.png", "F.SVG"} {
		if err := f.Save(to, name); err != nil {
			t.Fatal(err)
		}
	}
	if err := to.Commit(); err != nil {
		t.Fatal(err)
	}
	for name, begin := range map[string]string{"f.png": "\x89PNG", "F.SVG": "<?xml"} {
		if text, err := os.ReadFile(filepath.Join(dir, name)); err != nil || !strings.HasPrefix(string(text), begin) {
			t.Errorf("%s begins with %.5q, %v", name, text, err)
		}
	}
	data, err := os.ReadFile(filepath.Join(dir, "f.png"))
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if want := int(math.Round(f.width.Dots(pngDPI))); img.Bounds().Dx() != want {
		t.Errorf("%d pixels wide, want %d", img.Bounds().Dx(), want)
	}
	if err := f.Save(&files.Batch{}, filepath.Join(dir, "f.pdf")); err == nil || !strings.Contains(err.Error(), "must be png or svg") {
		t.Errorf("pdf: %v", err)
	}
}

// The same data give the same bytes, so that a figure can be kept under version
// control; and the SVG is well-formed.
func TestBytesAreStable(t *testing.T) {
	for _, draw := range []func() *Figure{
		func() *Figure { return Path(inventedBench(100, 1e-3)) },
		func() *Figure { return Spectrum(inventedSpectrum(500, 100e3)) },
		func() *Figure { return Accuracy(inventedAccuracy(100, 1)) },
	} {
		var first, second bytes.Buffer
		if err := draw().Write(&first, "svg"); err != nil {
			t.Fatal(err)
		}
		if err := draw().Write(&second, "svg"); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(first.Bytes(), second.Bytes()) {
			t.Error("two drawings differ")
		}
		if strings.Contains(first.String(), "NaN") {
			t.Error("a coordinate is NaN")
		}
		decoder := xml.NewDecoder(&first)
		for {
			if _, err := decoder.Token(); err == io.EOF {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
	}
}
