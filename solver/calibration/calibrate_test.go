package calibration

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// The gradient and the diagonal of the equations against central differences of
// the cost, with every group free: loops, a dipole and a square coil, discs,
// phases and delays, frame, marker and crosstalk, tolerances and lengths.
func TestDerivatives(t *testing.T) {
	v := newInvented(everything, 1)
	square, axis := r3.Vec{X: 0.1, Y: -0.1, Z: 0.02}, r3.Unit(r3.Vec{X: 0.3, Y: 0.1, Z: 1})
	v.problem.Emitters[1].Source = fieldmodels.PlaceAxis(fieldmodels.Rectangle{Width: 0.05, Height: 0.03, Turns: 30}, square, axis)
	v.problem.Emitters[1].Center, v.problem.Emitters[1].Axis = square, axis
	e := &v.problem.Emitters[2]
	e.Source = &fieldmodels.PlacedDipole{Center: r3.Add(e.Center, r3.Vec{X: 0.01}), Moment: r3.Scale(0.1, e.Axis)}
	v.problem.Emitters[3].Nearby = fieldmodels.PlaceAxis(fieldmodels.Loop{Radius: 0.05, Turns: 60}, r3.Vec{X: 0.1, Z: -0.05}, r3.Vec{X: 0.1, Z: -1})
	v.problem.Sensors[0].Coils[0].Radius = 0
	v.problem.Lengths = []Length{{A: 3, B: 0, Meters: 0.28, Sigma: 1e-4}}
	v.draw(3, 1)
	v.share(1, 1e-2)
	f := v.fit()
	for i := range f.x { // somewhere else than truth, drawing and stated poses
		f.x[i] = v.truth[i] + 0.5*f.size(i)*v.rng.NormFloat64()
	}
	for s := range f.poses {
		f.poses[s] = plus(f.poses[s], &[6]float64{2e-4, -1e-4, 3e-4, 0.3, -0.2, 0.1})
	}
	if got := f.layout.emitters[1].tilts; got != 3 {
		t.Errorf("the square coil has %d tilts, want 3", got)
	}
	if got := f.layout.emitters[0].tilts; got != 2 {
		t.Errorf("a loop has %d tilts, want 2", got)
	}
	f.linearise()
	n := f.normal.n
	a, g := make([]float64, n*n), append([]float64(nil), f.normal.g...)
	f.known(f.addTo(a, g))
	check := func(name string, got, step, scale float64, move func(h float64)) {
		t.Helper()
		move(step)
		up := f.linearise()
		move(-2 * step)
		down := f.linearise()
		move(step)
		want := (up - down) / (2 * step)
		// Relative to the largest that the gradient could be, |J||r|: the
		// differences lose about 1e-6 of it by the step and by rounding.
		if math.Abs(got-want) > 2e-6*scale {
			t.Errorf("∂cost/∂(%s) = %.9g, by differences %.9g, of at most %.3g", name, got, want, scale)
		}
	}
	cost := f.linearise()
	diagonal := make([]float64, n)
	for i := range diagonal {
		diagonal[i] = f.normal.a[i*n+i]
	}
	for i := range n {
		scale := math.Sqrt(2 * cost * (diagonal[i] + a[i*n+i]))
		check(f.layout.columns[i].name, g[i], 1e-4*f.size(i), scale, func(h float64) { f.x[i] += h })
	}
	for s := range f.poses {
		f.linearise()
		b := f.normal.blocks[s]
		for k := range 6 {
			scale := math.Sqrt(2 * cost * b.c[k][k])
			check("pose", b.g[k], 1e-7, scale, func(h float64) {
				var d [6]float64
				d[k] = h
				f.poses[s] = plus(f.poses[s], &d)
			})
		}
	}
}

// Without noise the truth comes back, wherever the tolerances do not pull: they
// are 1e5 times the sigmas of a noise that is not there.
func TestExactRecovery(t *testing.T) {
	v := newInvented(EmitterPosition|EmitterAxis|EmitterStrength|CoilAxis|ChannelDelay, 2)
	for i := range v.problem.Emitters {
		v.problem.Emitters[i].Tolerance = EmitterTolerance{}
	}
	for i := range v.problem.Channels {
		v.problem.Channels[i].Tolerance = ChannelTolerance{}
	}
	for i := range v.problem.Sensors[0].Coils {
		v.problem.Sensors[0].Coils[i].Tolerance = CoilTolerance{}
	}
	v.draw(25, 0)
	for i := range v.truth { // a size drawn for want of a tolerance is large: take a fifth
		v.truth[i] *= 0.2
	}
	for s := range v.problem.Stations { // back to poses, as measure expects
		v.problem.Stations[s].Reference = v.problem.start(s)
	}
	v.measure(0)
	res, err := Calibrate(&v.problem, Options{Free: v.free, Tol: 1e-12})
	if err != nil || res.Status != Converged {
		t.Fatal(err, res)
	}
	if len(res.Gauges) != 0 {
		t.Errorf("gauges %v, want none", res.Gauges)
	}
	for i, p := range res.Parameters {
		// A fall of ½χ² of 1e-12 leaves 1e-6 sigma; second order leaves less.
		if off := v.off(res, i); math.Abs(off) > 1e-5*p.Sigma {
			t.Errorf("%s is off by %g, sigma %g", p.Name, off, p.Sigma)
		}
	}
	if res.ChiSquare > 1e-9 {
		t.Errorf("χ² = %g of exact data", res.ChiSquare)
	}
	reports, err := res.Stations()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range reports {
		if r3.Norm(r.OffPosition) > 1e-9 || r3.Norm(r.OffRotation) > 1e-8 {
			t.Errorf("station %s is off by %v m, %v rad", r.Name, r.OffPosition, r.OffRotation)
		}
	}
}

