package calibration

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/solver/leastsquares"
)

// A reference pose that was bumped by 5 mm is named, and a robust loss keeps it
// from the parameters.
func TestOutlierStation(t *testing.T) {
	const bumped = 7
	v := newInvented(DefaultFree, 21)
	v.draw(30, 1)
	clean := v.problem.Stations[bumped].Reference
	v.problem.Stations[bumped].Reference = clean.Plus(r3.Vec{X: 0.004, Y: -0.003}, r3.Vec{})
	honest := func(loss leastsquares.Loss) float64 {
		res, err := Calibrate(&v.problem, Options{Loss: loss})
		if err != nil || res.Status != Converged {
			t.Fatal(err, res)
		}
		reports, err := res.Stations()
		if err != nil {
			t.Fatal(err)
		}
		worst := 0
		for s, r := range reports {
			if r.PValue < reports[worst].PValue {
				worst = s
			}
		}
		if worst != bumped || !reports[bumped].Outlier {
			t.Errorf("%T: station %s fits worst (p = %.2g), want %s", loss, reports[worst].Name, reports[worst].PValue, reports[bumped].Name)
		}
		sum := 0.0
		for i, p := range res.Parameters {
			z := v.off(res, i) / p.Sigma
			sum += z * z / float64(len(res.Parameters))
		}
		return sum
	}
	plain := honest(nil)
	// Clean data give a mean square of 1, of about 40 independent numbers.
	limit := 1 + 4*math.Sqrt(2./40)
	if plain < 2*limit {
		t.Errorf("plain squares: mean square of error over sigma %.2f: the bump was meant to spoil it", plain)
	}
	for _, loss := range []leastsquares.Loss{leastsquares.Huber{}, leastsquares.Cauchy{}, leastsquares.Tukey{}} {
		if robust := honest(loss); robust > limit {
			t.Errorf("%T: mean square of error over sigma %.2f, want at most %.2f (plain squares %.2f)", loss, robust, limit, plain)
		}
	}
}

// Expected sums of squares by station and by emitter: the degrees of freedom of
// the parts make up the whole.
func TestPartsMakeUpTheWhole(t *testing.T) {
	v := newInvented(everything, 22)
	v.draw(15, 1)
	v.problem.Stations[3].Couplings.Variance[5] = math.Inf(1)
	v.problem.Stations[4].SigmaRotation = math.Inf(1)
	res, err := Calibrate(&v.problem, Options{Free: everything})
	if err != nil || res.Status != Converged {
		t.Fatal(err, res)
	}
	reports, err := res.Stations()
	if err != nil {
		t.Fatal(err)
	}
	var chi2, dof, leverage, byEmitter float64
	count := 0
	for _, r := range reports {
		chi2 += r.ChiSquare + r.ReferenceChiSquare
		dof += r.DOF
		leverage += r.Leverage
		sum := 0.0
		for _, z := range r.Residuals {
			if !math.IsNaN(z) {
				sum += z * z
			}
		}
		if math.Abs(sum-r.ChiSquare) > 1e-9*sum {
			t.Errorf("station %s: residuals make %.6g, χ² %.6g", r.Name, sum, r.ChiSquare)
		}
		byEmitter -= r.ChiSquare
	}
	for i, c := range res.EmitterChiSquare {
		byEmitter += c
		count += res.EmitterCount[i]
	}
	if math.Abs(byEmitter) > 1e-9*chi2 {
		t.Errorf("emitters and stations differ by %g in the couplings' χ²", byEmitter)
	}
	if want := 2 * (15*18 - 1); count != want {
		t.Errorf("%d coupling residuals, want %d", count, want)
	}
	for _, p := range res.Parameters {
		if p.Tolerance > 0 {
			z := (p.After - p.Before) / p.Tolerance
			chi2 += z * z
		}
	}
	if math.Abs(chi2-res.ChiSquare) > 1e-9*chi2 || math.Abs(2*res.Cost-chi2) > 1e-9*chi2 {
		t.Errorf("parts of χ² make %.9g, the whole is %.9g, twice the cost %.9g", chi2, res.ChiSquare, 2*res.Cost)
	}
	n := float64(len(res.Parameters))
	if want := 2*(15*18-1) + 15*6 - 3 + len(res.Parameters) - len(res.Parameters) - 15*6; res.DOF != want {
		t.Errorf("%d degrees of freedom, want %d", res.DOF, want)
	}
	// Tolerances determine the rest of the parameters.
	if leverage > n || leverage < n/3 {
		t.Errorf("leverages make up %.2f of %g parameters", leverage, n)
	}
	if want := float64(2*(15*18-1)+15*6-3-15*6) - leverage; math.Abs(dof-want) > 1e-6 {
		t.Errorf("stations have %.6f degrees of freedom, want %.6f", dof, want)
	}
	// Asking for a report changes nothing.
	again, err := res.Stations()
	if err != nil || math.Abs(again[0].Leverage-reports[0].Leverage) > 1e-12 {
		t.Errorf("leverage %g, asked again %g (%v)", reports[0].Leverage, again[0].Leverage, err)
	}
}

