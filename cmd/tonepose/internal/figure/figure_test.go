package figure

import (
	"fmt"
	"image/color"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/plot/vg"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/figure/colour"
)

// inventedAccuracy is a sensor that comes near at 1.5 s, n frames over 3 s.
func inventedAccuracy(n int, scale float64) AccuracyData {
	random := rand.New(rand.NewPCG(3, 4))
	d := AccuracyData{Title: "Error against prediction", Note: "invented data: pipe-bench, 10 ms windows", Freedoms: 6}
	length := func(k int, sigma float64) float64 {
		sum := 0.0
		for range k {
			v := sigma * random.NormFloat64()
			sum += v * v
		}
		return math.Sqrt(sum)
	}
	for i := range n {
		t := 3 * float64(i) / float64(n)
		sigma := 2e-5 * (1 + 3*(t-1.5)*(t-1.5)) * scale
		d.Time = append(d.Time, t)
		d.PositionSigma = append(d.PositionSigma, sigma*math.Sqrt(3))
		d.Position = append(d.Position, length(3, sigma))
		d.RotationSigma = append(d.RotationSigma, 8*sigma*math.Sqrt(3))
		d.Rotation = append(d.Rotation, length(3, 8*sigma))
		d.Normalised = append(d.Normalised, length(6, 1)/math.Sqrt(6))
	}
	for i := n / 3; i < n/3+n/20; i++ {
		d.Position[i], d.PositionSigma[i], d.Normalised[i] = math.NaN(), math.NaN(), math.NaN()
	}
	return d
}

// Errors and predictions stand at their times and sizes; what has no value leaves a gap.
func TestAccuracy(t *testing.T) {
	d := inventedAccuracy(300, 1)
	m := look(t, "accuracy", Accuracy(d))
	x, y := m.across(0, "1.0", "2.0", false), m.up(0, "10", "100", true)
	m.word("position error (µm)")
	m.word("orientation error (°)")
	for _, i := range []int{20, 150, 280} {
		if m.area(colour.Blue, x.at(d.Time[i]), y.at(1e6*d.Position[i])) == nil {
			t.Errorf("no dot at %.2f s and %.1f µm", d.Time[i], 1e6*d.Position[i])
		}
		if !m.passes(colour.Ink, x.at(d.Time[i]), y.at(1e6*d.PositionSigma[i])) {
			t.Errorf("the prediction does not pass %.1f µm at %.2f s", 1e6*d.PositionSigma[i], d.Time[i])
		}
	}
	if gap := x.at(d.Time[107]); m.passes(colour.Ink, gap, y.at(1e6*d.RotationSigma[107]/8)) {
		t.Error("the gap in the prediction is drawn over")
	}
	if n := m.dots(colour.Blue); n != 1+2*285+300 { // 15 rows have neither position nor ratio
		t.Errorf("%d dots", n)
	}
	// Chi-square of 6: 95 % lie between 1.237 and 14.449 (NIST/SEMATECH e-Handbook of Statistical
	// Methods, 1.3.6.7.4, recomputed).
	ratio := m.up(0, "0.5", "1.5", false)
	if b := m.area(colour.Band, x.at(0.5), ratio.at(1)); b == nil || abs(b.room().Max.Y-ratio.at(math.Sqrt(14.449/6))) > near || abs(b.room().Min.Y-ratio.at(math.Sqrt(1.237/6))) > near {
		t.Error("the band is not that of chi-square with 6 degrees of freedom")
	}
	d = inventedAccuracy(27, 50)
	d.Rotation = nil
	d.Normalised[5] = 40
	m = look(t, "accuracy-few", Accuracy(d))
	m.lacks("orientation error (°)")
	x, ratio = m.across(0, "1.0", "2.0", false), m.up(1, "1", "10", true) // of decades, as one fails
	if m.area(colour.Blue, x.at(d.Time[5]), ratio.at(40)) == nil {
		t.Error("the ratio of 40 is not drawn")
	}
	m = look(t, "accuracy-many", Accuracy(inventedAccuracy(50_000, 1e-3)))
	m.word("error: range, median darker")
	if n := m.dots(colour.Blue); n > 10 {
		t.Errorf("%d dots of a crowd", n)
	}
	look(t, "accuracy-empty", Accuracy(AccuracyData{Title: "Nothing", Position: []float64{}, Normalised: []float64{}})).word("error / predicted")
}

