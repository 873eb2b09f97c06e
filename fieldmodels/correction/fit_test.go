package correction

import (
	"errors"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
)

const area = 0.004 // m², of the invented pickups

// invented is two emitters above a plate: what is not in their models are the
// fields of their images 0.3 m below the volume's middle, and a strength of the
// first one that is known to a hundredth.
type invented struct {
	own, images []fieldmodels.Source
	strength    float64 // error of the first
	noise       float64 // [H]
	sigma       float64 // of places along one direction, which moves the couplings by a slope of 3e-6 T/m
	random      *rand.Rand
}

func newInvented(seed uint64, noise float64) *invented {
	v := &invented{noise: noise, sigma: 5e-5, random: rand.New(rand.NewPCG(seed, 6))}
	for _, x := range []float64{-0.08, 0.1} {
		loop := fieldmodels.Loop{Radius: 0.035, Turns: 40}
		v.own = append(v.own, fieldmodels.PlaceAxis(loop, r3.Vec{X: x, Y: 0.03, Z: -0.12}, r3.Vec{X: 0.2, Z: 1}))
		v.images = append(v.images, fieldmodels.PlaceAxis(loop, r3.Vec{X: x, Y: 0.03, Z: -0.3}, r3.Vec{X: 0.2, Z: -1}))
	}
	v.strength = 0.01 * v.random.NormFloat64()
	return v
}

// station draws a place; truth is the couplings there less the model's.
func (v *invented) station(t *testing.T) (st Station, truth []float64) {
	t.Helper()
	at := r3.Vec{X: 0.2 * (v.random.Float64() - 0.5), Y: 0.2 * (v.random.Float64() - 0.5), Z: 0.12 * (v.random.Float64() - 0.5)}
	axes := []r3.Vec{{X: area}, {Y: area}, {Z: area}}
	for _, along := range axes {
		st.Pickups = append(st.Pickups, []mutual.Point{{At: at, Along: along}})
	}
	off := v.random.NormFloat64()
	for e := range v.own {
		own, err := v.own[e].Field(at)
		if err != nil {
			t.Fatal(err)
		}
		image, err := v.images[e].Field(at)
		if err != nil {
			t.Fatal(err)
		}
		for c, along := range axes {
			slope := 3e-6 * area * v.sigma * math.Cos(float64(3*e+c))
			row := Row{Emitter: e, Pickup: c, ByCoupling: 1 / v.noise, ByPose: [poses]float64{slope / v.noise}}
			value := r3.Dot(image, along)
			if e == 0 {
				value += v.strength * r3.Dot(own, along)
				row.Columns, row.By = []int{0}, []float64{r3.Dot(own, along) / v.noise}
			}
			row.Residual = -(value + slope*off + v.noise*v.random.NormFloat64()) / v.noise
			st.Rows, truth = append(st.Rows, row), append(truth, value)
		}
	}
	for k := range poses { // what is known of the place, in its sigmas
		known := Row{Pickup: -1}
		known.ByPose[k] = 1
		st.Rows = append(st.Rows, known)
	}
	return st, truth
}

func (v *invented) bench(t *testing.T, stations int) *Bench {
	t.Helper()
	b := &Bench{Emitters: len(v.own), Parameters: 1, Known: []Row{{Pickup: -1, Columns: []int{0}, By: []float64{100}}}}
	for range stations {
		st, _ := v.station(t)
		b.Stations = append(b.Stations, st)
	}
	return b
}

