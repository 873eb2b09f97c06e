package metal

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/testdata/published"
)

// The published moments are in units of 2π·radius³·H0.
func TestPolarisabilityAgainstPublishedSpheres(t *testing.T) {
	const radius, hz = 0.02, 5000.0
	for _, row := range published.Table(t, "conducting_sphere_dipole.csv") {
		permeability, ratio := row.Number("relative_permeability"), row.Number("radius_over_skin_depth")
		skin := radius / ratio
		m := Material{1 / (math.Pi * hz * permeability * fieldmodels.Mu0 * skin * skin), permeability}
		got := Polarisability(radius, m, hz) / complex(2*math.Pi*radius*radius*radius, 0)
		re, im := row.Number("re_m_over_2pi_a3_H0"), row.Number("im_m_over_2pi_a3_H0")
		// Some ten roundings of the ratio, which go in with its fourth power at most;
		// at μ = 100 the real part is a sum of numbers a hundred times larger.
		const tolerance = 40 * 2.2e-16
		if math.Abs(real(got)-re) > tolerance*math.Max(math.Abs(re), 1e-3*permeability) || math.Abs(imag(got)-im) > tolerance*math.Max(math.Abs(im), 1e-3*math.Abs(re)) {
			t.Errorf("µ %g, a/δ %g: %v, want %v%+vi", permeability, ratio, got, re, im)
		}
	}
}

// at is one emitter, placed.
func emitterOf(src fieldmodels.Source, pose rigid.Pose) fieldmodels.Emitter {
	return fieldmodels.Emitter{Name: "e", Source: fieldmodels.Place(src, pose), Center: pose.Position, Axis: pose.Rotate(r3.Vec{Z: 1})}
}

func pointPickup(axis r3.Vec) mutual.Pickup {
	return mutual.NewPickup(mutual.Coil{Axis: axis, AreaTurns: 1})
}

// add is what a body adds to the couplings of a pickup that keeps still.
func add(t *testing.T, b Body, tones int, p *mutual.Pickup, pose rigid.Pose) []complex128 {
	t.Helper()
	f := mutual.NewFrame(pose)
	m, dm := make([]complex128, tones), make([]complex128, tones)
	if err := b.Add(m, dm, p, &f, r3.Vec{}, r3.Vec{}); err != nil {
		t.Fatal(err)
	}
	return m
}

func at(p r3.Vec) rigid.Pose { return rigid.Pose{Position: p, Rotation: rigid.Identity().Rotation} }

// most is the largest field [T/A] that a misfit of the reflection can make at a height
// over a plate of a dipole of 1 m² at another: misfit·μ0/4π·∫λ²·e^{−λL}, L their sum.
func most(l float64) float64 { return mostMisfit * fieldmodels.Mu0 / (4 * math.Pi) * 2 / (l * l * l) }

func TestPlateAgainstPublishedHalfSpace(t *testing.T) {
	for _, row := range published.Table(t, "half_space_vertical_dipole.csv") {
		h, rho, z := row.Number("dipole_height_m"), row.Number("rho_m"), row.Number("z_m")
		e := emitterOf(fieldmodels.Dipole{Moment: r3.Vec{Z: 1}}, at(r3.Vec{Z: h}))
		p, err := NewPlate(r3.Vec{}, r3.Vec{Z: 1}, math.Inf(1), Material{row.Number("conductivity_S_per_m"), 1}, []fieldmodels.Emitter{e}, []float64{row.Number("frequency_Hz")})
		if err != nil {
			t.Fatal(err)
		}
		for name, axis := range map[string]r3.Vec{"rho": {X: 1}, "z": {Z: 1}} {
			pickup := pointPickup(axis)
			got := add(t, p, 1, &pickup, at(r3.Vec{X: rho, Z: z}))[0]
			want := complex(row.Number("B_"+name+"_secondary_re_T_per_A_m2"), row.Number("B_"+name+"_secondary_im_T_per_A_m2"))
			if cmplx.Abs(got-want) > most(h+z) {
				t.Errorf("%v: B_%s is %v, want %v", row, name, got, want)
			}
		}
	}
}

