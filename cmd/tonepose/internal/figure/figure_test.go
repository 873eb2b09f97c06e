package figure

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/files"
)

// look writes the figure where FIGURES says, for an eye to judge it.
func look(t *testing.T, name string, f *Figure) {
	t.Helper()
	dir := os.Getenv("FIGURES")
	if dir == "" {
		dir = t.TempDir()
	}
	to := &files.Batch{Force: true}
	defer to.Abort()
	for _, ext := range []string{".png", ".svg"} {
		if err := f.Save(to, filepath.Join(dir, name+ext)); err != nil {
			t.Fatal(err)
		}
	}
	if err := to.Commit(); err != nil {
		t.Fatal(err)
	}
}

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

func TestAccuracy(t *testing.T) {
	look(t, "accuracy", Accuracy(inventedAccuracy(300, 1)))
	d := inventedAccuracy(27, 50)
	d.Rotation = nil
	d.Normalised[5] = 40
	look(t, "accuracy-few", Accuracy(d))
	look(t, "accuracy-many", Accuracy(inventedAccuracy(50_000, 1e-3)))
	look(t, "accuracy-empty", Accuracy(AccuracyData{Title: "Nothing", Position: []float64{}, Normalised: []float64{}}))
}

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
	look(t, "matrix", Matrix(d))
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
	look(t, "matrix-wide", Matrix(wide))
}

func inventedSpectrum(n int, rate float64) SpectrumData {
	random := rand.New(rand.NewPCG(5, 6))
	d := SpectrumData{Title: "Spectrum of the moving recording", Note: "invented data: pipe-bench, Welch average, resolution 6 Hz", Unit: "V/√Hz", MinHz: 10, MaxHz: rate / 2}
	for i := range 8 {
		d.Tones = append(d.Tones, Mark{5125 + 1375*float64(i), "e" + string(rune('1'+i))})
	}
	for h := 1; h <= 9; h += 2 {
		d.Mains = append(d.Mains, 50*float64(h))
	}
	d.Lines = []Mark{{17230, "unexplained"}, {10250, "2 × e1"}}
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
	return d
}

func TestSpectrum(t *testing.T) {
	d := inventedSpectrum(8193, 100e3)
	look(t, "spectrum-log", Spectrum(d))
	d.MinHz, d.MaxHz = 0, 20e3
	look(t, "spectrum", Spectrum(d))
	look(t, "spectrum-empty", Spectrum(SpectrumData{Title: "Nothing", Unit: "V/√Hz", MinHz: 10, MaxHz: 1e3}))
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

func TestPath(t *testing.T) {
	look(t, "path", Path(inventedBench(300, 2e-4)))
	look(t, "path-stations", Path(inventedBench(27, 1e-3)))
	look(t, "path-empty", Path(PathData{Title: "Nothing"}))
}
