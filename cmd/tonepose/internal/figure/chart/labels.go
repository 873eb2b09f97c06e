package chart

import (
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Labels finds positions for texts so that none covers another.
type Labels struct{ taken []vg.Rectangle }

// free reports whether r touches no earlier text, and lies inside.
func (l *Labels) free(r, inside vg.Rectangle) bool {
	if r.Min.X < inside.Min.X || r.Max.X > inside.Max.X || r.Min.Y < inside.Min.Y || r.Max.Y > inside.Max.Y {
		return false
	}
	for _, t := range l.taken {
		if r.Min.X < t.Max.X && t.Min.X < r.Max.X && r.Min.Y < t.Max.Y && t.Min.Y < r.Max.Y {
			return false
		}
	}
	return true
}

// Print prints the text at one of the positions, as Reserve chooses, if there is
// room.
func (l *Labels) Print(c draw.Canvas, style draw.TextStyle, text string, positions, obstacles []vg.Point) {
	if room, ok := l.Reserve(c, style, text, positions, obstacles); ok {
		style.XAlign, style.YAlign = draw.XCenter, draw.YCenter
		c.FillText(style, room.Min.Add(half(style, text)), text)
	}
}

// half is half of the room for a text.
func half(style draw.TextStyle, text string) vg.Point {
	return vg.Point{X: style.Width(text)/2 + 1, Y: style.Height(text) / 2}
}

// Reserve takes the room for the text about the position, of those where it covers no
// other text, that covers the fewest obstacles; the first of equals. ok is false
// if there is none.
func (l *Labels) Reserve(c draw.Canvas, style draw.TextStyle, text string, positions, obstacles []vg.Point) (best vg.Rectangle, ok bool) {
	half, least := half(style, text), -1
	for _, at := range positions {
		box := vg.Rectangle{Min: at.Sub(half), Max: at.Add(half)}
		if !l.free(box, c.Rectangle) {
			continue
		}
		if n := covered(box, obstacles); least < 0 || n < least {
			best, least = box, n
		}
	}
	if least < 0 {
		return best, false
	}
	l.taken = append(l.taken, best)
	return best, true
}

func covered(r vg.Rectangle, points []vg.Point) (n int) {
	for _, p := range points {
		if r.Min.X <= p.X && p.X <= r.Max.X && r.Min.Y <= p.Y && p.Y <= r.Max.Y {
			n++
		}
	}
	return n
}

// Spread moves labels of the given widths, wanted at centres (rising), apart so
// that none overlaps, all within lo to hi if they fit, and the sum of squared
// moves is least.
//
// With the widths before it taken off each position, "apart" reads "not
// falling", and the best such sequence pools neighbours that would fall to their
// mean. Source: Barlow et al., Statistical Inference under Order Restrictions
// (1972), pool-adjacent-violators.
func Spread(centres, widths []vg.Length, lo, hi vg.Length) []vg.Length {
	type pool struct {
		mean vg.Length
		n    int
	}
	var pools []pool
	before := make([]vg.Length, len(centres)) // widths on the left of each centre
	var sum vg.Length
	for i, c := range centres {
		before[i] = sum + widths[i]/2
		sum += widths[i]
		pools = append(pools, pool{c - before[i], 1})
		for k := len(pools) - 1; k > 0 && pools[k].mean < pools[k-1].mean; k-- {
			a, b := pools[k-1], pools[k]
			n := a.n + b.n
			pools[k-1] = pool{(a.mean*vg.Length(a.n) + b.mean*vg.Length(b.n)) / vg.Length(n), n}
			pools = pools[:k]
		}
	}
	placed := make([]vg.Length, 0, len(centres))
	for _, p := range pools {
		for range p.n {
			placed = append(placed, max(min(p.mean, hi-sum), lo)+before[len(placed)])
		}
	}
	return placed
}
