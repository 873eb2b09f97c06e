package workbench

import (
	"math"
	"math/cmplx"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
)

// theory works out what the experiments' readings should be, by the formulas that they
// name, for the sensor at rest at a place of the virtual bench.
type theory struct {
	t     *testing.T
	rig   *rig.Rig
	model *mutual.Model
}

func newTheory(t *testing.T) *theory {
	r, err := simulate.BuiltinRig()
	if err != nil {
		t.Fatal(err)
	}
	array, err := r.Array()
	if err != nil {
		t.Fatal(err)
	}
	m, err := mutual.New(array, r.Sensor(0))
	if err != nil {
		t.Fatal(err)
	}
	return &theory{t, r, m}
}

var rest = rigid.Pose{Position: r3.Vec{X: -0.02, Y: 0.03, Z: 0.15}, Rotation: rigid.Exp(r3.Vec{})}

// couplings are those of all emitters with all coils, row by row [H].
func (th *theory) couplings(at rigid.Pose) []float64 {
	m := make([]float64, 24)
	if err := th.model.Evaluate(at, m, nil); err != nil {
		th.t.Fatal(err)
	}
	return m
}

// slopes are their derivatives by the pose, from differences.
func (th *theory) slopes(at rigid.Pose) *mat.Dense {
	j := mat.NewDense(24, 6, nil)
	const step = 1e-5 // [m], [rad]: errors of 1e-10 of the curvature, far under the tolerances
	for i := range 6 {
		moved := func(by float64) []float64 {
			var d [6]float64
			d[i] = by
			return th.couplings(rigid.Pose{Position: r3.Add(at.Position, r3.Vec{X: d[0], Y: d[1], Z: d[2]}), Rotation: rigid.Exp(r3.Vec{X: d[3], Y: d[4], Z: d[5]})})
		}
		up, down := moved(step), moved(-step)
		for k := range up {
			j.Set(k, i, (up[k]-down[k])/(2*step))
		}
	}
	return j
}

// volts is the peak at the converter that a coupling makes of a tone: V = ω I M, and a gain
// of 100 (the bench's rig).
func (th *theory) volts(emitter int, coupling float64) float64 {
	e := th.rig.Emitters[emitter]
	return 100 * 2 * math.Pi * e.ToneHz * e.CurrentPeakA * coupling
}

// sigma is that of a part of a peak phasor at the converter, in noise of a density
// [V/√Hz], in windows of a length [s] whose noise bandwidth is nenbw bins.
func sigma(density, nenbw, length float64) float64 {
	return 100 * density * math.Sqrt(2*nenbw/(2*length))
}

// hann is the transform of a Hann window at x periods in its length, over its value at 0.
func hann(x float64) float64 { return math.Sin(math.Pi*x) / (math.Pi * x) / (1 - x*x) }

// hannSquared is that of its square.
func hannSquared(x float64) float64 {
	sinc := func(x float64) float64 { return math.Sin(math.Pi*x) / (math.Pi * x) }
	return (3./8*sinc(x) + (sinc(x-1)+sinc(x+1))/4 + (sinc(x-2)+sinc(x+2))/16) / (3. / 8)
}

// covariance is that of the pose at rest in noise of 100 nV/√Hz and Hann windows of 10 ms,
// and weighted its product with the weighted transposed derivatives.
func (th *theory) covariance() (c, weighted *mat.Dense) {
	j := th.slopes(rest)
	var jw, normal mat.Dense
	jw.CloneFrom(j.T())
	for k := range 24 {
		// A coupling's σ is that of the voltage over ω I.
		s := sigma(1e-7, 1.5, 0.01) / th.volts(k/3, 1)
		for i := range 6 {
			jw.Set(i, k, jw.At(i, k)/(s*s))
		}
	}
	normal.Mul(&jw, j)
	c, weighted = new(mat.Dense), new(mat.Dense)
	if err := c.Inverse(&normal); err != nil {
		th.t.Fatal(err)
	}
	weighted.Mul(c, &jw)
	return c, weighted
}