// imageLoop is a loop mirrored at the plane z = 0 as a permeable plate of infinite
// permeability shows it; a perfect conductor shows it with the current reversed.
func imageLoop(l fieldmodels.Loop, center, axis r3.Vec) fieldmodels.Source {
	return fieldmodels.PlaceAxis(l, r3.Vec{X: center.X, Y: center.Y, Z: -center.Z}, r3.Vec{X: -axis.X, Y: -axis.Y, Z: axis.Z})
}

// Tilted loops and disc pickups over the two plates that one image describes: a perfect
// conductor, where the field across the surface vanishes, and permeable half of space
// without currents, (μ − 1)/(μ + 1) of the image of infinite permeability (Jackson,
// Classical Electrodynamics, 3rd ed., problem 5.17).
func TestPlateShowsTheMirrorImage(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	vector := func() r3.Vec {
		return r3.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()}
	}
	for name, c := range map[string]struct {
		material Material
		share    float64
	}{
		"perfect conductor": {Material{1e16, 1}, -1},
		"permeable":         {Material{1e-6, 19}, 0.9},
	} {
		for range 20 {
			// A plate anywhere: the mirror plane z = 0 is brought there.
			plate := rigid.Pose{Position: r3.Scale(0.1, vector()), Rotation: rigid.Exp(vector())}
			l := fieldmodels.Loop{Radius: 0.03, Turns: 40}
			center, axis := r3.Vec{X: 0.1 * random.NormFloat64(), Z: 0.05 + 0.1*random.Float64()}, r3.Unit(vector())
			e := fieldmodels.Emitter{Source: fieldmodels.PlaceAxis(l, plate.Apply(center), plate.Rotate(axis)), Center: plate.Apply(center)}
			p, err := NewPlate(plate.Position, plate.Rotate(r3.Vec{Z: 2}), math.Inf(1), c.material, []fieldmodels.Emitter{e}, []float64{7000})
			if err != nil {
				t.Fatal(err)
			}
			pickup := mutual.NewPickup(mutual.Coil{Center: r3.Scale(0.003, vector()), Axis: r3.Unit(vector()), AreaTurns: 0.004, Radius: 0.004})
			sensor := rigid.Pose{Position: r3.Vec{Y: 0.1 * random.NormFloat64(), Z: 0.05 + 0.2*random.Float64()}, Rotation: rigid.Exp(vector())}
			frame := mutual.NewFrame(sensor)
			var placed mutual.Placed
			pickup.Place(&placed, &frame)
			var want mutual.Coupling
			if err := placed.Couple(&want, imageLoop(l, center, axis)); err != nil {
				t.Fatal(err)
			}
			got := add(t, p, 1, &pickup, plate.Compose(sensor))[0]
			// 40 turns of π·(30 mm)² and 40 cm², each with its own spread: no part of them
			// is lower than their centres less their radii.
			tolerance := most(center.Z+sensor.Position.Z-0.03-0.02) * 40 * math.Pi * 0.03 * 0.03 * 0.004
			if cmplx.Abs(got-complex(c.share*want.M, 0)) > tolerance {
				t.Errorf("%s: adds %v H, want %g H within %.2g H", name, got, c.share*want.M, tolerance)
			}
		}
	}
}

// The reflection of a layer against its differential equation, B″ = u²·B for the normal
// component, B and B′/μ continuous, integrated by Runge and Kutta's fourth order.
func TestReflectionAgainstItsEquation(t *testing.T) {
	const hz = 8000.0
	for _, m := range Materials {
		skin := m.SkinDepth(hz)
		for _, thickness := range []float64{0.03 * skin, 0.5 * skin, 3 * skin} {
			for _, lambda := range []float64{0.01 / skin, 0.3 / skin, 2 / skin, 10 / skin} {
				u2 := complex(lambda*lambda, 2*math.Pi*hz*m.Permeability*fieldmodels.Mu0*m.Conductivity)
				b, slope := complex(1, 0), complex(m.Permeability*lambda, 0)
				const steps = 4000
				h := complex(thickness/steps, 0)
				for range steps {
					k1b, k1s := slope, u2*b
					k2b, k2s := slope+h/2*k1s, u2*(b+h/2*k1b)
					k3b, k3s := slope+h/2*k2s, u2*(b+h/2*k2b)
					k4b, k4s := slope+h*k3s, u2*(b+h*k3b)
					b, slope = b+h/6*(k1b+2*k2b+2*k3b+k4b), slope+h/6*(k1s+2*k2s+2*k3s+k4s)
				}
				q := slope / (complex(m.Permeability*lambda, 0) * b)
				want := (1 - q) / (1 + q)
				// (u·h)⁴/120 over the thickness of u·d: |u| ≤ 10/skin, d ≤ 3 skin.
				if got := Reflection(lambda, thickness, m, hz); cmplx.Abs(got-want) > 1e-10 {
					t.Errorf("%+v, %g skin depths, λ·δ %g: %v, want %v", m, thickness/skin, lambda*skin, got, want)
				}
			}
		}
	}
}

