package solver

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/internal/kernel"
)

// Solver solves one sensor's poses in one array. It holds working memory, so
// that no solve allocates: it is not safe for concurrent use; Clone gives
// another goroutine its own.
type Solver struct {
	rig   *rig
	rows  []kernel.Row   // [block·coils + coil]
	data  []kernel.Datum // alike
	coils []kernel.Point

	sum, next *kernel.Sum // at the accepted and at the trial state
	factor    kernel.Factor
	used      int       // couplings that are not missing
	variances []float64 // of the observation in data
	seen      Couplings // that observation, the caller's own

	white     whitening
	searching bool // without Problem.Errors
	search    search
	best      *state       // in a cold start, the best minimum so far: a descent that comes near it ends
	radius    float64      // of what is near [m]
	pin       pin          // of Interval
	residuals []kernel.Row // of Nonlinearity
}

// New prepares a Solver: it checks the problem and computes the field on a
// grid over the working volume for cold starts. The array's fields must not
// change afterwards.
func New(p Problem, o Options) (*Solver, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	if err := p.Validate(); err != nil {
		return nil, err
	}
	g := &rig{problem: p, options: o}
	g.blocks = (len(p.Array.Emitters) + kernel.Lanes - 1) / kernel.Lanes
	for _, e := range p.Array.Emitters {
		g.sources = append(g.sources, e.Source)
	}
	g.placed = mutual.NewSources(g.sources)
	if g.model, err = mutual.New(p.Array, p.Sensor); err != nil {
		return nil, err
	}
	g.arrangeCoils()
	g.arrangeDipoles()
	g.reach = r3.Norm(r3.Sub(p.Volume.Max, p.Volume.Min)) / 2
	g.stride = 1 / (g.reach * g.reach)
	g.errors = p.ErrorModel()
	g.arrangeErrors()
	if g.grid, err = newGrid(g); err != nil {
		return nil, err
	}
	g.arrangeTwins()
	return (&Solver{rig: g}).Clone(), nil
}

// Clone returns a Solver of the same problem with working memory of its own.
func (s *Solver) Clone() *Solver {
	g := s.rig
	n := g.blocks * len(g.pickups)
	c := &Solver{
		rig:       g,
		rows:      make([]kernel.Row, n),
		data:      make([]kernel.Datum, n),
		coils:     make([]kernel.Point, len(g.pickups)),
		sum:       new(kernel.Sum),
		next:      new(kernel.Sum),
		variances: make([]float64, len(g.sources)*len(g.pickups)),
	}
	if !g.errors.Exact() {
		c.white.init(g)
	}
	c.search.init(g)
	return c
}

// With returns a Solver of the same problem with other options.
func (s *Solver) With(o Options) (*Solver, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	g := *s.rig
	g.options = o
	return (&Solver{rig: &g}).Clone(), nil
}

// Problem returns what New was given.
func (s *Solver) Problem() Problem { return s.rig.problem }

// Freedom returns the degrees of freedom of a pose: those of the problem's sensor.
func (s *Solver) Freedom() int { return s.rig.freedom }

// Warm solves from a start close by, such as the pose of the frame before. It
// reaches the minimum in whose basin start lies. Couplings of another shape
// than the problem's panic.
func (s *Solver) Warm(c Couplings, start rigid.Pose) (r Result) {
	if !s.load(&r, c) {
		return r
	}
	st := s.rig.stateOf(start)
	d := s.fit(&st, 0, s.rig.options.MaxIterations)
	s.finish(&r, &st, &d)
	return r
}

// load takes an observation into the lanes. It reports false with a result
// that says why nothing can be solved.
func (s *Solver) load(r *Result, c Couplings) bool {
	s.shape(&c)
	coils := len(s.rig.pickups)
	if !slices.Equal(s.variances, c.Variance) {
		if !s.weigh(c.Variance) {
			r.Status = Invalid
			return false
		}
	}
	k := 0
	check := 0.0
	for e := range s.rig.sources {
		block, l := e/kernel.Lanes*coils, e%kernel.Lanes
		for range coils {
			d := &s.data[block]
			v := c.Value[k]
			if d[1][l] == 0 {
				v = 0
			}
			d[0][l] = v
			check += v - v
			block++
			k++
		}
	}
	if check != 0 { // NaN or infinite
		r.Status = Invalid
		return false
	}
	s.seen, s.white.drive = c, s.SharesDrive(&c)
	if s.used < s.Freedom() {
		r.Status, r.DOF = Unobservable, s.used-s.Freedom()
		return false
	}
	return true
}

