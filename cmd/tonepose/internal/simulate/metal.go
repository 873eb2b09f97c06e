package simulate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/metal"
	"tonepose/fieldmodels/rigid"
)

// nearby is a ball or a plate near the bench.
type nearby struct {
	name   string
	body   metal.Body
	ball   *metal.Ball // nil: a plate
	course course      // of a ball
	shown  []toggle    // by rising time
	on     bool        // when couplings were last asked for
	at     r3.Vec      // where the ball was then,
	moves  bool        // and that it moved
}

// toggle is when metal begins to be there, or ends.
type toggle struct {
	at float64 // [s]
	on bool
}

// show lets metal be there, or not, from an instant on, and forgets what was long ago.
func (n *nearby) show(t toggle, now float64) {
	i := sort.Search(len(n.shown), func(i int) bool { return n.shown[i].at > t.at })
	n.shown = slices.Insert(n.shown, i, t)
	old := 0
	for old+1 < len(n.shown) && n.shown[old+1].at < now-memoryS {
		old++
	}
	n.shown = slices.Delete(n.shown, 0, old)
}

// present reports whether the metal is there at t.
func (n *nearby) present(t float64) bool {
	i := sort.Search(len(n.shown), func(i int) bool { return n.shown[i].at > t })
	return i > 0 && n.shown[i-1].on
}

// AddMetal puts a ball or a plate near the bench and returns its number. It is absent
// until a Metal changes that. Its material answers at the tones' nominal frequencies.
func (g *Generator) AddMetal(m rig.Metal) (int, error) {
	array, err := g.rig.Array()
	if err != nil {
		return 0, err
	}
	var hz []float64
	for _, e := range g.rig.Emitters {
		hz = append(hz, e.ToneHz)
	}
	n := nearby{name: m.Name}
	switch m.Shape {
	case "ball":
		n.ball, err = metal.NewBall(m.RadiusM, m.Material, array.Emitters, hz)
		n.body, n.course = n.ball, course{{to: still(rigid.Pose{Position: m.CenterM, Rotation: rigid.Identity().Rotation})}}
	case "plate":
		thickness := m.ThicknessM
		if thickness == 0 {
			thickness = math.Inf(1)
		}
		n.body, err = metal.NewPlate(m.PointM, m.Normal, thickness, m.Material, array.Emitters, hz)
	default:
		err = fmt.Errorf("no shape %q: there are ball and plate", m.Shape)
	}
	if err != nil {
		return 0, fmt.Errorf("metal %s: %w", m.Name, keepClear(err))
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.coils.metal = append(g.coils.metal, n)
	return len(g.coils.metal) - 1, nil
}

// keepClear says what mends metal that an emitter is inside of.
func keepClear(err error) error {
	if errors.Is(err, metal.ErrInside) {
		return fmt.Errorf("%w: move the metal or the coil", err)
	}
	return err
}

// Metal lets a piece of metal be there or not.
type Metal struct {
	Metal   int // as AddMetal numbered it
	Present bool
}

// Carry brings the centre of a ball to a place within so many seconds.
type Carry struct {
	Metal   int
	To      r3.Vec  // [m]
	Seconds float64 // as Move's
}

func (Metal) moving() bool { return true }
func (Carry) moving() bool { return true }

func (c Metal) prepare(g *Generator, at int64) (func(), error) {
	if err := among("metal", c.Metal, len(g.coils.metal)); err != nil {
		return nil, err
	}
	from := float64(at) / g.o.RateHz
	if at == 0 {
		from = math.Inf(-1) // also before the first sample, for what is late
	}
	g.coils.metal[c.Metal].show(toggle{from, c.Present}, g.coils.asked)
	return nil, nil
}

func (c Carry) prepare(g *Generator, at int64) (func(), error) {
	if err := among("metal", c.Metal, len(g.coils.metal)); err != nil {
		return nil, err
	}
	n := &g.coils.metal[c.Metal]
	if n.ball == nil {
		return nil, fmt.Errorf("metal %s: a plate is not carried", n.name)
	}
	to := rigid.Pose{Position: c.To, Rotation: rigid.Identity().Rotation}
	if !to.Finite() {
		return nil, fmt.Errorf("carry to %v: must be finite", c.To)
	}
	return nil, g.goTo(&n.course, at, c.Seconds, still(to))
}

// Ball is where the centre of a ball is at t [s] after the first sample, and whether it
// is there.
func (g *Generator) Ball(metal int, t float64) (center r3.Vec, present bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	n := &g.coils.metal[metal]
	p, _, _ := n.course.At(t)
	return p.Position, n.present(t)
}

// place brings the metal to where it is at t and reports whether couplings of what rests
// are those of the last time.
func (c *couplingMap) place(t float64) (same bool, err error) {
	same = true
	for i := range c.metal {
		n := &c.metal[i]
		was := n.on
		if n.on = n.present(t); n.on != was {
			same = false
		}
		if !n.on || n.ball == nil {
			continue
		}
		p, v, _ := n.course.At(t)
		if was && p.Position == n.at && v == (r3.Vec{}) && !n.moves {
			continue
		}
		same = false
		n.at, n.moves = p.Position, v != (r3.Vec{})
		if err := n.ball.MoveTo(p.Position, v); err != nil {
			return false, fmt.Errorf("metal %s at (%.4f, %.4f, %.4f) m: %w", n.name, n.at.X, n.at.Y, n.at.Z, keepClear(err))
		}
	}
	return same, nil
}