// Images meet the reflection at every wave number, also between those that they were
// fitted at and at none.
func TestImagesMeetTheReflection(t *testing.T) {
	hz := []float64{1000, 5025, 14125}
	for name, m := range Materials {
		for _, thickness := range []float64{math.Inf(1), 0.02, 3e-3, 5e-4} {
			depth, weight, misfit := images(thickness, m, hz)
			if misfit > mostMisfit {
				t.Errorf("%s of %g m is missed by %.2g", name, thickness, misfit)
				continue
			}
			for k, f := range hz {
				for lambda := 0.0; lambda < 1e7; lambda = lambda*1.013 + 1e-3 {
					var sum complex128
					for i, s := range depth {
						sum -= weight[i][k] * complex(math.Exp(-lambda*s), 0)
					}
					if d := cmplx.Abs(sum - Reflection(lambda, thickness, m, f)); d > mostMisfit {
						t.Fatalf("%s of %g m at %g Hz, λ %g/m: off by %.2g", name, thickness, f, lambda, d)
					}
				}
			}
		}
	}
}

// bodies are a ball and a plate near a bench of loops, and a sensor's coil.
func bodies(t *testing.T, random *rand.Rand) ([]Body, []fieldmodels.Emitter, mutual.Pickup) {
	t.Helper()
	var emitters []fieldmodels.Emitter
	var hz []float64
	for i := range 3 {
		emitters = append(emitters, emitterOf(fieldmodels.Loop{Radius: 0.03, Turns: 40}, rigid.Pose{Position: r3.Vec{X: 0.15 * float64(i-1)}, Rotation: rigid.Exp(r3.Vec{X: random.NormFloat64(), Y: 0.3})}))
		hz = append(hz, 5000+2000*float64(i))
	}
	ball, err := NewBall(0.02, Materials["aluminium"], emitters, hz)
	if err != nil {
		t.Fatal(err)
	}
	plate, err := NewPlate(r3.Vec{Z: -0.06}, r3.Vec{X: 0.1, Z: 1}, 0.002, Materials["stainless"], emitters, hz)
	if err != nil {
		t.Fatal(err)
	}
	return []Body{ball, plate}, emitters, mutual.NewPickup(mutual.Coil{Center: r3.Vec{X: 0.005}, Axis: r3.Unit(r3.Vec{X: 1, Y: 2, Z: 3}), AreaTurns: 0.004, Radius: 0.004})
}

