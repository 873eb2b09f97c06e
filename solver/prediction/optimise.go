package prediction

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
	"tonepose/fieldmodels/mutual"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver"
)

// Goal says what Optimise makes small.
type Goal int

// Goals of Optimise.
const (
	Worst Goal = iota // the largest position deviation over the volume
	Mean              // its rms
)

// Layout bounds what Optimise may do and says how hard it tries. The zero value
// of a field means its default.
type Layout struct {
	ShiftM  r3.Vec  // how far a centre may move to either side along x, y, z [m]; 0: not at all
	TiltRad float64 // how far an axis may tilt from where it was; 0: not at all
	// RadiusM of each emitter [m]: a ball round its centre that must not come to
	// overlap another's ball or the working volume, or not more than it does at
	// first. Nil: all 0.
	RadiusM []float64
	Goal    Goal
	Grid    int // positions along a side of the volume; default 4
	Starts  int // first as it stands, then from random placements; default 3
	Seed    uint64
}

// Move is what becomes of one emitter: tilted about its centre by a rotation
// vector [rad], then shifted [m], both in the rig frame.
type Move struct{ Shift, Tilt r3.Vec }

// Placed returns the emitter after the move.
func (m Move) Placed(e fieldmodels.Emitter) fieldmodels.Emitter {
	q := rigid.Exp(m.Tilt)
	// x → R(x − c) + c + s
	at := r3.Add(r3.Sub(e.Center, rigid.Rotate(q, e.Center)), m.Shift)
	e.Source = fieldmodels.Place(e.Source, rigid.Pose{Position: at, Rotation: q})
	e.Center, e.Axis = r3.Add(e.Center, m.Shift), rigid.Rotate(q, e.Axis)
	return e
}

// Optimum is the outcome of Optimise. Before and After are the goal over its own
// coarse grid [m]; Survey the moved array for figures that count.
type Optimum struct {
	Moves         []Move
	Before, After float64
	Trials        int
}

// Optimise moves and tilts the emitters of a problem within bounds so that the
// predicted position deviation becomes small. Noise stays as given. Equal calls
// give equal moves.
//
// The information of a pose is a sum over emitters, so that trying a move costs
// that of one emitter. Each start is a pattern search (Hooke and Jeeves, J. ACM 8,
// 1961) over three shifts and two tilts of every emitter, steps halved from half
// of the bounds down to a sixty-fourth. The worst case is softened to the 16th
// power mean while searching. Pickups count as points.
func Optimise(ctx context.Context, p solver.Problem, n Noise, l Layout) (*Optimum, error) {
	s, err := newLayoutSearch(p, n, l)
	if err != nil {
		return nil, err
	}
	var best *Optimum
	for start := range s.Starts {
		if err := s.begin(ctx, start); err != nil {
			return nil, err
		}
		if err := s.descend(ctx); err != nil {
			return nil, err
		}
		if best == nil || s.value < best.After {
			best = &Optimum{Moves: s.moves(), After: s.value}
		}
	}
	best.Before, best.Trials = s.before, s.trials
	if !(best.After < best.Before) {
		best.After, best.Moves = best.Before, make([]Move, len(p.Array.Emitters))
	}
	best.Before, best.After = s.deviation(best.Before), s.deviation(best.After)
	return best, nil
}

// place holds an emitter's five parameters in shares −1..1 of their bounds.
type place [5]float64

type layoutSearch struct {
	Layout
	problem solver.Problem
	noise   Noise
	probe   mutual.Sensor // coils as points
	basis   basis
	poses   []rigid.Pose
	across  [][2]r3.Vec // two axes square to each emitter's own

	places []place
	each   [][]information // by emitter and pose
	rest   []information   // of all emitters but the one that moves
	trial  []information
	value  float64
	before float64
	trials int
}

