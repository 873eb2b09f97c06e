package figure

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/files"
)

// marks are what a figure puts on its paper, in its order.
type marks struct {
	t             *testing.T
	width, height vg.Length
	words         []word
	areas, lines  []stroke
	images        []vg.Rectangle

	ink   color.NRGBA
	thick vg.Length
	turn  affine
	stack []affine
}

// word is a text with the room that it takes.
type word struct {
	text string
	room vg.Rectangle
	ink  color.NRGBA
}

// stroke is a line or the edge of an area.
type stroke struct {
	ink    color.NRGBA
	width  vg.Length // 0: an area
	points []vg.Point
}

func (s *stroke) room() vg.Rectangle {
	r := vg.Rectangle{Min: s.points[0], Max: s.points[0]}
	for _, p := range s.points {
		r.Min.X, r.Min.Y = min(r.Min.X, p.X), min(r.Min.Y, p.Y)
		r.Max.X, r.Max.Y = max(r.Max.X, p.X), max(r.Max.Y, p.Y)
	}
	return r
}

// affine is a rotation by a number of quarter turns and a move.
type affine struct {
	sin, cos vg.Length
	move     vg.Point
}

func (a affine) at(p vg.Point) vg.Point {
	return vg.Point{X: a.cos*p.X - a.sin*p.Y + a.move.X, Y: a.sin*p.X + a.cos*p.Y + a.move.Y}
}

// The methods of vg.Canvas.
func (m *marks) SetLineWidth(w vg.Length)           { m.thick = w }
func (m *marks) SetLineDash([]vg.Length, vg.Length) {}
func (m *marks) SetColor(c color.Color)             { m.ink = color.NRGBAModel.Convert(c).(color.NRGBA) }
func (m *marks) Push()                              { m.stack = append(m.stack, m.turn) }
func (m *marks) Pop()                               { m.turn, m.stack = m.stack[len(m.stack)-1], m.stack[:len(m.stack)-1] }
func (m *marks) Scale(x, y float64)                 { m.t.Errorf("a figure is scaled by %g, %g", x, y) }
func (m *marks) Translate(p vg.Point)               { m.turn.move = m.turn.at(p) }
func (m *marks) Size() (w, h vg.Length)             { return m.width, m.height }
func (m *marks) Rotate(rad float64) {
	sin, cos := math.Sincos(rad)
	a := m.turn
	m.turn.sin, m.turn.cos = a.sin*vg.Length(cos)+a.cos*vg.Length(sin), a.cos*vg.Length(cos)-a.sin*vg.Length(sin)
}

func (m *marks) Stroke(p vg.Path) { m.lines = append(m.lines, m.trace(p, m.thick)...) }
func (m *marks) Fill(p vg.Path)   { m.areas = append(m.areas, m.trace(p, 0)...) }

func (m *marks) trace(path vg.Path, width vg.Length) (all []stroke) {
	for i, k := range path {
		if k.Type == vg.MoveComp || i == 0 {
			all = append(all, stroke{ink: m.ink, width: width})
		}
		s := &all[len(all)-1]
		if k.Type == vg.ArcComp {
			for n := range 9 {
				sin, cos := math.Sincos(k.Start + k.Angle*float64(n)/8)
				s.points = append(s.points, m.turn.at(k.Pos.Add(vg.Point{X: k.Radius * vg.Length(cos), Y: k.Radius * vg.Length(sin)})))
			}
			continue
		}
		if k.Type != vg.CloseComp {
			s.points = append(s.points, m.turn.at(k.Pos))
		}
		for _, p := range s.points {
			if math.IsNaN(float64(p.X+p.Y)) || math.IsInf(float64(p.X+p.Y), 0) {
				m.t.Fatalf("a mark at %v", p)
			}
		}
	}
	return slices.DeleteFunc(all, func(s stroke) bool { return len(s.points) == 0 })
}

func (m *marks) FillString(f font.Face, at vg.Point, text string) {
	if strings.TrimSpace(text) == "" || f.Font.Size < 1 {
		return
	}
	e := f.Extents()
	box := stroke{points: []vg.Point{m.turn.at(at.Sub(vg.Point{Y: e.Descent})), m.turn.at(at.Add(vg.Point{X: f.Width(text), Y: e.Ascent}))}}
	m.words = append(m.words, word{text, box.room(), m.ink})
}

func (m *marks) DrawImage(r vg.Rectangle, _ image.Image) { m.images = append(m.images, r) }

// look draws the figure, checks what holds of every one, and writes it where FIGURES
// says, for an eye to judge it.
func look(t *testing.T, name string, f *Figure) *marks {
	t.Helper()
	m := &marks{t: t, width: f.Width, height: f.Height, turn: affine{cos: 1}}
	f.Draw(draw.New(m))
	m.legible(name)
	if f.Title != "" {
		m.word(f.Title)
	}
	if dir := os.Getenv("FIGURES"); dir != "" {
		to := &files.Batch{Force: true}
		defer to.Abort()
		for _, format := range chart.Formats {
			if err := f.Save(to, filepath.Join(dir, name+"."+format)); err != nil {
				t.Fatal(err)
			}
		}
		if err := to.Commit(); err != nil {
			t.Fatal(err)
		}
	}
	return m
}

