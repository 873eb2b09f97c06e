package solver

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// twin is a symmetry of an array, exact or nearly so: with the sensor at the mapped
// place, turned as well, all couplings are the same.
//
// An orthogonal map S of space carries the field of a source to that of the mapped
// source, as B is a pseudovector: B(Sx) = det(S)·S·B(x). A source which S leaves
// alone, or reverses, has B(Sx) = Q·B(x) with Q = ±det(S)·S. If one Q holds for all
// emitters, a sensor at Sx whose axes are turned by Q couples as one at x does. Q
// is a rotation, or can be followed by axes in one plane: a reflection of the sensor
// across that plane leaves them alone.
type twin struct {
	centre r3.Vec
	place  [3][3]float64 // S, about the centre
	turn   [3][3]float64 // Q
	within [3][3]float64 // of the sensor's own frame, before it is turned
}

const (
	// flat is the size of an array across a plane, a line or a point, over the half
	// diagonal of the working volume, up to which it may lie in it.
	flat = 0.02
	// twinTol is the relative difference of fields up to which a symmetry is tried. A
	// descent from the mapped pose finds what is there; this spares those in vain.
	twinTol = 0.1
	// twinPlaces is at how many places of the working volume fields are compared.
	twinPlaces = 24
)

// arrangeTwins finds the symmetries that map part of the working volume into it.
func (g *rig) arrangeTwins() {
	within, coplanar := g.coplanarAxes()
	centre, maps := g.candidateMaps()
	for _, place := range maps {
		for _, sign := range []float64{1, -1} {
			t := twin{centre: centre, place: place, within: within}
			factor := sign * determinant(&place)
			t.turn = scaled(&place, factor)
			if determinant(&t.turn) > 0 {
				t.within = identity3
			} else if !coplanar {
				continue
			}
			if g.symmetric(&t) {
				g.twins = append(g.twins, t)
			}
		}
	}
}

var identity3 = [3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}

// reflection is that across the plane normal to a unit vector.
func reflection(n r3.Vec) (m [3][3]float64) {
	v := array(n)
	m = identity3
	for i := range 3 {
		for j := range 3 {
			m[i][j] -= 2 * v[i] * v[j]
		}
	}
	return m
}

func scaled(m *[3][3]float64, f float64) (out [3][3]float64) {
	for i := range m {
		for j, v := range m[i] {
			out[i][j] = f * v
		}
	}
	return out
}

func determinant(m *[3][3]float64) float64 {
	return r3.Dot(vector(m[0]), r3.Cross(vector(m[1]), vector(m[2])))
}

// spread3 returns the principal directions of vectors and the roots of their mean
// squares along them.
func spread3(all []r3.Vec) (direction [3]r3.Vec, size [3]float64) {
	var a, v eigen
	for _, d := range all {
		x := array(d)
		for i := range 3 {
			for j := range 3 {
				a[i][j] += x[i] * x[j] / float64(len(all))
			}
		}
	}
	v.diagonalise(&a, 3, 1e-24)
	for k := range 3 {
		direction[k] = r3.Unit(r3.Vec{X: v[0][k], Y: v[1][k], Z: v[2][k]})
		size[k] = math.Sqrt(max(0, a[k][k]))
	}
	return direction, size
}

// coplanarAxes returns the reflection of the sensor that leaves its coils' axes
// alone, if they lie in one plane.
func (g *rig) coplanarAxes() (m [3][3]float64, ok bool) {
	var axes []r3.Vec
	for _, p := range g.pickups {
		axes = append(axes, p.unit)
	}
	direction, size := spread3(axes)
	for k, s := range size {
		if s < 1e-3 {
			return reflection(direction[k]), true
		}
	}
	return m, false
}

