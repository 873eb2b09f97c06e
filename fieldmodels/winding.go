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
	part, along := w.part(s, z)
	err = w.panels(s, z, func(middle, half float64, n int) error {
		part.of(w, middle, half)
		if along <= gaussLimit {
			dbz, dg := part.field(n, along)
			bz, g = bz+dbz, g+dg
			return nil
		}
		return part.sheets(n, func(c Sheet) error {
			dbz, dg := c.sheetField(s, z)
			bz, g = bz+dbz, g+dg
			return nil
		})
	})
	return bz, g, err
}

func (w Winding) axialGradient(s, z float64) (axialJet, error) {
	if w.within(s, z) {
		return axialJet{}, ErrOnConductor
	}
	if w.InnerRadius == w.OuterRadius {
		return Sheet{w.OuterRadius, w.Length, w.Turns}.sheetGradient(s, z)
	}
	var sum axialJet
	part, along := w.part(s, z)
	err := w.panels(s, z, func(middle, half float64, n int) error {
		part.of(w, middle, half)
		if along <= gaussLimit {
			sum.add(1, part.gradient(n, along))
			return nil
		}
		return part.sheets(n, func(c Sheet) error {
			jet, err := c.sheetGradient(s, z)
			sum.add(1, jet)
			return err
		})
	})
	return sum, err
}

// part is a section of the winding's length at a field point, and how many loops along it
// serve at every radius: those at the nearest one.
func (w Winding) part(s, z float64) (section, int) {
	rho := math.Sqrt(s)
	n := gaussPoints(0, w.Length/2, z, rho-min(max(rho, w.InnerRadius), w.OuterRadius))
	return section{length: w.Length / 2, s: s, z: z}, n
}

// of makes c that part of a winding, of its whole length.
func (c *section) of(w Winding, middle, half float64) {
	c.middle, c.half = middle, half
	c.current = Mu0 * w.Turns * (2 * half / (w.OuterRadius - w.InnerRadius))
}

// sheets calls visit for sheets at n Gauss points across the section.
func (c *section) sheets(n int, visit func(Sheet) error) error {
	rule := &gaussRules()[n]
	for i, x := range rule.x {
		if err := visit(Sheet{c.middle + c.half*x, 2 * c.length, c.current / Mu0 * rule.w[i] / 2}); err != nil {
			return err
		}
	}
	return nil
}

// panels calls visit for parts of the section that n Gauss points across them serve.
//
// As a function of its radius, a sheet's field at (ρ, z) is singular at ρ ± i·v,
// v the height from the nearer end, and jumps at ρ between the ends: the section
// is cut at ρ, and the parts halved until gaussLimit points do.
func (w Winding) panels(s, z float64, visit func(middle, half float64, n int) error) error {
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

func panel(lo, hi, rho, v float64, depth int, visit func(middle, half float64, n int) error) error {
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
	return visit(middle, half, n)
}
