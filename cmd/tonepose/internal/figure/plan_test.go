package figure

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/figure/colour"
)

// inventedSlices rises as a power of the distance from a board below.
func inventedSlices(power float64) SlicesData {
	d := SlicesData{Title: "Predicted position error of probe", Note: "invented data", Quantity: "rms position error", Unit: "m",
		Min: r3.Vec{X: -0.15, Y: -0.15, Z: 0.03}, Max: r3.Vec{X: 0.15, Y: 0.15, Z: 0.3}, Wanted: 1e-4}
	for axis := range 3 {
		s := Slice{Columns: 25, Rows: 23, At: 0.01}
		for j := range s.Rows {
			for i := range s.Columns {
				a, b := float64(i)/24-0.5, float64(j)/22
				r := math.Hypot(a*1.2, b+0.3)
				if axis == 2 {
					r = 0.7 + 0.3*math.Sin(5*a)*math.Cos(4*b)
				}
				v := 2e-4 * math.Pow(r, power)
				if axis == 0 && a > 0.4 && b > 0.8 {
					v = math.Inf(1)
				}
				s.Value = append(s.Value, v)
			}
		}
		d.Slices[axis] = s
	}
	return d
}

// Slices are to one scale, with their contours named; where there is no value they are
// grey.
func TestSlices(t *testing.T) {
	d := inventedSlices(4)
	m := look(t, "slices", Slices(d))
	for _, text := range []string{"x = 10 mm", "y = 10 mm", "z = 10 mm", "100 µm", "wanted: 100 µm", "blind", "rms position error (µm)"} {
		m.word(text)
	}
	if len(m.images) != 3 {
		t.Fatalf("%d pictures", len(m.images))
	}
	x, z := m.across(0, "−100", "100", false), m.up(0, "100", "200", false)
	if a, b := x.at(1)-x.at(0), z.at(1)-z.at(0); abs(a/b-1) > 0.02 {
		t.Errorf("a millimetre is %.3f points across and %.3f up", a, b)
	}
	// 2e-4·r⁴ = 1e-4 at r = 0.8409; on the slice's middle, b + 0.3 = r, and b is from 30 to 300 mm.
	if !m.passes(colour.Black, x.at(0), z.at(30+270*(math.Pow(0.5, 0.25)-0.3))) {
		t.Error("the contour of 100 µm is not where the values are")
	}
	if !m.passes(colour.Black, x.at(0), z.at(30+270*(math.Pow(0.05, 0.25)-0.3))) {
		t.Error("the contour of 10 µm is not where the values are")
	}
	look(t, "slices-narrow", Slices(inventedSlices(0.2))).word("180 µm")
	long := inventedSlices(2)
	long.Max.X = 2
	look(t, "slices-long", Slices(long)).word("2000")
	look(t, "slices-empty", Slices(SlicesData{Title: "Nothing", Max: r3.Vec{X: 1, Y: 1, Z: 1}, Unit: "m"})).word("1000")
}

// A contour of a function that is exact for the interpolation, ln v linear in the
// column, is a straight line where it should be; its length is the panel's.
func TestContour(t *testing.T) {
	s := Slice{Columns: 11, Rows: 6}
	for range s.Rows {
		for i := range s.Columns {
			s.Value = append(s.Value, math.Exp(float64(i)))
		}
	}
	length := 0.0
	for _, l := range s.contour(math.Exp(3.3)) {
		if math.Abs(l[0]-3.3) > 1e-12 || math.Abs(l[2]-3.3) > 1e-12 {
			t.Errorf("segment %v leaves the column 3.3", l)
		}
		length += math.Abs(l[3] - l[1])
	}
	if math.Abs(length-5) > 1e-12 {
		t.Errorf("length %g, want 5", length)
	}
	// A circle: radius from the level within the grid's sagitta, length 2πr.
	s = Slice{Columns: 41, Rows: 41}
	for j := range s.Rows {
		for i := range s.Columns {
			s.Value = append(s.Value, math.Exp(math.Hypot(float64(i)-20, float64(j)-20)))
		}
	}
	length = 0
	for _, l := range s.contour(math.Exp(12.4)) {
		length += math.Hypot(l[2]-l[0], l[3]-l[1])
		if r := math.Hypot(l[0]-20, l[1]-20); math.Abs(r-12.4) > 1.0/8/12.4 {
			t.Errorf("radius %g", r)
		}
	}
	if math.Abs(length/(2*math.Pi*12.4)-1) > 0.003 {
		t.Errorf("circumference %g", length)
	}
	// A saddle has two segments, one level on either side of the mean joining
	// other corners.
	saddle := Slice{Columns: 2, Rows: 2, Value: []float64{math.E, 1, 1, math.E}}
	for level, joined := range map[float64]bool{0.4: true, 0.6: false} {
		lines := saddle.contour(math.Exp(level))
		if len(lines) != 2 {
			t.Fatalf("%d segments", len(lines))
		}
		for _, l := range lines { // around the low corners when the middle is high
			mid := [2]float64{(l[0] + l[2]) / 2, (l[1] + l[3]) / 2}
			lowCorner := (mid[0] > 0.5) != (mid[1] > 0.5)
			if lowCorner != joined {
				t.Errorf("level %g: segment about %v", level, mid)
			}
		}
	}
}

