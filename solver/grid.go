package solver

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver/internal/kernel"
)

// grid is the field of every emitter at places all over the working volume,
// closer together where the fields change faster.
type grid struct {
	places []vec3
	size   []float64 // side of the cell round each place [m]
	// field holds x, y, z of emitter e at the places of block i in
	// field[(i·emitters + e)·3:]; places beyond the last are far off, with no
	// field.
	field []kernel.Vec
}

const (
	// gridStep is the side of a cell over the length in which the nearest
	// emitter's field changes by its own size, |B|/‖∂B‖ (about r/4 for a dipole
	// at distance r); gridStepLean with little redundancy. Found by trial: at 2,
	// one in a thousand cold starts of the fixed problems fails.
	gridStep     = 1.4
	gridStepLean = 1.0
	// gridPlaces bounds the number of places; a finer grid is coarsened.
	gridPlaces = 8192
	// gridDepth bounds the halvings of a cell.
	gridDepth = 6
)

func newGrid(g *rig) (*grid, error) {
	pad := norm(&g.pivot)
	lo, hi := fromR3(g.problem.Volume.Min), fromR3(g.problem.Volume.Max)
	least := math.Inf(1)
	for i := range 3 {
		lo[i] -= pad
		hi[i] += pad
		least = math.Min(least, hi[i]-lo[i])
	}
	var n [3]int
	var side vec3
	for i := range 3 {
		n[i] = int(math.Ceil((hi[i]-lo[i])/least - 1e-9))
		side[i] = (hi[i] - lo[i]) / float64(n[i])
	}
	step := gridStep
	if g.redundancy() <= lean {
		step = gridStepLean
	}
	for ; ; step *= 1.25 {
		t := &grid{}
		for i := range n[0] * n[1] * n[2] {
			k := [3]int{i % n[0], i / n[0] % n[1], i / (n[0] * n[1])}
			var c vec3
			for j := range 3 {
				c[j] = lo[j] + (float64(k[j])+0.5)*side[j]
			}
			t.refine(g, c, side, step, gridDepth)
		}
		if len(t.places) <= gridPlaces {
			if len(t.places) == 0 {
				return nil, fmt.Errorf("solver: no emitter has a finite field anywhere in Problem.Volume %v to %v",
					g.problem.Volume.Min, g.problem.Volume.Max)
			}
			t.tabulate(g)
			return t, nil
		}
	}
}

// refine adds the cell at c, or its eight parts where fields change too fast.
func (t *grid) refine(g *rig, c, side vec3, step float64, depth int) {
	if len(t.places) > gridPlaces {
		return
	}
	largest := math.Max(side[0], math.Max(side[1], side[2]))
	length := math.Inf(1)
	for _, s := range g.sources {
		b, j, err := s.Gradient(toR3(c))
		if err != nil {
			length = 0
			break
		}
		if l := r3.Norm(b) / j.Norm(); !(l >= length) {
			length = l
		}
	}
	if depth == 0 || largest <= step*length {
		if length > 0 {
			t.places = append(t.places, c)
			t.size = append(t.size, largest)
		}
		return
	}
	half := vec3{side[0] / 2, side[1] / 2, side[2] / 2}
	for i := range 8 {
		p := c
		for j := range 3 {
			p[j] += (float64(i>>j&1) - 0.5) * half[j]
		}
		t.refine(g, p, half, step, depth-1)
	}
}

func (t *grid) tabulate(g *rig) {
	e := len(g.sources)
	blocks := (len(t.places) + kernel.Lanes - 1) / kernel.Lanes
	t.field = make([]kernel.Vec, blocks*e*3)
	for i := range blocks * kernel.Lanes {
		// Lanes beyond the last place repeat it: they win nothing.
		p := toR3(t.places[min(i, len(t.places)-1)])
		for k, s := range g.sources {
			b, err := s.Field(p)
			if err != nil {
				b = r3.Vec{} // refine has dropped such places
			}
			v := t.field[(i/kernel.Lanes*e+k)*3:]
			v[0][i%kernel.Lanes], v[1][i%kernel.Lanes], v[2][i%kernel.Lanes] = b.X, b.Y, b.Z
		}
	}
}