// Rates against central differences, of a sensor that moves and turns and a ball that
// moves.
func TestRatesAgainstDifferences(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	vector := func(size float64) r3.Vec {
		return r3.Vec{X: size * random.NormFloat64(), Y: size * random.NormFloat64(), Z: size * random.NormFloat64()}
	}
	list, emitters, pickup := bodies(t, random)
	for range 30 {
		pose := rigid.Pose{Position: r3.Add(r3.Vec{Z: 0.15}, vector(0.02)), Rotation: rigid.Exp(vector(1))}
		v, w, ballAt, ballMoves := vector(0.5), vector(2), r3.Add(r3.Vec{X: 0.2, Y: 0.1, Z: 0.1}, vector(0.02)), vector(0.5)
		at := func(b Body, t0 float64, dm []complex128) []complex128 {
			if ball, ok := b.(*Ball); ok {
				if err := ball.MoveTo(r3.Add(ballAt, r3.Scale(t0, ballMoves)), ballMoves); err != nil {
					t.Fatal(err)
				}
			}
			f := mutual.NewFrame(pose.Plus(r3.Scale(t0, v), r3.Scale(t0, w)))
			m := make([]complex128, len(emitters))
			if err := b.Add(m, dm, &pickup, &f, v, w); err != nil {
				t.Fatal(err)
			}
			return m
		}
		for _, b := range list {
			const h = 1e-5
			none, dm := make([]complex128, len(emitters)), make([]complex128, len(emitters))
			early, late := at(b, -h, none), at(b, h, none)
			at(b, 0, dm)
			for e := range dm {
				field := 0.0 // the coupling of a coil along the field
				for _, axis := range []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
					along := mutual.NewPickup(mutual.Coil{Axis: axis, AreaTurns: 0.004})
					field = math.Hypot(field, cmplx.Abs(add(t, b, len(emitters), &along, pose)[e]))
				}
				// mutual.Placed.CoupleFast gives derivatives to 1e-4 of the field, those by the
				// position of that over the distance, here 50 mm and more; over that fields
				// change within 50 ms: h²/6 of (4/50 ms)³; and rounding of M/h, for a plate of
				// weights that sum to some 500.
				tolerance := field * (1e-4*(r3.Norm(w)+(r3.Norm(v)+r3.Norm(ballMoves))/0.05) + h*h/6*5e5 + 500*2.2e-16/h)
				if d := cmplx.Abs((late[e]-early[e])/(2*h) - dm[e]); d > tolerance {
					t.Fatalf("%T, emitter %d: rate %v H/s, differences %v H/s", b, e, dm[e], (late[e]-early[e])/(2*h))
				}
			}
		}
	}
}

// Emitter and pickup may be exchanged: both point coils.
func TestReciprocity(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	vector := func() r3.Vec {
		return r3.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()}
	}
	for range 20 {
		a, b := r3.Add(r3.Vec{Z: 0.3}, r3.Scale(0.05, vector())), r3.Add(r3.Vec{X: 0.2, Z: 0.3}, r3.Scale(0.05, vector()))
		m, n := r3.Unit(vector()), r3.Unit(vector())
		couple := func(kind int, from, moment, to, axis r3.Vec) complex128 {
			e := []fieldmodels.Emitter{emitterOf(fieldmodels.Dipole{Moment: moment}, at(from))}
			hz := []float64{3000}
			var body Body
			if kind == 0 {
				ball, err := NewBall(0.03, Materials["steel"], e, hz)
				if err == nil {
					err = ball.MoveTo(r3.Vec{X: 0.1, Y: 0.2, Z: 0.2}, r3.Vec{})
				}
				if err != nil {
					t.Fatal(err)
				}
				body = ball
			} else {
				plate, err := NewPlate(r3.Vec{}, r3.Vec{Z: 1}, 0.003, Materials["brass"], e, hz)
				if err != nil {
					t.Fatal(err)
				}
				body = plate
			}
			p := pointPickup(axis)
			return add(t, body, 1, &p, at(to))[0]
		}
		for kind := range 2 {
			x, y := couple(kind, a, m, b, n), couple(kind, b, n, a, m)
			// The plate's weights sum to some 500.
			if cmplx.Abs(x-y) > 1e-12*cmplx.Abs(x)+500*2.2e-16*fieldmodels.Mu0 {
				t.Errorf("body %d: %v and %v", kind, x, y)
			}
		}
	}
}