// A cell has its number, and the colour of its value between −hi and hi.
func TestMatrix(t *testing.T) {
	d := MatrixData{Title: "Couplings at 0.005 s", Note: "invented data: pipe-bench", Quantity: "coupling", Unit: "H",
		Columns: []string{"probe rx1", "probe rx2", "probe rx3"}}
	for i := range 8 {
		d.Rows = append(d.Rows, "e"+string(rune('1'+i)))
		for j := range 3 {
			d.Value = append(d.Value, 2.3e-9*math.Cos(float64(3*i+2*j))/float64(1+i))
		}
	}
	d.Value[7] = math.NaN()
	m := look(t, "matrix", Matrix(d))
	m.word("coupling (nH)")
	for row, column := range map[string]string{"e1": "probe rx1", "e2": "probe rx3", "e3": "probe rx2"} {
		i, j := slices.Index(d.Rows, row), slices.Index(d.Columns, column)
		v := d.Value[3*i+j]
		x, y := chart.Centre(m.word(column).room).X, chart.Centre(m.word(row).room).Y
		text, shade := strings.Replace(fmt.Sprintf("%.2f", 1e9*v), "-", "−", 1), colour.Signed.At(0.5+0.5*v/2.3e-9)
		if math.IsNaN(v) {
			text, shade = "–", colour.Signed.At(v)
		}
		cell := m.area(shade, x, y)
		if cell == nil || cell.room().Size().X < 30 {
			t.Errorf("%s, %s: no cell of its colour", row, column)
		}
		found := false
		for _, w := range m.find(text) {
			c := chart.Centre(w.room)
			found = found || abs(c.X-x) < 3 && abs(c.Y-y) < 3
		}
		if !found {
			t.Errorf("%s is not where row %s and column %s meet", text, row, column)
		}
	}
	wide := MatrixData{Title: "Twelve emitters, four sensors", Quantity: "coupling", Unit: "H"}
	for j := range 12 {
		wide.Columns = append(wide.Columns, "rx"+string(rune('a'+j)))
	}
	for i := range 12 {
		wide.Rows = append(wide.Rows, "emitter "+string(rune('A'+i)))
		for j := range 12 {
			wide.Value = append(wide.Value, 4e-7*math.Sin(float64(5*i*i+j*j)))
		}
	}
	m = look(t, "matrix-wide", Matrix(wide))
	m.word("emitter L")
	m.word("rxl")
}

func inventedSpectrum(n int, rate float64) SpectrumData {
	random := rand.New(rand.NewPCG(5, 6))
	d := SpectrumData{Title: "Spectrum of the moving recording", Note: "invented data: pipe-bench, Welch average, resolution 6 Hz", Unit: "V", MinHz: 10, MaxHz: rate / 2}
	for i := range 8 {
		d.Tones = append(d.Tones, Mark{5125 + 1375*float64(i), "e" + string(rune('1'+i))})
	}
	for h := 1; h <= 9; h += 2 {
		d.Mains = append(d.Mains, 50*float64(h))
	}
	for c := range 2 {
		ch := Channel{Name: []string{"rx1", "drive"}[c]}
		for i := range n {
			hz := rate / 2 * float64(i) / float64(n-1)
			if c == 0 {
				d.Hz = append(d.Hz, hz)
			}
			v := []float64{4e-8, 2e-6}[c] * math.Exp(0.15*random.NormFloat64()) * math.Sqrt(1+300/(hz+1))
			line := func(at, level float64) {
				if math.Abs(hz-at) < 1.5*rate/2/float64(n-1) {
					v += level
				}
			}
			for k, m := range d.Tones {
				line(m.Hz, []float64{2e-3, 0.2}[c]*(1+float64(k))/4)
			}
			for _, m := range d.Mains {
				line(m, 2e-5)
			}
			line(17230, 4e-5)
			line(10250, 6e-6)
			ch.Density = append(ch.Density, v)
		}
		d.Channels = append(d.Channels, ch)
	}
	d.Channels[0].Lines = []Mark{{Hz: 17230}, {10250, "2 × e1"}}
	return d
}