// candidateMaps lists the maps about the emitters' centroid, identity apart, that
// leave every emitter where it is.
func (g *rig) candidateMaps() (centre r3.Vec, maps [][3][3]float64) {
	emitters := g.problem.Array.Emitters
	for _, e := range emitters {
		centre = r3.Add(centre, r3.Scale(1/float64(len(emitters)), e.Center))
	}
	var arms []r3.Vec
	for _, e := range emitters {
		arms = append(arms, r3.Sub(e.Center, centre))
	}
	direction, size := spread3(arms)
	var narrow, wide []r3.Vec
	for k, d := range direction {
		if size[k] < flat*g.reach {
			narrow = append(narrow, d)
		} else {
			wide = append(wide, d)
		}
	}
	switch len(narrow) {
	case 1:
		maps = append(maps, reflection(narrow[0]))
	case 2:
		// About a line, reflections along the emitters' axes and across them, and
		// half a turn.
		u := wide[0]
		half := reflection(u)
		maps = append(maps, scaled(&half, -1))
		for _, e := range emitters {
			across := r3.Sub(e.Axis, r3.Scale(r3.Dot(e.Axis, u), u))
			if r3.Norm(across) > 0.1 {
				across = r3.Unit(across)
				maps = append(maps, reflection(across), reflection(r3.Cross(u, across)))
				break
			}
		}
	case 3:
		maps = append(maps, scaled(&identity3, -1))
	}
	return centre, maps
}

// symmetric tells whether the fields have a symmetry, at places of the working
// volume whose twins lie in it too.
func (g *rig) symmetric(t *twin) bool {
	compared := 0
	cells := g.grid.centers
	for i := range cells {
		// Strides by the golden section spread over the cells evenly.
		x := cells[int(math.Mod(float64(i)*0.6180339887498949, 1)*float64(len(cells)))]
		to := t.placed(x)
		if !g.inside(x) || !g.inside(to) || r3.Norm(r3.Sub(to, x)) < 1e-3*g.reach {
			continue
		}
		for _, s := range g.sources {
			here, err := s.Field(x)
			if err != nil {
				continue
			}
			there, err := s.Field(to)
			if err != nil {
				continue
			}
			if r3.Norm(r3.Sub(there, rigid.MulVec(&t.turn, here))) > twinTol*r3.Norm(here) {
				return false
			}
		}
		if compared++; compared == twinPlaces {
			break
		}
	}
	return compared > 0
}

func (t *twin) placed(x r3.Vec) r3.Vec {
	return r3.Add(t.centre, rigid.MulVec(&t.place, r3.Sub(x, t.centre)))
}

// of returns the twin of a pose.
func (t *twin) of(g *rig, p rigid.Pose) rigid.Pose {
	st := g.stateOf(p)
	turned := rigid.Mul(rigid.Mul(t.turn, st.R), t.within)
	st.setRotation(rigid.FromMatrix(turned))
	st.Origin = t.placed(st.Origin)
	return g.poseOf(&st)
}

// Twins looks at the poses that the array's symmetries make of a result of solving c,
// and notes the likeliest as its RunnerUp where that fits better than the one noted.
// Cold has done so; poses followed by Warm may ask. Without symmetries that leave
// the working volume its own it costs nothing.
func (s *Solver) Twins(c Couplings, r *Result) {
	for i := range s.rig.twins {
		if other, ok := s.twin(c, r, i); ok {
			s.note(r, &other)
		}
	}
}

// settle does the same for a cold start, where a twin may take a pose's place: if the
// pose is not even ambiguous beside it, or lies outside the working volume.
func (s *Solver) settle(c Couplings, r *Result) {
	for i := range s.rig.twins {
		other, ok := s.twin(c, r, i)
		if !ok {
			continue
		}
		if other.ChiSquare < r.ChiSquare-handicap || r.Outside && other.ChiSquare < r.ChiSquare+handicap {
			other.Iterations += r.Iterations
			*r, other = other, *r
		}
		s.note(r, &other)
	}
}

// twin follows the twin of a result by one symmetry; false where it is outside, or no
// other pose.
func (s *Solver) twin(c Couplings, r *Result, i int) (other Result, ok bool) {
	if r.Status != Converged {
		return other, false
	}
	other = s.Warm(c, s.rig.twins[i].of(s.rig, r.Pose))
	if other.Status != Converged || other.Outside {
		return other, false
	}
	a, b := s.rig.stateOf(r.Pose), s.rig.stateOf(other.Pose)
	return other, !s.same(&a, &b, s.sum)
}

// note makes a pose the runner-up of a result where it is the likeliest so far.
func (s *Solver) note(r, other *Result) {
	if other.Outside || other.Status != Converged {
		return
	}
	ratio := math.Exp(math.Min(0, (r.ChiSquare-other.ChiSquare)/2))
	if ratio > r.RunnerUp.Ratio {
		r.RunnerUp = RunnerUp{other.Pose, ratio}
		r.Ambiguous = ratio >= ambiguityRatio
	}
}