// Held-out stations are met as well as the couplings' noise, the calibration and
// the references allow; with the bench as drawn they are not.
func TestCrossValidate(t *testing.T) {
	v := newInvented(DefaultFree, 23)
	v.draw(40, 1)
	cv, err := CrossValidate(&v.problem, Options{}, 5)
	if err != nil {
		t.Fatal(err)
	}
	// References are 0.1 mm and 1 mrad off along each axis: √3 times that in all,
	// to which poses from couplings add less than half.
	if least := math.Sqrt(3) * 1e-4; cv.PositionRMS < 0.8*least || cv.PositionRMS > 1.5*least {
		t.Errorf("position %.3f mm rms, want about %.3f", 1e3*cv.PositionRMS, 1e3*least)
	}
	if least := math.Sqrt(3) * 1e-3; cv.RotationRMS < 0.8*least || cv.RotationRMS > 1.5*least {
		t.Errorf("rotation %.3f mrad rms, want about %.3f", 1e3*cv.RotationRMS, 1e3*least)
	}
	// As drawn, the emitters are off by their tolerances, a millimetre and twenty milliradians, which are far
	// more than references and noise.
	if cv.PositionDrawn < 3*cv.PositionRMS || cv.RotationDrawn < 3*cv.RotationRMS {
		t.Errorf("as drawn %.3f mm and %.3f mrad rms", 1e3*cv.PositionDrawn, 1e3*cv.RotationDrawn)
	}
	for s, h := range cv.Stations {
		if h.Name != v.problem.Stations[s].Name || h.Position == (r3.Vec{}) {
			t.Errorf("station %d: %+v", s, h)
		}
	}
	if _, err := CrossValidate(&v.problem, Options{}, 41); err == nil {
		t.Error("41 folds of 40 stations were taken")
	}
}