// legible checks that every text lies on the paper and none on another.
func (m *marks) legible(name string) {
	m.t.Helper()
	const slack = 0.5 // of a letter's side bearing [pt]
	for i, w := range m.words {
		if w.room.Min.X < -slack || w.room.Min.Y < -slack || w.room.Max.X > m.width+slack || w.room.Max.Y > m.height+slack {
			m.t.Errorf("%s: %q at %v leaves the paper of %.0f by %.0f", name, w.text, w.room, m.width, m.height)
		}
		for _, v := range m.words[:i] {
			// Ascent and descent leave air above and below: a third of the height may be shared.
			air := (w.room.Max.Y - w.room.Min.Y) / 3
			if w.room.Min.X < v.room.Max.X && v.room.Min.X < w.room.Max.X && w.room.Min.Y+air < v.room.Max.Y && v.room.Min.Y+air < w.room.Max.Y {
				m.t.Errorf("%s: %q at %v covers %q at %v", name, w.text, w.room, v.text, v.room)
			}
		}
	}
}

// find are the words of that text.
func (m *marks) find(text string) (found []word) {
	for _, w := range m.words {
		if w.text == text {
			found = append(found, w)
		}
	}
	return found
}

// word is the first of that text, which must be there.
func (m *marks) word(text string) word {
	m.t.Helper()
	if found := m.find(text); len(found) > 0 {
		return found[0]
	}
	var all []string
	for _, w := range m.words {
		all = append(all, w.text)
	}
	m.t.Fatalf("%q is not among the texts %q", text, all)
	return word{}
}

func (m *marks) lacks(texts ...string) {
	m.t.Helper()
	for _, text := range texts {
		if len(m.find(text)) > 0 {
			m.t.Errorf("%q is there", text)
		}
	}
}

// axis takes values to where two of its labels stand, the n-th of each text, on an even
// scale or, with log, a logarithmic one.
type axis struct {
	from, to   float64 // values
	start, end vg.Length
	log        bool
}

func (a axis) at(v float64) vg.Length {
	share := (v - a.from) / (a.to - a.from)
	if a.log {
		share = math.Log(v/a.from) / math.Log(a.to/a.from)
	}
	return a.start + vg.Length(share)*(a.end-a.start)
}

// across is the n-th horizontal axis with labels of the numbers from and to in one row; up
// the n-th vertical one with them flush.
func (m *marks) across(n int, from, to string, log bool) axis {
	m.t.Helper()
	a, b := m.labels(n, from, to, func(a, b vg.Rectangle) bool { return abs(a.Min.Y-b.Min.Y) < 0.1 })
	return axis{value(m.t, from), value(m.t, to), chart.Centre(a).X, chart.Centre(b).X, log}
}

func (m *marks) up(n int, from, to string, log bool) axis {
	m.t.Helper()
	a, b := m.labels(n, from, to, func(a, b vg.Rectangle) bool { return abs(a.Max.X-b.Max.X) < 0.1 || abs(a.Min.X-b.Min.X) < 0.1 })
	return axis{value(m.t, from), value(m.t, to), chart.Centre(a).Y, chart.Centre(b).Y, log}
}

// labels are the rooms of the n-th word from and of the word to nearest to it in line
// with it.
func (m *marks) labels(n int, from, to string, inLine func(a, b vg.Rectangle) bool) (a, b vg.Rectangle) {
	m.t.Helper()
	m.word(from)
	m.word(to)
	for _, one := range m.find(from) {
		var best *vg.Rectangle
		gap := func(r vg.Rectangle) vg.Length {
			d := chart.Centre(r).Sub(chart.Centre(one.room))
			return abs(d.X) + abs(d.Y)
		}
		for _, other := range m.find(to) {
			if inLine(one.room, other.room) && (best == nil || gap(other.room) < gap(*best)) {
				best = &other.room
			}
		}
		if best == nil {
			continue
		}
		if n == 0 {
			return one.room, *best
		}
		n--
	}
	m.t.Fatalf("no axis has labels %s and %s, or too few", from, to)
	return a, b
}

func abs(v vg.Length) vg.Length { return max(v, -v) }

func value(t *testing.T, text string) (v float64) {
	t.Helper()
	if _, err := fmt.Sscan(strings.NewReplacer("−", "-", "\u2009", "").Replace(text), &v); err != nil {
		t.Fatalf("label %q: %v", text, err)
	}
	return v
}

// near is how far a label's middle is from its tick, at most [pt]: letters are set to
// whole units of the font, and a middle of height is not one of letters.
const near = vg.Length(1.5)

// area is the topmost area of that ink that covers a point, or nil.
func (m *marks) area(ink color.NRGBA, x, y vg.Length) *stroke {
	for i := len(m.areas) - 1; i >= 0; i-- {
		s := &m.areas[i]
		if r := s.room(); s.ink == ink && r.Min.X-near <= x && x <= r.Max.X+near && r.Min.Y-near <= y && y <= r.Max.Y+near {
			return s
		}
	}
	return nil
}

// dots counts areas of that ink no larger than a glyph.
func (m *marks) dots(ink color.NRGBA) (n int) {
	for i := range m.areas {
		if size := m.areas[i].room().Size(); m.areas[i].ink == ink && size.X < 12 && size.Y < 12 {
			n++
		}
	}
	return n
}

// passes tells whether a line of that ink passes a point.
func (m *marks) passes(ink color.NRGBA, x, y vg.Length) bool {
	for _, s := range m.lines {
		if s.ink != ink {
			continue
		}
		for i := 1; i < len(s.points); i++ {
			if distance(s.points[i-1], s.points[i], vg.Point{X: x, Y: y}) <= near {
				return true
			}
		}
	}
	return false
}

// distance is that of p from the line a to b.
func distance(a, b, p vg.Point) vg.Length {
	d, q := b.Sub(a), p.Sub(a)
	share := vg.Length(0)
	if length := d.Dot(d); length > 0 {
		share = min(max(q.Dot(d)/length, 0), 1)
	}
	q = q.Sub(d.Scale(share))
	return vg.Length(math.Hypot(float64(q.X), float64(q.Y)))
}