func newLayoutSearch(p solver.Problem, n Noise, l Layout) (*layoutSearch, error) {
	l.Grid, l.Starts = cmp.Or(l.Grid, 4), cmp.Or(l.Starts, 3)
	if err := p.Validate(); err != nil {
		return nil, err
	}
	if err := n.check(&p); err != nil {
		return nil, err
	}
	if l.RadiusM == nil {
		l.RadiusM = make([]float64, len(p.Array.Emitters))
	}
	for _, v := range []float64{l.ShiftM.X, l.ShiftM.Y, l.ShiftM.Z, l.TiltRad} {
		if !(v >= 0) || math.IsInf(v, 1) {
			return nil, fmt.Errorf("prediction: Layout bound %g: must be finite and not negative", v)
		}
	}
	if l.ShiftM == (r3.Vec{}) && l.TiltRad == 0 || len(l.RadiusM) != len(p.Array.Emitters) || l.Grid < 2 || l.Starts < 1 {
		return nil, fmt.Errorf("prediction: Layout %+v: needs room to move, a radius for each of %d emitters, a grid of 2 or more", l, len(p.Array.Emitters))
	}
	s := &layoutSearch{Layout: l, problem: p, noise: n}
	s.basis, s.probe = newBasis(&p)
	s.probe.Coils = slices.Clone(s.probe.Coils)
	for i := range s.probe.Coils {
		s.probe.Coils[i].Radius = 0
	}
	turns := 2
	if s.basis.blind != (r3.Vec{}) {
		turns = 6
	}
	orientations := Orientations(turns)
	for _, at := range Grid(p.Volume, l.Grid) {
		for _, q := range orientations {
			s.poses = append(s.poses, rigid.Pose{Position: at, Rotation: q})
		}
	}
	for _, e := range p.Array.Emitters {
		q := rigid.Between(r3.Vec{Z: 1}, e.Axis)
		s.across = append(s.across, [2]r3.Vec{rigid.Rotate(q, r3.Vec{X: 1}), rigid.Rotate(q, r3.Vec{Y: 1})})
		s.each = append(s.each, make([]information, len(s.poses)))
	}
	s.rest, s.trial = make([]information, len(s.poses)), make([]information, len(s.poses))
	return s, nil
}

// begin places the emitters for a start.
func (s *layoutSearch) begin(ctx context.Context, start int) error {
	s.places = make([]place, len(s.each))
	random := rand.New(rand.NewPCG(s.Seed, uint64(start)))
	for e := range s.places {
		for try := 0; start > 0 && try <= 100; try++ {
			var p place
			for k := range p {
				p[k] = 2*random.Float64() - 1
			}
			if s.allowed(e, p) {
				s.places[e] = p
				break
			}
		}
		if err := s.inform(ctx, s.each[e], e, s.move(e, s.places[e])); err != nil {
			return err
		}
	}
	s.sum(-1)
	s.value = s.judge(s.rest)
	if start == 0 {
		s.before = s.value
	}
	return nil
}

// sum fills rest with the information of all emitters but one.
func (s *layoutSearch) sum(but int) {
	clear(s.rest)
	for e := range s.each {
		if e != but {
			for i := range s.rest {
				s.rest[i].plus(&s.each[e][i])
			}
		}
	}
}

// move makes a move of shares. A tilt beyond the bound is shortened to it.
func (s *layoutSearch) move(e int, p place) Move {
	// Whole tenths of a millimetre and milliradians, towards zero: what a builder
	// can set, and never beyond the bounds.
	round := func(v, unit float64) float64 { return math.Trunc(v/unit*(1+1e-12)) * unit }
	tilt := r3.Add(r3.Scale(p[3]*s.TiltRad, s.across[e][0]), r3.Scale(p[4]*s.TiltRad, s.across[e][1]))
	if n := r3.Norm(tilt); n > s.TiltRad {
		tilt = r3.Scale(s.TiltRad/n, tilt)
	}
	return Move{Shift: r3.Vec{X: round(p[0]*s.ShiftM.X, 1e-4), Y: round(p[1]*s.ShiftM.Y, 1e-4), Z: round(p[2]*s.ShiftM.Z, 1e-4)},
		Tilt: r3.Vec{X: round(tilt.X, 1e-3), Y: round(tilt.Y, 1e-3), Z: round(tilt.Z, 1e-3)}}
}

func (s *layoutSearch) moves() []Move {
	out := make([]Move, len(s.places))
	for e, p := range s.places {
		out[e] = s.move(e, p)
	}
	return out
}