// Truth drawn from the tolerances, data from their sigmas: χ² per degree of
// freedom is 1, errors over sigma have the mean square 1 for every group, and
// poses likewise.
func TestMonteCarlo(t *testing.T) {
	const runs = 40
	for name, free := range map[string]Group{"default": DefaultFree, "everything": everything} {
		t.Run(name, func(t *testing.T) {
			sums, counts := map[Group]float64{}, map[Group]float64{}
			chi2, dof := 0.0, 0.0
			v := newInvented(free, 3)
			for range runs {
				v.draw(20, 1)
				res, err := Calibrate(&v.problem, Options{Free: free})
				if err != nil || res.Status != Converged {
					t.Fatal(err, res)
				}
				chi2 += res.ChiSquare
				dof += float64(res.DOF)
				for i, p := range res.Parameters {
					z := v.off(res, i) / p.Sigma
					sums[p.Group] += z * z
					counts[p.Group]++
				}
			}
			if got, four := chi2/dof, 4*math.Sqrt(2/dof); math.Abs(got-1) > four {
				t.Errorf("χ² per degree of freedom %.4f of %g, want 1 ± %.4f", got, dof, four)
			}
			for g, sum := range sums {
				// Parameters of a run are correlated: the runs alone are
				// independent for certain, as if one common factor ruled them.
				if got, four := sum/counts[g], 4*math.Sqrt(2./runs); math.Abs(got-1) > four {
					t.Errorf("%v: mean square of error over sigma %.3f, want 1 ± %.2f", g, got, four)
				}
			}
		})
	}
}

// A bench whose reference frame is the rig frame and whose marker is the sensor
// needs neither stated.
func TestZeroFrameIsIdentity(t *testing.T) {
	v := newInvented(EmitterPosition, 4)
	v.problem.Frame, v.problem.Sensors[0].Marker = rigid.Pose{}, rigid.Pose{}
	v.draw(8, 1)
	res, err := Calibrate(&v.problem, Options{Free: EmitterPosition})
	if err != nil || res.Status != Converged {
		t.Fatal(err, res)
	}
	if p := res.Frame(); p != rigid.Identity() {
		t.Errorf("frame %v", p)
	}
}

func TestWrongCalls(t *testing.T) {
	for want, spoil := range map[string]func(p *Problem) Options{
		`station 2 ("s3"): coupling 4 = NaN`: func(p *Problem) Options {
			p.Stations[2].Couplings.Value[4] = math.NaN()
			return Options{}
		},
		`station 0 ("s1"): SigmaPosition = 0`: func(p *Problem) Options {
			p.Stations[0].SigmaPosition = 0
			return Options{}
		},
		`emitter 1 ("e2"): Hz = 0`: func(p *Problem) Options {
			p.Emitters[1].Hz = 0
			return Options{Free: ChannelDelay}
		},
		"17 couplings": func(p *Problem) Options {
			p.Stations[1].Couplings.Value = p.Stations[1].Couplings.Value[:17]
			return Options{}
		},
		"Options.Tol = -1": func(p *Problem) Options { return Options{Tol: -1} },
		"station 3 (\"s4\"): fieldmodels: field point lies on the conductor": func(p *Problem) Options {
			src := fieldmodels.Dipole{Moment: r3.Vec{Z: 1}}
			p.Sensors[0].Coils[0].Radius, p.Sensors[0].Coils[0].Center = 0, r3.Vec{}
			at := p.start(3).Position
			p.Emitters[0].Source = fieldmodels.Sum{fieldmodels.Place(src, rigid.Pose{Position: at, Rotation: rigid.Identity().Rotation})}
			return Options{}
		},
	} {
		v := newInvented(DefaultFree, 5)
		v.draw(4, 1)
		o := spoil(&v.problem)
		if _, err := Calibrate(&v.problem, o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q in it", err, want)
		}
	}
	if _, err := ParseFree("emitter-place,coil"); err == nil || !strings.Contains(err.Error(), `"coil"`) {
		t.Errorf("ParseFree: %v", err)
	}
	if g, err := ParseFree("default, crosstalk"); err != nil || g != DefaultFree|Crosstalk {
		t.Errorf("ParseFree: %v, %v", g, err)
	}
	if g, err := ParseFree(everything.String()); err != nil || g != everything {
		t.Errorf("ParseFree of %v: %v, %v", everything, g, err)
	}
}