// The suggested station does what is promised: calibrated again with it, the
// worst parameter has the sigma that was foretold.
func TestSuggest(t *testing.T) {
	v := newInvented(EmitterPosition|EmitterAxis|EmitterStrength|CoilSensitivity, 24)
	v.untold()
	v.draw(8, 0)
	for s := range v.problem.Stations { // all on one side, far from e4
		st := &v.problem.Stations[s]
		st.Reference = v.problem.start(s)
		st.Reference.Position.X = 0.05 + 0.1*math.Abs(st.Reference.Position.X)
	}
	for i := range v.truth {
		v.truth[i] = 0
	}
	v.measure(0)
	res, err := Calibrate(&v.problem, Options{Free: v.free})
	if err != nil || res.Status != Converged {
		t.Fatal(err, res)
	}
	var candidates []Candidate
	for i, x := range []float64{0.1, 0.05, 0, -0.1} {
		candidates = append(candidates, Candidate{
			Pose:          rigid.Pose{Position: r3.Vec{X: x, Y: 0.02, Z: 0.14}, Rotation: rigid.Exp(r3.Vec{Y: float64(i)})},
			SigmaPosition: 1e-4, SigmaRotation: 1e-3,
		})
	}
	best, gains, before, err := res.Suggest(candidates)
	if err != nil {
		t.Fatal(err)
	}
	for i, g := range gains {
		if !(g.Worst < before.Worst) || g.Worst < gains[best].Worst {
			t.Errorf("candidate %d leaves %.4g, the best %.4g, before %.4g", i, g.Worst, gains[best].Worst, before.Worst)
		}
		next := v.problem
		next.Stations = append([]Station(nil), v.problem.Stations...)
		st := v.problem.Stations[0]
		c := candidates[i]
		st.Reference = v.problem.Frame.Inverse().Compose(c.Pose).Compose(v.problem.Sensors[0].Marker.Inverse())
		st.Couplings.Value = append([]float64(nil), st.Couplings.Value...)
		next.Stations = append(next.Stations, st)
		w := &invented{problem: next, free: v.free, truth: v.truth, sigma: v.sigma, rng: v.rng}
		for s := range w.problem.Stations {
			w.problem.Stations[s].Reference = w.problem.start(s)
		}
		w.measure(0)
		after, err := Calibrate(&w.problem, Options{Free: v.free})
		if err != nil {
			t.Fatal(err)
		}
		_, _, now, err := after.Suggest(nil)
		if err != nil {
			t.Fatal(err)
		}
		// Nothing was noisy: both are taken at the truth, but for 1e-3 sigma.
		if now.Parameter != g.Parameter || math.Abs(now.Worst/g.Worst-1) > 1e-4 {
			t.Errorf("candidate %d: foretold %+v, came %+v", i, g, now)
		}
	}
}

// Without reference poses: a sensor moved freely, its coils known, gives the
// array up to where it is as a whole. Distances between emitters are found.
func TestSelfCalibration(t *testing.T) {
	free := EmitterPosition | EmitterAxis | EmitterStrength | CoilPosition | CoilAxis
	v := newInvented(free, 25)
	for i := range v.problem.Sensors[0].Coils {
		v.problem.Sensors[0].Coils[i].Tolerance = CoilTolerance{Axis: 0.02, Position: 5e-4}
	}
	v.draw(60, 1)
	v.unmeasured()
	distance := func(places [2]r3.Vec) float64 { return r3.Norm(r3.Sub(places[0], places[1])) }
	truth := func(a, b int) float64 { return distance([2]r3.Vec{v.built(a), v.built(b)}) }
	v.problem.Lengths = []Length{{A: 0, B: 3, Meters: truth(0, 3), Sigma: 2e-5}}
	res, err := Calibrate(&v.problem, Options{Free: free})
	if err != nil || res.Status != Converged {
		t.Fatal(err, res)
	}
	if len(res.Gauges) != 12 {
		t.Errorf("%d gauges %+v, want the motions of all emitters and of all coils", len(res.Gauges), res.Gauges)
	}
	n := 0
	for a := range 6 {
		for b := range a {
			ea, eb := res.fit.bench.emitters[a], res.fit.bench.emitters[b]
			got := distance([2]r3.Vec{ea.center, eb.center})
			// Sigma of a distance by its gradient.
			d := r3.Unit(r3.Sub(ea.center, eb.center))
			variance := 0.0
			at := [2]int{res.fit.layout.emitters[a].place, res.fit.layout.emitters[b].place}
			for i, p := range at {
				for j, q := range at {
					for k, u := range [3]float64{d.X, d.Y, d.Z} {
						for l, w := range [3]float64{d.X, d.Y, d.Z} {
							sign := 1.0
							if i != j {
								sign = -1
							}
							variance += sign * u * w * res.Covariance.At(p+k, q+l)
						}
					}
				}
			}
			sigma := math.Sqrt(variance)
			if off := got - truth(a, b); math.Abs(off) > 4*sigma {
				t.Errorf("e%d to e%d is off by %.3g mm, sigma %.3g", b+1, a+1, 1e3*off, 1e3*sigma)
			}
			if sigma < 2e-4 { // a fifth of the tolerance
				n++
			}
		}
	}
	if n < 15 {
		t.Errorf("%d of 15 distances are known to better than a fifth of their tolerance", n)
	}
}

