package solver

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/solver/internal/kernel"
)

// grid divides the working volume into cells, smaller where the fields change faster,
// and holds the field of every emitter at their centres.
type grid struct {
	centers []r3.Vec
	size    []float64 // longest side of each cell [m]
	// field holds x, y, z of emitter e at the centres of block i in
	// field[(i·emitters + e)·3:]; lanes beyond the last cell repeat it.
	field []kernel.Vec
}

const (
	// gridStep is the side of a cell over the length in which the nearest
	// emitter's field changes by its own size, |B|/‖∂B‖ (about r/4 for a dipole
	// at distance r); gridStepLean with little redundancy. Found by trial: at 2,
	// one in a thousand cold starts of the fixed problems fails.
	gridStep     = 1.4
	gridStepLean = 1.0
	// gridCells bounds the number of cells; a finer grid is coarsened.
	gridCells = 8192
	// gridDepth bounds the halvings of a cell.
	gridDepth = 6
)

func newGrid(g *rig) (*grid, error) {
	pad := r3.Norm(g.pivot)
	margin := r3.Vec{X: pad, Y: pad, Z: pad}
	lo := r3.Sub(g.problem.Volume.Min, margin)
	size := array(r3.Sub(r3.Add(g.problem.Volume.Max, margin), lo))
	least := min(size[0], size[1], size[2])
	var n [3]int
	var side [3]float64
	for i, v := range size {
		n[i] = int(math.Ceil(v/least - 1e-9))
		side[i] = v / float64(n[i])
	}
	step := gridStep
	if len(g.sources)*len(g.pickups)-g.freedom <= lean {
		step = gridStepLean
	}
	for ; ; step *= 1.25 {
		t := &grid{}
		for i := range n[0] * n[1] * n[2] {
			k := [3]int{i % n[0], i / n[0] % n[1], i / (n[0] * n[1])}
			var c [3]float64
			for j := range 3 {
				c[j] = (float64(k[j]) + 0.5) * side[j]
			}
			t.refine(g, r3.Add(lo, vector(c)), vector(side), step, gridDepth)
		}
		if len(t.centers) <= gridCells {
			if len(t.centers) == 0 {
				return nil, fmt.Errorf("solver: no emitter has a finite field anywhere in Problem.Volume %v to %v",
					g.problem.Volume.Min, g.problem.Volume.Max)
			}
			t.tabulate(g)
			return t, nil
		}
	}
}

// refine adds the cell at c, or its eight parts where fields change too fast.
func (t *grid) refine(g *rig, c, side r3.Vec, step float64, depth int) {
	if len(t.centers) > gridCells {
		return
	}
	largest := max(side.X, side.Y, side.Z)
	length := math.Inf(1)
	for _, s := range g.sources {
		b, j, err := s.Gradient(c)
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
			t.centers = append(t.centers, c)
			t.size = append(t.size, largest)
		}
		return
	}
	half := r3.Scale(0.5, side)
	for i := range 8 {
		p := r3.Vec{X: (float64(i&1) - 0.5) * half.X, Y: (float64(i>>1&1) - 0.5) * half.Y, Z: (float64(i>>2) - 0.5) * half.Z}
		t.refine(g, r3.Add(c, p), half, step, depth-1)
	}
}

func (t *grid) tabulate(g *rig) {
	e := len(g.sources)
	blocks := (len(t.centers) + kernel.Lanes - 1) / kernel.Lanes
	t.field = make([]kernel.Vec, blocks*e*3)
	for i := range blocks * kernel.Lanes {
		// Lanes beyond the last cell repeat it.
		p := t.centers[min(i, len(t.centers)-1)]
		for k, s := range g.sources {
			b, err := s.Field(p)
			if err != nil {
				b = r3.Vec{} // refine has left out such cells
			}
			v := t.field[(i/kernel.Lanes*e+k)*3:]
			v[0][i%kernel.Lanes], v[1][i%kernel.Lanes], v[2][i%kernel.Lanes] = b.X, b.Y, b.Z
		}
	}
}