// Each channel has a strip of its own; tones are named once above all, lines beside
// their peaks in the channel that has them.
func TestSpectrum(t *testing.T) {
	d := inventedSpectrum(8193, 100e3)
	m := look(t, "spectrum-log", Spectrum(d))
	x := m.across(0, "100", "10\u2009000", true)
	rx, drive := m.up(0, "1", "1000", true), m.up(1, "1", "1000", true)
	m.word("spectral density (µV/√Hz)")
	if len(m.find("rx1")) != 1 || len(m.find("drive")) != 1 || m.word("rx1").room.Min.Y < m.word("drive").room.Max.Y {
		t.Error("the strips of rx1 and drive are not one above the other")
	}
	if drive.at(1e6) > rx.at(1e-2) {
		t.Error("strips overlap")
	}
	// The noise about 2 kHz is 43 nV on rx1 and 2.1 µV on the drive, by √(1 + 300/2000).
	at := 2000.0
	for _, c := range []struct {
		up    axis
		level float64
	}{{rx, 0.0429}, {drive, 2.14}} {
		if !m.passes(colour.Blue, x.at(at), c.up.at(c.level)) {
			t.Errorf("no curve at %g Hz and %g µV", at, c.level)
		}
	}
	for i, tone := range d.Tones {
		if found := m.find(tone.Name); len(found) != 1 || i > 0 && found[0].room.Min.X < m.word(d.Tones[i-1].Name).room.Max.X {
			t.Errorf("%s is not named once, in order", tone.Name)
		}
		for _, y := range []vg.Length{rx.at(1), drive.at(1)} {
			if !m.passes(toneMark.Color.(color.NRGBA), x.at(tone.Hz), y) {
				t.Errorf("no line through %s", tone.Name)
			}
		}
	}
	// No leader: the name is beside its peak, 4e-5 V on the noise's 4e-8.
	for text, line := range map[string][2]float64{"17.2 kHz": {17230, 40}, "2 × e1": {10250, 6}} {
		w := m.word(text)
		if dx := min(abs(w.room.Min.X-x.at(line[0])), abs(w.room.Max.X-x.at(line[0]))); dx > 10 || abs(chart.Centre(w.room).Y-rx.at(line[1])) > 26 {
			t.Errorf("%s at %v is not beside %g, %g", text, w.room, x.at(line[0]), rx.at(line[1]))
		}
	}
	// That of the legend, and in both strips: the lowest, 2e-5 V, is 8 times the drive's noise there.
	if n := m.dots(colour.Ink); n != 1+2*len(d.Mains) {
		t.Errorf("%d marks of mains", n)
	}
	d.MinHz, d.MaxHz = 0, 20e3
	look(t, "spectrum", Spectrum(d)).lacks("50\u2009000")
	for len(d.Channels) < 16 {
		d.Channels = append(d.Channels, Channel{Name: fmt.Sprintf("rx%d", len(d.Channels)), Density: d.Channels[0].Density})
	}
	many := look(t, "spectrum-many", Spectrum(d))
	many.word("rx15")
	m = look(t, "spectrum-empty", Spectrum(SpectrumData{Title: "Nothing", MinHz: 10, MaxHz: 1e3}))
	m.word("100")
	m.word("density, of full scale (ppm/√Hz)")
}

