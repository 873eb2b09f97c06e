package calibration

import (
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
)

// untold takes the tolerances away.
func (v *invented) untold() {
	for i := range v.problem.Emitters {
		v.problem.Emitters[i].Tolerance = EmitterTolerance{}
	}
	for i := range v.problem.Channels {
		v.problem.Channels[i].Tolerance = ChannelTolerance{}
	}
	for s := range v.problem.Sensors {
		v.problem.Sensors[s].MarkerTolerance = MotionTolerance{}
		for i := range v.problem.Sensors[s].Coils {
			v.problem.Sensors[s].Coils[i].Tolerance = CoilTolerance{}
		}
	}
	v.problem.FrameTolerance, v.problem.CrosstalkTolerance = MotionTolerance{}, 0
}

// Every freedom that a set of free parameters has by its physics, and no other.
func TestGaugesAreNamed(t *testing.T) {
	emitters := EmitterPosition | EmitterAxis
	six := func(words string) []string {
		var out []string
		for _, kind := range []string{"shift along ", "rotation about "} {
			for _, axis := range axisNames {
				out = append(out, kind+axis+words)
			}
		}
		return out
	}
	const strengths = "all strengths against all sensitivities"
	for name, c := range map[string]struct {
		free  Group
		spoil func(v *invented)
		want  []string
	}{
		"none":        {free: EmitterPosition | EmitterAxis | EmitterStrength},
		"default":     {free: DefaultFree, want: []string{strengths}},
		"frame":       {free: emitters | Frame, want: six(" of all emitters against the reference frame")},
		"marker":      {free: CoilPosition | CoilAxis | Marker, want: six(" of all coils of probe against its marker")},
		"frame alone": {free: Frame | Marker | CoilSensitivity},
		"gains": {free: CoilSensitivity | ChannelGain, want: []string{
			"gain of rx1 against the sensitivity of its coils",
			"gain of rx2 against the sensitivity of its coils",
			"gain of rx3 against the sensitivity of its coils",
		}},
		"one tone": {free: ChannelPhase | ChannelDelay,
			want: []string{"phase of rx1 against its delay", "phase of rx2 against its delay", "phase of rx3 against its delay"}},
		"dead coil": {free: CoilSensitivity,
			spoil: func(v *invented) {
				for s := range v.problem.Stations {
					for e := range 6 {
						v.problem.Stations[s].Couplings.Variance[3*e+1] = math.Inf(1)
					}
				}
			},
			want: []string{"probe rx2 sensitivity alone: nothing measured depends on it"}},
		"no references": {free: emitters | EmitterStrength | CoilSensitivity | CoilPosition | CoilAxis, spoil: func(v *invented) { v.unmeasured() },
			want: append(append(six(" of all emitters and stations together"), six(" of all coils of probe")...),
				strengths, "scale of all lengths against all strengths")},
		// Known distances of the coils, or of two emitters, fix the scale.
		"no references, coils known": {free: emitters | EmitterStrength, spoil: func(v *invented) { v.unmeasured() },
			want: six(" of all emitters and stations together")},
		"no references, one length": {free: emitters | EmitterStrength | CoilPosition | CoilAxis,
			spoil: func(v *invented) {
				v.unmeasured()
				a, b := v.built(0), v.built(3)
				v.problem.Lengths = []Length{{A: 0, B: 3, Meters: r3.Norm(r3.Sub(a, b)), Sigma: 1e-5}}
			},
			want: append(six(" of all emitters and stations together"), six(" of all coils of probe")...)},
	} {
		t.Run(name, func(t *testing.T) {
			v := newInvented(c.free, 11)
			for i := range v.problem.Sensors[0].Coils {
				// A point has an exact gauge; the field points of a disc in a
				// scaled world would have to scale too.
				v.problem.Sensors[0].Coils[i].Radius = 0
			}
			v.untold()
			for i := range v.problem.Emitters {
				if name == "no references" || name == "no references, one length" {
					e := &v.problem.Emitters[i] // loops have a size of their own, dipoles have none
					e.Source = dipoleLike(e)
				}
			}
			if name == "one tone" {
				for i := range v.problem.Emitters {
					v.problem.Emitters[i].Hz = 5000
				}
			}
			v.draw(20, 0)
			if c.spoil != nil {
				c.spoil(v)
			}
			res, err := Calibrate(&v.problem, Options{Free: c.free})
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, g := range res.Gauges {
				got = append(got, g.Words)
				if !g.Default {
					t.Errorf("%q counts as held by stated tolerances, and there are none", g.Words)
				}
			}
			slices.Sort(got)
			slices.Sort(c.want)
			if !slices.Equal(got, c.want) {
				t.Errorf("gauges\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(c.want, "\n  "))
			}
			// The tolerances that hold the gauge hardly pull at what the data fix:
			// sizes are 1e3 times what the data tell, the pull is their ratio.
			chi2 := 0.0
			for _, c := range res.EmitterChiSquare {
				chi2 += c
			}
			if res.Status != Converged || chi2 > 1e-2 {
				t.Errorf("%v, χ² %g of the couplings of exact data", res.Status, chi2)
			}
		})
	}
}

// The freedom that is named moves no residual: the cost at a step of one
// tolerance along it is that of the tolerances alone.
func TestGaugeDirectionMovesNothing(t *testing.T) {
	v := newInvented(DefaultFree, 12)
	v.draw(20, 1)
	f := v.fit()
	f.linearise()
	gauges, err := f.holdGauges()
	if err != nil || len(gauges) != 1 || gauges[0].Default {
		t.Fatalf("gauges %+v, %v", gauges, err)
	}
	d := gauges[0].Direction
	before := f.linearise() - f.priorCost()
	const step = 1
	for i := range f.x {
		f.x[i] += step * d[i] * f.size(i)
	}
	// Rounding of couplings some 1e4 to 1e5 sigmas large.
	if after := f.linearise() - f.priorCost(); math.Abs(after-before) > 1e-9*before {
		t.Errorf("cost %.9g, after a step along the gauge %.9g", before, after)
	}
}

// The covariance that goes with the array leaves out what strengths share with
// sensitivities, which no pose depends on, and keeps what it does not: errors of
// predicted couplings are as large as it says.
func TestArrayCovarianceIsOfCouplings(t *testing.T) {
	const runs = 60
	v := newInvented(DefaultFree, 13)
	v.untold()
	var sum float64
	var ratio float64
	for range runs {
		v.draw(20, 1)
		for i := range v.truth {
			v.truth[i] *= 0.2
		}
		for s := range v.problem.Stations {
			v.problem.Stations[s].Reference = v.problem.start(s)
		}
		v.measure(1)
		res, err := Calibrate(&v.problem, Options{})
		if err != nil || res.Status != Converged {
			t.Fatal(err, res)
		}
		array, err := res.Array()
		if err != nil {
			t.Fatal(err)
		}
		// Strength of e1 times the mean sensitivity, in relative terms.
		off := math.Log(res.Emitter(0).Strength)
		l := res.fit.layout
		off -= v.truth[l.emitters[0].strength]
		for _, c := range l.coils {
			off += (res.fit.x[c.sensitivity] - v.truth[c.sensitivity]) / 3
		}
		sigma := math.Sqrt(array.Covariance.At(6, 6))
		sum += off * off / (sigma * sigma) / runs
		ratio += sigma / res.Parameters[l.emitters[0].strength].Sigma / runs
	}
	if four := 4 * math.Sqrt(2./runs); math.Abs(sum-1) > four {
		t.Errorf("mean square of error over sigma %.2f, want 1 ± %.2f", sum, four)
	}
	if ratio > 0.1 {
		t.Errorf("sigma in the array is %.2f of that with the gauge: want far less", ratio)
	}
}

func TestKeep(t *testing.T) {
	// One freedom (1, 1, −1); the third number is to stay.
	p := keep([][]float64{{1, 1, -1}}, []float64{0, 0, 2})
	var got mat.VecDense
	got.MulVec(p, mat.NewVecDense(3, []float64{5, 0, 3}))
	for i, want := range []float64{8, 3, 0} {
		if math.Abs(got.AtVec(i)-want) > 1e-12 {
			t.Fatalf("kept %v, want (8, 3, 0)", got.RawVector().Data)
		}
	}
}