func TestCoilsInsideAreRefused(t *testing.T) {
	list, emitters, pickup := bodies(t, rand.New(rand.NewPCG(7, 8)))
	ball := list[0].(*Ball)
	if err := ball.MoveTo(r3.Vec{X: 0.15, Z: 0.01}, r3.Vec{}); !errors.Is(err, ErrInside) {
		t.Errorf("a ball about an emitter gives %v", err)
	}
	if err := ball.MoveTo(r3.Vec{Z: 0.1}, r3.Vec{}); err != nil {
		t.Fatal(err)
	}
	m := make([]complex128, len(emitters))
	for i, p := range []r3.Vec{{Z: 0.115}, {Z: -0.08}} {
		f := mutual.NewFrame(at(p))
		if err := list[i].Add(m, m, &pickup, &f, r3.Vec{}, r3.Vec{}); !errors.Is(err, ErrInside) {
			t.Errorf("%T about a coil gives %v", list[i], err)
		}
	}
	if _, err := NewPlate(r3.Vec{Z: 0.1}, r3.Vec{Z: 1}, 1, Materials["brass"], emitters, []float64{1, 2, 3}); !errors.Is(err, ErrInside) {
		t.Errorf("a plate about the emitters gives %v", err)
	}
	for want, call := range map[string]func() error{
		"metal: radius -1 m of a ball: must be positive": func() error { _, err := NewBall(-1, Materials["brass"], nil, nil); return err },
		"metal: Conductivity = 0: must be positive and finite": func() error {
			_, err := NewBall(1, Material{0, 1}, nil, nil)
			return err
		},
		"metal: Permeability = 0.5: must be 1 or more": func() error {
			_, err := NewPlate(r3.Vec{}, r3.Vec{Z: 1}, 1, Material{1, 0.5}, nil, nil)
			return err
		},
		"metal: normal {0 0 0} of a plate: must not be zero": func() error {
			_, err := NewPlate(r3.Vec{}, r3.Vec{}, 1, Materials["brass"], nil, nil)
			return err
		},
		"metal: thickness 0 m of a plate: must be positive": func() error {
			_, err := NewPlate(r3.Vec{}, r3.Vec{Z: 1}, 0, Materials["brass"], nil, nil)
			return err
		},
		"metal: 1 frequencies for 3 emitters": func() error {
			_, err := NewBall(1, Materials["brass"], emitters, []float64{1})
			return err
		},
		"metal: frequency 0 Hz of emitter e: must be positive": func() error {
			_, err := NewBall(1, Materials["brass"], emitters, []float64{1, 0, 1})
			return err
		},
	} {
		if err := call(); err == nil || err.Error() != want {
			t.Errorf("got %v, want %q", err, want)
		}
	}
	// A steel foil is a magnetic shunt over a length that no image has.
	if _, err := NewPlate(r3.Vec{Z: -1}, r3.Vec{Z: 1}, 1e-6, Materials["steel"], emitters, []float64{5000, 7000, 9000}); err == nil {
		t.Error("a steel foil of 1 µm is taken")
	}
}

func TestAddDoesNotAllocate(t *testing.T) {
	list, emitters, pickup := bodies(t, rand.New(rand.NewPCG(9, 10)))
	if err := list[0].(*Ball).MoveTo(r3.Vec{Y: 0.2, Z: 0.1}, r3.Vec{X: 1}); err != nil {
		t.Fatal(err)
	}
	m, f := make([]complex128, len(emitters)), mutual.NewFrame(at(r3.Vec{Z: 0.15}))
	for _, b := range list {
		if n := testing.AllocsPerRun(100, func() { b.Add(m, m, &pickup, &f, r3.Vec{}, r3.Vec{}) }); n != 0 {
			t.Errorf("%T: %g allocations", b, n)
		}
	}
}

func BenchmarkAdd(b *testing.B) {
	var emitters []fieldmodels.Emitter
	var hz []float64
	for i := range 8 {
		emitters = append(emitters, emitterOf(fieldmodels.Loop{Radius: 0.03, Turns: 40}, at(r3.Vec{X: 0.1 * float64(i)})))
		hz = append(hz, 5000+1000*float64(i))
	}
	ball, err := NewBall(0.02, Materials["aluminium"], emitters, hz)
	if err == nil {
		err = ball.MoveTo(r3.Vec{Y: 0.2, Z: 0.1}, r3.Vec{})
	}
	if err != nil {
		b.Fatal(err)
	}
	plate, err := NewPlate(r3.Vec{Z: -0.06}, r3.Vec{Z: 1}, 0.002, Materials["aluminium"], emitters, hz)
	if err != nil {
		b.Fatal(err)
	}
	pickup := mutual.NewPickup(mutual.Coil{Axis: r3.Vec{Z: 1}, AreaTurns: 0.004, Radius: 0.004})
	f := mutual.NewFrame(rigid.Pose{Position: r3.Vec{Z: 0.15}, Rotation: quat.Number{Real: 1}})
	m := make([]complex128, len(emitters))
	for _, body := range []Body{ball, plate} {
		b.Run(fmt.Sprintf("%T", body), func(b *testing.B) {
			for b.Loop() {
				if err := body.Add(m, m, &pickup, &f, r3.Vec{}, r3.Vec{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