// A single coil fixes five degrees of freedom; with a reference that tells no
// rotation, the turn about it stays where it was.
func TestSingleCoil(t *testing.T) {
	v := newInvented(EmitterPosition|EmitterStrength, 26)
	v.problem.Sensors[0].Coils = v.problem.Sensors[0].Coils[:1]
	v.problem.Sensors[0].Coils[0].Center = r3.Vec{}
	v.draw(25, 1)
	for s := range v.problem.Stations {
		v.problem.Stations[s].SigmaRotation = math.Inf(1)
	}
	res, err := Calibrate(&v.problem, Options{Free: v.free})
	if err != nil || res.Status != Converged {
		t.Fatal(err, res)
	}
	if want := 25*(6+3) - 25*5; res.DOF != want { // tolerances and parameters cancel
		t.Errorf("%d degrees of freedom, want %d", res.DOF, want)
	}
	if got, four := res.ChiSquare/float64(res.DOF), 4*math.Sqrt(2/float64(res.DOF)); math.Abs(got-1) > four {
		t.Errorf("χ² per degree of freedom %.3f, want 1 ± %.3f", got, four)
	}
}

// One signal into all channels: gains, skews and a channel wired the other way
// round come back within their sigmas.
func TestMatchChannels(t *testing.T) {
	rng := rand.New(rand.NewPCG(27, 1))
	truth := []ChannelMatch{
		{Gain: 1},
		{Gain: 1.03, Delay: 1.5e-6},
		{Gain: 0.8, Phase: math.Pi, Delay: -40e-6},
		{Gain: 2, Phase: -0.4, Delay: 3e-8},
	}
	const runs, sigma = 200, 1e-4
	var sums [3]float64
	chi2, dof := 0.0, 0.0
	for range runs {
		var tones []CommonTone
		for _, hz := range []float64{900, 2300, 5125, 7575, 11575, 14225} {
			tone := CommonTone{Hz: hz}
			signal := cmplx.Rect(0.5+rng.Float64(), 6*rng.Float64())
			for _, c := range truth {
				x := signal * cmplx.Rect(c.Gain, c.Phase-2*math.Pi*hz*c.Delay)
				tone.Phasor = append(tone.Phasor, x+complex(sigma*rng.NormFloat64(), sigma*rng.NormFloat64()))
				tone.Variance = append(tone.Variance, sigma*sigma)
			}
			tones = append(tones, tone)
		}
		got, err := MatchChannels(tones, 0, 100e-6)
		if err != nil {
			t.Fatal(err)
		}
		for c := 1; c < len(truth); c++ {
			g, w := got[c], truth[c]
			for k, z := range []float64{
				(g.Gain - w.Gain) / g.SigmaGain,
				math.Remainder(g.Phase-w.Phase, 2*math.Pi) / g.SigmaPhase,
				(g.Delay - w.Delay) / g.SigmaDelay,
			} {
				sums[k] += z * z / (runs * 3)
			}
			chi2 += g.ChiSquare
			dof += float64(g.DOF)
		}
	}
	for k, name := range []string{"gain", "phase", "delay"} {
		// The three channels share the reference's noise: runs alone count.
		if math.Abs(sums[k]-1) > 4*math.Sqrt(2./runs) {
			t.Errorf("%s: mean square of error over sigma %.2f, want 1", name, sums[k])
		}
	}
	if math.Abs(chi2/dof-1) > 4*math.Sqrt(2/(dof/3)) {
		t.Errorf("χ² per degree of freedom %.3f, want 1", chi2/dof)
	}
	if _, err := MatchChannels(nil, 0, 1e-4); err == nil {
		t.Error("no tones were taken")
	}
	one, err := MatchChannels([]CommonTone{{Hz: 1000, Phasor: []complex128{1, 2i}, Variance: []float64{1e-8, 1e-8}}}, 0, 1e-4)
	if err != nil || math.Abs(one[1].Phase-math.Pi/2) > 1e-12 || one[1].Delay != 0 || math.Abs(one[1].Gain-2) > 1e-12 {
		t.Errorf("single tone: %+v, %v", one, err)
	}
}

func ExampleParseFree() {
	free, err := ParseFree("default,coil-place")
	fmt.Println(free, err)
	// Output: emitter-place,emitter-axis,emitter-strength,coil-axis,coil-place,coil-sensitivity <nil>
}