// shape panics on couplings of another shape than the problem's.
func (s *Solver) shape(c *Couplings) {
	if len(c.Common) != 0 && len(c.Common) != len(s.rig.sources) {
		panic(fmt.Sprintf("solver: couplings with %d common errors: there are %d emitters", len(c.Common), len(s.rig.sources)))
	}
	if n := len(s.variances); len(c.Value) != n || len(c.Variance) != n {
		panic(fmt.Sprintf("solver: %d couplings with %d variances: %d emitters and %d coils need %d of each",
			len(c.Value), len(c.Variance), len(s.rig.sources), len(s.rig.pickups), n))
	}
}

// weigh takes the variances into the lanes; false when one is not positive.
func (s *Solver) weigh(variance []float64) (ok bool) {
	s.search.stale = true
	copy(s.variances, variance)
	s.used, ok = inverseSigmas(variance, func(i int) *float64 {
		k, l := s.rig.slot(i)
		return &s.data[k][1][l]
	})
	if !ok {
		s.variances[0] = 0 // no variance is: the next load weighs anew
	}
	return ok
}

// inverseSigmas writes one over the standard deviation of each coupling, 0 for a missing one,
// and counts those that are not missing; false for a variance that is not positive.
func inverseSigmas(variance []float64, at func(i int) *float64) (used int, ok bool) {
	for i, v := range variance {
		if !(v > 0) {
			return 0, false
		}
		w := 1 / math.Sqrt(v) // 1/+Inf is 0
		if w > 0 {
			used++
		}
		*at(i) = w
	}
	return used, true
}

// arrangeCoils finds the pivot and the coils as seen from it.
func (g *rig) arrangeCoils() {
	coils := g.problem.Sensor.Coils
	for _, c := range coils {
		g.pivot = r3.Add(g.pivot, r3.Scale(1/float64(len(coils)), c.Center))
	}
	g.axis = r3.Unit(coils[0].Axis)
	_, g.axial = g.problem.Sensor.BlindAxis()
	g.freedom = g.problem.Sensor.DegreesOfFreedom()
	for _, c := range coils {
		axis, arm := r3.Unit(c.Axis), r3.Sub(c.Center, g.pivot)
		g.pickups = append(g.pickups, pickup{
			coil: mutual.NewPickup(mutual.Coil{Center: arm, Axis: axis, AreaTurns: c.AreaTurns, Radius: c.Radius}),
			unit: axis, area: c.AreaTurns, inverse: 1 / c.AreaTurns, arm: arm, point: c.Radius == 0,
		})
	}
}

// arrangeDipoles lays out the array for the kernel if it is made of dipoles
// and the coils are points.
func (g *rig) arrangeDipoles() {
	for _, p := range g.pickups {
		if !p.point {
			return
		}
	}
	d := make([]kernel.Dipole, g.blocks)
	for b := range d {
		for l := range kernel.Lanes {
			d[b][0][l] = 1e6 // no emitter: no moment, and no coil is there
		}
	}
	for e, s := range g.sources {
		var center, moment r3.Vec
		switch s := s.(type) {
		case fieldmodels.Dipole:
			moment = s.Moment
		case *fieldmodels.PlacedDipole:
			center, moment = s.Center, s.Moment
		default:
			return
		}
		moment = r3.Scale(fieldmodels.Mu0/(4*math.Pi), moment)
		for j, v := range [6]float64{center.X, center.Y, center.Z, moment.X, moment.Y, moment.Z} {
			d[e/kernel.Lanes][j][e%kernel.Lanes] = v
		}
	}
	g.dipoles = d
	for _, p := range g.pickups {
		n := r3.Scale(p.area, p.unit)
		g.points = append(g.points, [6]float64{n.X, n.Y, n.Z, p.arm.X, p.arm.Y, p.arm.Z})
	}
}