// others predicts the couplings at other places: the mean squares of the errors
// and of what there is to correct, the mean of the squared errors over their
// covariance, a coupling, and the variance of that mean as the covariance makes
// it: one map's errors are common to all places, and normal numbers' squares
// covary by twice the square of their covariance.
func (v *invented) others(t *testing.T, m *Map, places int) (off, whole, normalised, variance float64) {
	t.Helper()
	n := 3 * len(v.own)
	all := 3 * places
	var pickups [][]mutual.Point
	slopes, errors := make([]float64, n*places), mat.NewVecDense(n*places, nil)
	at := func(place, i int) int { return i/3*all + 3*place + i%3 }
	for place := range places {
		st, truth := v.station(t)
		pickups = append(pickups, st.Pickups...)
		for i, want := range truth {
			k := at(place, i)
			if rw := &st.Rows[i]; len(rw.By) > 0 {
				slopes[k] = rw.By[0] / rw.ByCoupling
			}
			p := st.Pickups[i%3][0]
			b, _ := m.Source(i / 3).Field(p.At)
			e := r3.Dot(b, p.Along) + slopes[k]*m.Moved[0] - want
			errors.SetVec(k, e)
			off += e * e / float64(n*places)
			whole += want * want / float64(n*places)
		}
	}
	cov := mat.NewDense(n*places, n*places, nil)
	m.Propagate(cov.RawMatrix().Data, pickups, slopes)
	// Every place's couplings over the root of their covariance.
	white, one := mat.NewDense(n*places, n*places, nil), mat.NewSymDense(n, nil)
	for place := range places {
		for i := range n {
			for k := i; k < n; k++ {
				one.SetSym(i, k, cov.At(at(place, i), at(place, k)))
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(one) {
			t.Fatal("the covariance of a place's couplings is not positive definite")
		}
		var lower, inverse mat.TriDense
		chol.LTo(&lower)
		if err := inverse.InverseTri(&lower); err != nil {
			t.Fatal(err)
		}
		for i := range n {
			for k := range i + 1 {
				white.Set(n*place+i, at(place, k), inverse.At(i, k))
			}
		}
	}
	var e mat.VecDense
	e.MulVec(white, errors)
	var half, cross mat.Dense
	half.Mul(white, cov)
	cross.Mul(&half, white.T())
	count := float64(n * places)
	return off, whole, mat.Dot(&e, &e) / count, 2 * math.Pow(mat.Norm(&cross, 2), 2) / (count * count)
}

func TestFitPredictsOtherPlaces(t *testing.T) {
	const benches = 4
	var after, before, normalised, variance float64
	for seed := range uint64(benches) {
		v := newInvented(seed, 2e-12)
		m, err := Fit(v.bench(t, 60), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if m.After > m.Before/9 {
			t.Errorf("held-out mean square %.3g before, %.3g after", m.Before, m.After)
		}
		off, whole, square, scatter := v.others(t, m, 60)
		t.Logf("seed %d: %.2f ± %.2f, growth %.2f, standardised %.2f, %+v", seed, square, math.Sqrt(scatter), m.Growth, m.Standardised, m.Smoothness)
		after, before = after+off, before+whole
		normalised, variance = normalised+square/benches, variance+scatter/(benches*benches)
	}
	if after > before/1e4 {
		t.Errorf("rms error is %.3g of what there is to correct", math.Sqrt(after/before))
	}
	if math.Abs(normalised-1) > 3*math.Sqrt(variance) {
		t.Errorf("mean squared error over its covariance %.2f, want 1 ± %.2f", normalised, 3*math.Sqrt(variance))
	}
}

// Away from what was mapped the uncertainty grows without bound.
func TestUncertaintyGrowsOutside(t *testing.T) {
	m, err := Fit(newInvented(2, 2e-12).bench(t, 60), Options{})
	if err != nil {
		t.Fatal(err)
	}
	last := 0.0
	for i, r := range []float64{0.3, 1, 1.4, 2, 3} {
		sum, cov := 0.0, make([]float64, 36)
		for _, d := range []r3.Vec{{X: 1}, {X: -1}, {Y: 1}, {Y: -1}, {Z: 1}, {Z: -1}} {
			at := r3.Add(m.Center, r3.Scale(r*m.Radius, d))
			m.Propagate(cov, [][]mutual.Point{{{At: at, Along: r3.Vec{X: area}}}, {{At: at, Along: r3.Vec{Y: area}}}, {{At: at, Along: r3.Vec{Z: area}}}}, make([]float64, 6))
			for i := range 6 {
				sum += cov[7*i] / 36
			}
		}
		if sigma := math.Sqrt(sum); i > 0 && sigma < 1.7*last {
			t.Errorf("at %g radii: sigma %.3g H, nearer %.3g H", r, sigma, last)
		} else {
			last = sigma
		}
	}
}

func TestNoiseHoldsNoField(t *testing.T) {
	nothing := 0
	for seed := range uint64(10) {
		v := newInvented(seed, 2e-12)
		v.images = []fieldmodels.Source{fieldmodels.Sum{}, fieldmodels.Sum{}}
		m, err := Fit(v.bench(t, 40), Options{Degree: 3})
		switch {
		case errors.Is(err, ErrNothing):
			nothing++
		case err != nil:
			t.Fatal(err)
		case m.After < 0.9*m.Before:
			t.Errorf("seed %d: noise predicts noise: %.3f after, %.3f before", seed, m.After, m.Before)
		}
	}
	if nothing == 0 {
		t.Error("noise was always taken for a field")
	}
}

// Leaving a station out in closed form is leaving it out: the others' fit at the
// same smoothness, and its own error.
func TestLeaveOutIsLeavingOut(t *testing.T) {
	b := newInvented(4, 2e-12).bench(t, 12)
	m, err := Fit(b, Options{Degree: 3})
	if err != nil {
		t.Fatal(err)
	}
	pr, err := newPrior(m.Smoothness)
	if err != nil {
		t.Fatal(err)
	}
	var reads [][]float64
	for s := range b.Stations {
		reads = append(reads, m.reads(b.Stations[s].Pickups))
	}
	fit := func(b *Bench, reads [][]float64, sizes []float64) (*equations, []float64, *mat.SymDense) {
		q := newEquations(termsOf(3), all(2), all(1))
		q.gather(b.Stations, reads, b.Known)
		post, err := q.solve(pr, m.Smoothness.amplitudes(sizes))
		if err != nil {
			t.Fatal(err)
		}
		cov, err := post.covariance()
		if err != nil {
			t.Fatal(err)
		}
		return q, post.mean, cov
	}
	sizes := b.sizes()
	q, mean, cov := fit(b, reads, sizes)
	got := b.leaveOut(q, mean, cov, reads)
	want, standardised := 0.0, 0.0
	for s := range b.Stations {
		part := *b
		part.Stations = append(append([]Station(nil), b.Stations[:s]...), b.Stations[s+1:]...)
		rest := append(append([][]float64(nil), reads[:s]...), reads[s+1:]...)
		q, mean, cov := fit(&part, rest, sizes)
		st := &b.Stations[s]
		dense, y := mat.NewDense(len(st.Rows), q.n, nil), mat.NewVecDense(len(st.Rows), nil)
		for i, row := range q.sparse(st, reads[s]) {
			y.SetVec(i, st.Rows[i].Residual)
			copy(dense.RawRowView(i)[row.first:], row.terms)
			for k, c := range row.columns {
				dense.Set(i, c, row.by[k])
			}
		}
		y.AddScaledVec(y, 1, product(dense, mean))
		var z mat.Dense
		var e, x mat.VecDense
		z.Mul(q.freed(st).T(), dense)
		e.MulVec(q.freed(st).T(), y)
		var half, full mat.Dense
		half.Mul(&z, cov)
		full.Mul(&half, z.T())
		n := e.Len()
		sym := mat.NewSymDense(n, nil)
		for i := range n {
			for k := i; k < n; k++ {
				sym.SetSym(i, k, full.At(i, k))
			}
			sym.SetSym(i, i, sym.At(i, i)+1)
		}
		var chol mat.Cholesky
		if !chol.Factorize(sym) || chol.SolveVecTo(&x, &e) != nil {
			t.Fatal("covariance of a prediction")
		}
		want += mat.Dot(&e, &e) / float64(got.count())
		standardised += mat.Dot(&e, &x) / float64(got.count())
	}
	// Covariances of a condition of 1e8 and more lose half of the digits.
	if math.Abs(got.raw()-want) > 1e-5*want || math.Abs(got.standardised()-standardised) > 1e-5*standardised {
		t.Errorf("mean square %.9g, standardised %.9g; fitted anew %.9g and %.9g", got.raw(), got.standardised(), want, standardised)
	}
}

// The same bits on one processor and on several: of 337 unknowns, whose squares are
// products of several blocks.
func TestFitOnAnyProcessors(t *testing.T) {
	b := newInvented(6, 2e-12).bench(t, 40)
	var found []*Map
	for _, n := range []int{1, 4} {
		was := runtime.GOMAXPROCS(n)
		m, err := Fit(b, Options{Known: &Smoothness{Degree: MaxDegree, Falloff: 0.6, Relative: 1}, Draft: true})
		runtime.GOMAXPROCS(was)
		if err != nil {
			t.Fatal(err)
		}
		found = append(found, m)
	}
	for e := range found[0].Emitters {
		if !slices.Equal(found[0].Emitters[e].Coefficients, found[1].Emitters[e].Coefficients) {
			t.Errorf("emitter %d differs", e)
		}
	}
}

func product(m *mat.Dense, v []float64) *mat.VecDense {
	var out mat.VecDense
	out.MulVec(m, mat.NewVecDense(len(v), v))
	return &out
}

func TestMapReadsBack(t *testing.T) {
	m, err := Fit(newInvented(1, 2e-12).bench(t, 30), Options{Degree: 2})
	if err != nil {
		t.Fatal(err)
	}
	text, err := m.Encode()
	if err != nil {
		t.Fatal(err)
	}
	back, err := Decode(text, 2, 1)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := back.Encode()
	if string(again) != string(text) {
		t.Error("a map read back is another")
	}
	if _, err := Decode(text, 3, 1); err == nil {
		t.Error("a map of two emitters is taken for three")
	}
	if _, err := Decode(text, 2, 2); err == nil {
		t.Error("a covariance of one parameter is taken for two")
	}
	back.Emitters[1].Coefficients = back.Emitters[1].Coefficients[1:]
	broken, _ := back.Encode()
	if _, err := Decode(broken, 2, 1); err == nil {
		t.Error("a map of seven coefficients is taken")
	}
}
