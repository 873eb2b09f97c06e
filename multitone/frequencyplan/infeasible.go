package frequencyplan

import (
	"context"
	"fmt"
	"strings"
)

// Infeasible says that a Spec has no solution, or that none was found, and why.
type Infeasible struct {
	Tones  int
	Most   int  // tones placed at best
	Proven bool // no set exists; else the search ended without one
	// Binding names the constraints each of which, dropped alone, makes it
	// possible. None: several bind together.
	Binding []string
	// Band counts the grid's frequencies in the band, Clear those of them that
	// mains and their own aliased harmonics leave.
	Band, Clear int
	detail      string
}

func (e *Infeasible) Error() string {
	found := "exists"
	if !e.Proven {
		found = fmt.Sprintf("found, at most %d", e.Most)
	}
	binding := "several constraints bind together, dropping one does not help"
	if len(e.Binding) > 0 {
		binding = "what binds: " + strings.Join(e.Binding, ", or ")
	}
	return fmt.Sprintf("frequencyplan: no set of %d tones %s: %s; %s", e.Tones, found, e.detail, binding)
}

// diagnose drops or relaxes one constraint at a time.
func (g *grid) diagnose(ctx context.Context, proven bool, most int) error {
	e := &Infeasible{Tones: g.Tones, Most: most, Proven: proven, Band: max(0, g.hi-g.lo+1)}
	e.Clear = newBoard(ctx, g, mainsRule|harmonicRule).free.count()
	e.detail = fmt.Sprintf("of %d multiples of %g Hz from %g to %g Hz, %d keep %g Hz from mains and from their own aliased harmonics",
		e.Band, g.stepHz, g.LowHz, g.topHz, e.Clear, g.MarginHz)
	if e.Band == 0 {
		e.detail = fmt.Sprintf("no multiple of %g Hz lies from %g to %g Hz", g.stepHz, g.LowHz, g.topHz)
	}
	works := func(g *grid, r rules) bool {
		tones, _, _ := g.choose(ctx, r, probeEffort)
		return tones != nil
	}
	for _, c := range []struct {
		rule rules
		name string
	}{
		{mainsRule, fmt.Sprintf("the margin of %g Hz to mains harmonics", g.MarginHz)},
		{harmonicRule, fmt.Sprintf("the margin of %g Hz to harmonics up to the %dth", g.MarginHz, harmonics)},
		{secondOrderRule, fmt.Sprintf("the margin of %g Hz to 2nd-order intermodulation", g.MarginHz)},
		{thirdOrderRule, fmt.Sprintf("the margin of %g Hz to 3rd-order intermodulation", g.MarginHz)},
		{spacingRule, fmt.Sprintf("the spacing of %g Hz", g.SpacingHz)},
	} {
		if works(g, everything&^c.rule) {
			e.Binding = append(e.Binding, c.name)
		}
	}
	larger := *g
	larger.lo, larger.hi = 1, (g.samples-1)/2
	if works(&larger, everything) {
		e.Binding = append(e.Binding, fmt.Sprintf("the band of %g to %g Hz (all up to Nyquist works)", g.LowHz, g.topHz))
	}
	longer := g.given
	longer.WindowS *= 4
	if f, err := newGrid(longer); err == nil && works(f, everything) {
		e.Binding = append(e.Binding, fmt.Sprintf("the window of %g s, whose grid of %g Hz is coarse (4 times longer works)", g.WindowS, g.stepHz))
	}
	return e
}