// readings are what theory expects, by experiment and reading.
func (th *theory) readings() map[string]float64 {
	m := th.couplings(rest)
	coupling := func(emitter, coil int) float64 { return m[3*emitter+coil] }
	g, q := hann(0.65), hannSquared(0.65)
	c, weighted := th.covariance()
	positions := mat.NewSymDense(3, nil)
	for i := range 3 {
		for k := i; k < 3; k++ {
			positions.SetSym(i, k, c.At(i, k))
		}
	}
	var eigen mat.EigenSym
	eigen.Factorize(positions, false)
	const mu0 = 4e-7 * math.Pi
	axial := func(a, z, turns, area float64) float64 {
		return mu0 * turns * a * a * area / (2 * math.Pow(a*a+z*z, 1.5))
	}
	return map[string]float64{
		"below-the-noise/tones.1.levels.2.sigma_v":      sigma(1e-6, 1.5, 0.2),
		"below-the-noise/tones.1.levels.2.amplitude_v":  math.Abs(th.volts(1, coupling(1, 2))),
		"window-and-bandwidth/tones.4.levels.0.sigma_v": sigma(1e-7, 1.5, 0.04),
		"close-tones/tones.0.levels.0.sigma_v":          sigma(1e-7, 1.5, 0.01) * math.Sqrt(((1+q)/((1+g)*(1+g))+(1-q)/((1-g)*(1-g)))/2),
		"clock-ignored/tones.7.levels.2.amplitude_v":    math.Abs(th.volts(7, coupling(7, 2))) * hann(14125*200e-6*0.2),
		"dipole-or-loop/couplings.value_h.1.2":          axial(0.032, 0.1, 48, 0.0036),
		"five-degrees/dof":                              8 - 5,
		"ellipsoid/sigma_m":                             math.Sqrt(mat.Trace(positions)),
		"ellipsoid/ellipsoid.radii_m.2":                 math.Sqrt(distuv.ChiSquared{K: 3}.Quantile(0.95) * slices.Max(eigen.Values(nil))),
		"metal/couplings.quadrature_h.1.2":              imag(th.ball(1, 2)),
		"reversed-coil/couplings.value_h.1.1":           -coupling(1, 1),
		"calibration/true_error_m":                      th.pulled(weighted),
	}
}

// ball is what a ball of aluminium of 30 mm adds to a coupling, as a dipole: the field of
// the emitter at its centre induces a moment, whose field the coil picks up.
func (th *theory) ball(emitter, coil int) complex128 {
	const radius, mu0 = 0.03, 4e-7 * math.Pi
	center := r3.Vec{X: 0.02, Y: 0.03, Z: 0.1}
	e := th.rig.Emitters[emitter]
	array, _ := th.rig.Array()
	field, err := array.Emitters[emitter].Source.Field(center)
	if err != nil {
		th.t.Fatal(err)
	}
	h := r3.Scale(1/mu0, field)
	const resistivity = 1 / 3.5e7 // of the virtual bench's aluminium [Ω·m]
	depth := math.Sqrt(2 * resistivity / (2 * math.Pi * e.ToneHz * mu0))
	kr := complex(radius/depth, -radius/depth) // time as e^(jωt)
	alpha := complex(-2*math.Pi*radius*radius*radius, 0) * (1 - 3/(kr*kr) + 3*cmplx.Cot(kr)/kr)
	pickup := th.rig.Sensors[0].Coils[coil]
	place := r3.Add(rest.Position, pickup.CenterM)
	d := r3.Sub(place, center)
	r := r3.Norm(d)
	u := r3.Scale(1/r, d)
	// B = μ0/4πr³ (3(m·u)u − m), Jackson section 5.6; the coil's flux is S n·B.
	flux := mu0 / (4 * math.Pi * r * r * r) * (3*r3.Dot(h, u)*r3.Dot(u, pickup.Axis) - r3.Dot(h, pickup.Axis)) * pickup.AreaTurnsM2
	return alpha * complex(flux, 0)
}