func TestContourLevels(t *testing.T) {
	for _, c := range [][2]float64{{1e-6, 1e-2}, {1e-5, 9e-5}, {1e-5, 3e-5}, {2.1e-5, 2.4e-5}} {
		n := len(contourLevels(c[0], c[1]))
		if n > 20 || n < 1 {
			t.Errorf("%v: %d levels", c, n)
		}
	}
}

func TestWindows(t *testing.T) {
	d := WindowsData{Title: "Accuracy against window length", Note: "invented data", MedianName: "median over the working volume", OtherName: "95 % of the poses are better", Planned: 0.04, Wanted: 1e-4}
	for _, w := range []float64{1e-3, 1e-2, 0.1, 1, 2} {
		d.Window = append(d.Window, w)
		d.PositionMedian = append(d.PositionMedian, 8e-6/math.Sqrt(w))
		d.PositionP95 = append(d.PositionP95, 2.5e-5/math.Sqrt(w))
		d.RotationMedian = append(d.RotationMedian, 8e-5/math.Sqrt(w))
		d.RotationP95 = append(d.RotationP95, 2e-4/math.Sqrt(w))
	}
	m := look(t, "windows", Windows(d))
	x, y := m.across(0, "10", "100", true), m.up(0, "10", "100", true)
	for i, w := range d.Window[1:4] { // in ms and µm
		if !m.passes(colour.Blue, x.at(1e3*w), y.at(1e6*d.PositionMedian[i+1])) || !m.passes(colour.Purple, x.at(1e3*w), y.at(1e6*d.PositionP95[i+1])) {
			t.Errorf("no curves at %g s", w)
		}
	}
	if !m.passes(colour.Black, x.at(50), y.at(100)) || !m.passes(colour.SoftInk, x.at(40), y.at(30)) {
		t.Error("what is wanted or planned is not marked")
	}
	m.word("window (ms)")
	m.word("orientation error (°)")
	m = look(t, "windows-empty", Windows(WindowsData{}))
	m.word("window (ms)")
	m.lacks("wanted", "planned window")
}

// The working volume's edges and the coils stand where they are, those before pale and
// without names.
func TestBench(t *testing.T) {
	d := inventedBench(3, 0)
	b := BenchData{Title: "Bench", Note: "invented data", Emitters: d.Emitters, Min: r3.Vec{X: -0.15, Y: -0.15, Z: 0.05}, Max: r3.Vec{X: 0.15, Y: 0.15, Z: 0.3}}
	m := look(t, "bench", Bench(b))
	x, y := m.across(0, "−100", "100", false), m.up(0, "−100", "100", false)
	for _, at := range [][2]float64{{-150, 40}, {60, 150}} {
		if !m.passes(colour.Blue, x.at(at[0]), y.at(at[1])) {
			t.Errorf("no edge of the working volume at %v", at)
		}
	}
	e := &d.Emitters[2]
	if p := r3.Scale(1e3, e.Outline[5]); !m.passes(colour.SoftInk, x.at(p.X), y.at(p.Y)) {
		t.Error("an outline is not drawn where the coil is")
	}
	named := len(m.find("e3"))
	for _, e := range d.Emitters {
		e.Outline = append([]r3.Vec{}, e.Outline...)
		for i := range e.Outline {
			e.Outline[i].X += 0.02
		}
		b.Before = append(b.Before, e)
	}
	m = look(t, "bench-moved", Bench(b))
	x, y = m.across(0, "−100", "100", false), m.up(0, "−100", "100", false)
	if p := r3.Scale(1e3, b.Before[2].Outline[5]); !m.passes(colour.Pale(colour.Orange), x.at(p.X), y.at(p.Y)) {
		t.Error("what was before is not drawn")
	}
	if n := len(m.find("e3")); n < 2 || n > named {
		t.Errorf("e3 is named %d times, without what was before %d", n, named)
	}
	m.word("before")
	look(t, "bench-empty", Bench(BenchData{Title: "Nothing"})).word("working volume")
}
