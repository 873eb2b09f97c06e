package fieldmodels

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Winding is a thick coil of rectangular section in its own frame: turns spread
// evenly over radii InnerRadius..OuterRadius and heights −Length/2..Length/2
// about the Z axis. Length 0 is a flat (pancake) coil, InnerRadius =
// OuterRadius a Sheet, both a Loop.
//
// The field is the Gauss–Legendre sum of sheets over the radius: 2 to 16
// points, as many as bound the error below rounding, on parts of the section
// that are halved where the field point is close. The derivative is the sum of
// the sheets' derivatives at the same points. Source of the closed forms: Sheet.
type Winding struct {
	InnerRadius float64 // [m]
	OuterRadius float64 // [m]
	Length      float64 // [m]
	Turns       float64
}

// Field returns B per ampere [T/A] at p [m], inside the winding too. The error
// is below 1e-13 of the largest |B| within an OuterRadius of p. Only where a
// coil without length or without thickness is the current itself, within 1e-9
// OuterRadius, it returns ErrOnConductor.
func (w Winding) Field(p r3.Vec) (r3.Vec, error) {
	bz, g, err := w.axialField(p.X*p.X+p.Y*p.Y, p.Z)
	return r3.Vec{X: g * p.X, Y: g * p.Y, Z: bz}, err
}

// Gradient returns B per ampere [T/A] and ∂B/∂p [T/(A·m)] at p [m]. In and
// within 1e-9 OuterRadius of the winding it returns ErrOnConductor: curl B ≠ 0
// there, and the derivative jumps at the surface.
func (w Winding) Gradient(p r3.Vec) (r3.Vec, Jacobian, error) {
	s := p.X*p.X + p.Y*p.Y
	jet, err := w.axialGradient(s, p.Z)
	b, j := jet.own(p.X, p.Y, s)
	return b, j, err
}

// within reports whether the point lies in the section, a margin round it.
func (w Winding) within(s, z float64) bool {
	rho, margin := math.Sqrt(s), nearWire*w.OuterRadius
	return math.Abs(z) <= w.Length/2+margin && rho >= w.InnerRadius-margin && rho <= w.OuterRadius+margin
}

func (w Winding) axialField(s, z float64) (bz, g float64, err error) {
	thin := w.Length == 0 || w.InnerRadius == w.OuterRadius
	if thin && w.within(s, z) {
		return 0, 0, ErrOnConductor
	}
	if w.InnerRadius == w.OuterRadius {
		bz, g = Sheet{w.OuterRadius, w.Length, w.Turns}.sheetField(s, z)
		return bz, g, nil
	}
	stack, enough := ringStack{s: s, fieldOnly: true}, w.enough(s, z)
	if w.stack(&stack, z, enough) {
		jet := stack.sum()
		return jet.bz, jet.g, nil
	}
	turns := w.Turns / (w.OuterRadius - w.InnerRadius)
	w.panels(s, z, func(a, weight float64) error {
		c := Sheet{a, w.Length, weight * turns}
		if enough <= gaussLimit {
			c.stackOf(&stack, z, enough)
		} else if !c.stack(&stack, z) {
			dbz, dg := c.sheetField(s, z)
			bz += dbz
			g += dg
		}
		return nil
	})
	jet := stack.sum()
	return bz + jet.bz, g + jet.g, nil
}

func (w Winding) axialGradient(s, z float64) (axialJet, error) {
	if w.within(s, z) {
		return axialJet{}, ErrOnConductor
	}
	if w.InnerRadius == w.OuterRadius {
		return Sheet{w.OuterRadius, w.Length, w.Turns}.sheetGradient(s, z)
	}
	stack, enough := ringStack{s: s}, w.enough(s, z)
	if w.stack(&stack, z, enough) {
		return stack.sum(), nil
	}
	var sum axialJet
	turns := w.Turns / (w.OuterRadius - w.InnerRadius)
	err := w.panels(s, z, func(a, weight float64) error {
		c := Sheet{a, w.Length, weight * turns}
		if enough <= gaussLimit {
			c.stackOf(&stack, z, enough)
			return nil
		}
		if c.stack(&stack, z) {
			return nil
		}
		jet, err := c.sheetGradient(s, z)
		sum.add(1, jet)
		return err
	})
	sum.add(1, stack.sum())
	return sum, err
}

// stack adds the loops that stand for the whole winding, enough of them along the
// length; false where its section must be cut, or needs sheets.
func (w Winding) stack(r *ringStack, z float64, enough int) bool {
	rho, v := math.Sqrt(r.s), math.Abs(math.Abs(z)-w.Length/2)
	if enough > gaussLimit || w.InnerRadius < rho && rho < w.OuterRadius && math.Abs(z) <= w.Length/2 {
		return false
	}
	middle, half := 0.5*(w.InnerRadius+w.OuterRadius), 0.5*(w.OuterRadius-w.InnerRadius)
	n := gaussPoints(middle, half, rho, v)
	if n > gaussLimit {
		return false
	}
	across, along := &gaussRules()[n], &gaussRules()[enough]
	for i, x := range across.x { // their weights sum to 2, as those along
		r.add(middle+half*x, w.Turns/4*across.w[i], z, w.Length/2, along.x, along.w)
	}
	return true
}

// enough is how many loops along the length serve every sheet of the winding: those of
// the nearest one.
func (w Winding) enough(s, z float64) int {
	rho := math.Sqrt(s)
	return gaussPoints(0, w.Length/2, z, rho-min(max(rho, w.InnerRadius), w.OuterRadius))
}

// panels calls visit for every Gauss point: a radius and its weight [m].
//
// As a function of its radius, a sheet's field at (ρ, z) is singular at ρ ± i·v,
// v the height from the nearer end, and jumps at ρ between the ends: the section
// is cut at ρ, and the parts halved until gaussLimit points do.
func (w Winding) panels(s, z float64, visit func(radius, weight float64) error) error {
	rho := math.Sqrt(s)
	v := math.Abs(math.Abs(z) - w.Length/2)
	if w.InnerRadius < rho && rho < w.OuterRadius && math.Abs(z) <= w.Length/2 {
		if err := panel(w.InnerRadius, rho, rho, v, 0, visit); err != nil {
			return err
		}
		return panel(rho, w.OuterRadius, rho, v, 0, visit)
	}
	return panel(w.InnerRadius, w.OuterRadius, rho, v, 0, visit)
}

// panelDepth ends the halving: the singularity is a logarithm, and the part left
// is 2⁻⁴⁸ of the section.
const panelDepth = 48

func panel(lo, hi, rho, v float64, depth int, visit func(radius, weight float64) error) error {
	middle, half := 0.5*(lo+hi), 0.5*(hi-lo)
	n := gaussPoints(middle, half, rho, v)
	if n > gaussLimit {
		if depth < panelDepth {
			if err := panel(lo, middle, rho, v, depth+1, visit); err != nil {
				return err
			}
			return panel(middle, hi, rho, v, depth+1, visit)
		}
		n = gaussLimit
	}
	rule := gaussRules()[n]
	for i, x := range rule.x {
		if err := visit(middle+half*x, half*rule.w[i]); err != nil {
			return err
		}
	}
	return nil
}