// inventedBench has two rings of tilted coils below a winding path.
func inventedBench(n int, noise float64) PathData {
	random := rand.New(rand.NewPCG(7, 8))
	d := PathData{Title: "Path over the bench", Note: "invented data: pipe-bench"}
	for i := range 8 {
		a := math.Pi / 4 * float64(i)
		r := 0.12
		if i%2 == 1 {
			r = 0.09
		}
		e := Emitter{Name: "e" + string(rune('1'+i)), Center: r3.Vec{X: r * math.Cos(a), Y: r * math.Sin(a), Z: -0.01 * float64(i%3)},
			Axis: r3.Vec{X: -0.5 * math.Cos(a), Y: -0.5 * math.Sin(a), Z: 1}}
		u := r3.Unit(r3.Cross(e.Axis, r3.Vec{X: 1, Y: 0.3}))
		v := r3.Cross(r3.Unit(e.Axis), u)
		for k := range 40 {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 40)
			e.Outline = append(e.Outline, r3.Add(e.Center, r3.Add(r3.Scale(0.035*cos, u), r3.Scale(0.035*sin, v))))
		}
		d.Emitters = append(d.Emitters, e)
	}
	path := Track{Name: "probe"}
	found := Track{Name: "probe"}
	for i := range n {
		t := float64(i) / float64(n)
		p := r3.Vec{X: 0.08 * math.Cos(9*t), Y: 0.07 * math.Sin(7*t+0.4), Z: 0.12 + 0.1*t}
		path.Points = append(path.Points, p)
		e := r3.Vec{X: noise * random.NormFloat64(), Y: noise * random.NormFloat64(), Z: noise * random.NormFloat64()}
		if i%50 == 49 {
			e.X = math.NaN()
		}
		found.Points = append(found.Points, r3.Add(p, e))
	}
	d.True, d.Estimated = []Track{path}, []Track{found}
	return d
}

// The estimate lies in the band of the truth, at its place in every view, to one scale.
func TestPath(t *testing.T) {
	d := inventedBench(300, 2e-4)
	m := look(t, "path", Path(d))
	top, up := m.across(0, "−100", "100", false), m.up(0, "−100", "100", false)
	if a, b := top.at(1)-top.at(0), up.at(1)-up.at(0); abs(a/b-1) > 0.01 {
		t.Errorf("a millimetre is %.3f points across and %.3f up", a, b)
	}
	front, height := m.across(1, "−100", "100", false), m.up(1, "100", "200", false)
	for _, i := range []int{0, 120, 290} {
		p := r3.Scale(1e3, d.Estimated[0].Points[i])
		for name, at := range map[string]vg.Point{"top": {X: top.at(p.X), Y: up.at(p.Y)}, "front": {X: front.at(p.X), Y: height.at(p.Z)}} {
			if !m.passes(colour.Blue, at.X, at.Y) || !m.passes(colour.Band, at.X, at.Y) {
				t.Errorf("%s: estimate or truth does not pass %.1f, %.1f, %.1f mm", name, p.X, p.Y, p.Z)
			}
		}
	}
	for i, e := range d.Emitters {
		if !m.passes(colour.SoftInk, top.at(1e3*e.Outline[0].X), up.at(1e3*e.Outline[0].Y)) {
			t.Errorf("%s is not drawn", e.Name)
		}
		if len(m.find(e.Name)) < 2 {
			t.Errorf("emitter %d of 8 is named %d times in four views", i+1, len(m.find(e.Name)))
		}
	}
	few := inventedBench(27, 1e-3)
	m = look(t, "path-stations", Path(few))
	if n := m.dots(colour.Band); n != 1+4*27 {
		t.Errorf("%d dots of 27 true stations in four views", n)
	}
	look(t, "path-empty", Path(PathData{Title: "Nothing"})).word("side")
}