// pulled is how far emitters that are displaced pull the position, to first order.
// The emitters are where the virtual bench displaces them: 1 mm in directions that go round.
func (th *theory) pulled(weighted *mat.Dense) float64 {
	array, err := th.rig.Array()
	if err != nil {
		th.t.Fatal(err)
	}
	for n := range array.Emitters {
		turn, rise := 2*math.Pi*float64(n)*0.382, math.Cos(2*float64(n))
		flat := math.Sqrt(1 - rise*rise)
		by := rigid.Pose{Position: r3.Scale(1e-3, r3.Vec{X: flat * math.Cos(turn), Y: flat * math.Sin(turn), Z: rise}), Rotation: rigid.Exp(r3.Vec{})}
		array.Emitters[n].Source = fieldmodels.Place(array.Emitters[n].Source, by)
	}
	displaced, err := mutual.New(array, th.rig.Sensor(0))
	if err != nil {
		th.t.Fatal(err)
	}
	off := make([]float64, 24)
	if err := displaced.Evaluate(rest, off, nil); err != nil {
		th.t.Fatal(err)
	}
	for i, m := range th.couplings(rest) {
		off[i] -= m
	}
	var by mat.VecDense
	by.MulVec(weighted, mat.NewVecDense(24, off))
	return r3.Norm(r3.Vec{X: by.AtVec(0), Y: by.AtVec(1), Z: by.AtVec(2)})
}

// What the experiments say that the page should read is what their formulas give.
func TestExperimentsStateTheTheory(t *testing.T) {
	expected := newTheory(t).readings()
	for _, e := range handbook.Experiments() {
		for _, r := range e.Readings {
			name := e.ID + "/" + r.ID
			want, ok := expected[name]
			delete(expected, name)
			// They are written with three digits or more.
			if !ok || math.Abs(r.Expected-want) > 2e-3*math.Abs(want) {
				t.Errorf("%s states %.4g, theory gives %.4g", name, r.Expected, want)
			}
		}
	}
	for name := range expected {
		t.Errorf("no reading %s", name)
	}
}

// The page reads what theory says, when all steps of an experiment are done. Five benches
// run at a time: as many as one core simulates as fast as time passes.
func TestExperiments(t *testing.T) {
	for some := range slices.Chunk(handbook.Experiments(), mostBenches) {
		t.Run(some[0].ID, func(t *testing.T) { // ends when these five have
			for _, e := range some {
				t.Run(e.ID, func(t *testing.T) {
					t.Parallel()
					address := served(t, Options{})
					next := states(t, address)
					next()
					ask := func(path string, of map[string]any) {
						t.Helper()
						if status, answer := post(t, address+path, of); status != http.StatusOK {
							t.Fatal(answer)
						}
					}
					ask("api/experiments/start", map[string]any{"id": e.ID})
					for i := range e.Steps {
						ask("api/experiments/step", map[string]any{"step": i, "do": true})
					}
					reads(t, next, e.Readings)
				})
			}
		})
	}
}

// mostBenches is how many virtual benches tests run side by side.
const mostBenches = 5

// reads compares medians of readings of the page with what is expected of them.
func reads(t *testing.T, next func() map[string]any, expected []handbook.Reading) {
	settled := 1.5 // the sensor travels for 0.3 s
	for _, r := range expected {
		if strings.Contains(r.ID, "sigma") || strings.Contains(r.ID, "radii") {
			settled = 5 // noise is known from some seconds
		}
	}
	seen := map[string][]float64{}
	for n := 0; n < 11; {
		s := next()
		if len(s["sensors"].([]any)) == 0 || s["time_s"].(float64) < settled {
			continue
		}
		n++
		for _, r := range expected {
			if v, ok := part(only(s), r.ID); ok {
				seen[r.ID] = append(seen[r.ID], v)
			}
		}
	}
	for _, r := range expected {
		v := seen[r.ID]
		if len(v) < 9 {
			t.Errorf("%s is there in %d of 11 windows", r.ID, len(v))
			continue
		}
		slices.Sort(v)
		if got := v[len(v)/2]; math.Abs(got-r.Expected) > r.Tolerance*math.Abs(r.Expected) {
			t.Errorf("%s: the page reads %.4g %s, theory says %.4g", r.ID, got, r.Unit, r.Expected)
		}
	}
}

// part is a number within a state, found as the page finds it.
func part(of any, path string) (float64, bool) {
	if path == "true_error_m" {
		path = "truth.error_m"
	}
	for _, name := range strings.Split(path, ".") {
		switch v := of.(type) {
		case map[string]any:
			of = v[name]
		case []any:
			i, err := strconv.Atoi(name)
			if err != nil || i >= len(v) {
				return 0, false
			}
			of = v[i]
		default:
			return 0, false
		}
	}
	v, ok := of.(float64)
	return v, ok
}