// allowed reports whether emitter e may stand there.
func (s *layoutSearch) allowed(e int, p place) bool {
	old := s.problem.Array.Emitters[e].Center
	at := r3.Add(old, s.move(e, p).Shift)
	near := func(v r3.Vec) float64 { // distance to the working volume
		w := s.problem.Volume
		return r3.Norm(r3.Vec{X: math.Max(0, math.Max(w.Min.X-v.X, v.X-w.Max.X)), Y: math.Max(0, math.Max(w.Min.Y-v.Y, v.Y-w.Max.Y)), Z: math.Max(0, math.Max(w.Min.Z-v.Z, v.Z-w.Max.Z))})
	}
	const rounding = 1 - 1e-9
	if near(at) < rounding*math.Min(s.RadiusM[e], near(old)) {
		return false
	}
	for k := range s.places {
		if k == e {
			continue
		}
		first := s.problem.Array.Emitters[k].Center
		other := r3.Add(first, s.move(k, s.places[k]).Shift)
		if r3.Norm(r3.Sub(at, other)) < rounding*math.Min(s.RadiusM[e]+s.RadiusM[k], r3.Norm(r3.Sub(old, first))) {
			return false
		}
	}
	return true
}

// inform fills the information that emitter e gives of every pose after a move.
func (s *layoutSearch) inform(ctx context.Context, dst []information, e int, m Move) error {
	s.trials++
	one, err := mutual.New(fieldmodels.Array{Emitters: []fieldmodels.Emitter{m.Placed(s.problem.Array.Emitters[e])}}, s.probe)
	if err != nil {
		return err
	}
	coils := len(s.probe.Coils)
	value, slope := make([]float64, coils), make([][6]float64, coils)
	for i, pose := range s.poses {
		if err := ctx.Err(); err != nil {
			return err
		}
		dst[i] = information{}
		if one.Evaluate(pose, value, slope) != nil {
			continue // on the conductor: nothing to learn
		}
		s.noise.inform(&dst[i], e, value, slope)
	}
	return nil
}

// softness is the power whose mean stands for the worst case.
const softness = 16

// judge is the mean power of the deviations, over the largest, so that powers do not overflow; poses that are not observable count
// as the volume's size.
func (s *layoutSearch) judge(total []information) float64 {
	sum := 0.0
	for i := range total {
		b := s.basis.bound(&total[i], s.poses[i])
		d := 1.0
		if b.Observable {
			d = b.PositionM / s.basis.limit
		}
		if s.Goal == Mean {
			sum += d * d
		} else {
			sum += math.Pow(d, softness)
		}
	}
	return sum / float64(len(total))
}

// deviation is a value of judge in metres.
func (s *layoutSearch) deviation(v float64) float64 {
	if s.Goal == Mean {
		return s.basis.limit * math.Sqrt(v)
	}
	return s.basis.limit * math.Pow(v, 1.0/softness)
}

// descend is the pattern search from where the emitters stand. A pass that gains
// less than a thousandth ends a step size.
func (s *layoutSearch) descend(ctx context.Context) error {
	candidate := make([]information, len(s.poses))
	for step := 0.5; step > 1.0/65; step /= 2 {
		for pass := 0; pass < 6; pass++ {
			at := s.deviation(s.value)
			for e := range s.places {
				if err := s.improve(ctx, e, step, candidate); err != nil {
					return err
				}
			}
			if s.deviation(s.value) > at*(1-1e-3) {
				break
			}
		}
	}
	return nil
}

// improve tries both ways along each parameter of emitter e.
func (s *layoutSearch) improve(ctx context.Context, e int, step float64, candidate []information) error {
	bounds := [5]float64{s.ShiftM.X, s.ShiftM.Y, s.ShiftM.Z, s.TiltRad, s.TiltRad}
	s.sum(e)
	for k := range bounds {
		if bounds[k] == 0 {
			continue
		}
		for _, way := range []float64{step, -step} {
			p := s.places[e]
			p[k] = math.Min(1, math.Max(-1, p[k]+way))
			if p == s.places[e] || !s.allowed(e, p) {
				continue
			}
			if err := s.inform(ctx, candidate, e, s.move(e, p)); err != nil {
				return err
			}
			copy(s.trial, s.rest)
			for i := range s.trial {
				s.trial[i].plus(&candidate[i])
			}
			if v := s.judge(s.trial); v < s.value {
				s.value, s.places[e] = v, p
				copy(s.each[e], candidate)
				break
			}
		}
	}
	return nil
}
