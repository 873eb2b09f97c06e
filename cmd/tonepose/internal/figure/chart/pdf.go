package chart

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"slices"
	"time"

	"codeberg.org/go-pdf/fpdf"
	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// pdf writes the figure as a page of its size. Fonts are inside, cut down to the letters
// used; the library's own canvas would encode them for Western text, without a minus.
func (f *Figure) pdf(w io.Writer) error {
	c := newSheet(f.Width, f.Height)
	c.doc.SetTitle(f.Title, true)
	c.doc.SetSubject(f.Description(), true)
	f.Draw(draw.New(c))
	return c.doc.Output(w)
}

// sheet is a page of PDF as a canvas: y upwards from its lower left corner.
type sheet struct {
	doc    *fpdf.Fpdf
	height vg.Length
	state  state
	stack  []state
	images int
}

// state is what Push keeps.
type state struct {
	frame affine
	ink   color.Color
	width vg.Length
	dash  []vg.Length
	phase vg.Length
}

// affine takes x, y to a·x + c·y + e, b·x + d·y + f.
type affine struct{ a, b, c, d, e, f float64 }

func (m affine) at(p vg.Point) (x, y float64) {
	return m.a*float64(p.X) + m.c*float64(p.Y) + m.e, m.b*float64(p.X) + m.d*float64(p.Y) + m.f
}

// after is m after n: what n does comes first.
func (m affine) after(n affine) affine {
	return affine{m.a*n.a + m.c*n.b, m.b*n.a + m.d*n.b, m.a*n.c + m.c*n.d, m.b*n.c + m.d*n.d, m.a*n.e + m.c*n.f + m.e, m.b*n.e + m.d*n.f + m.f}
}

func newSheet(width, height vg.Length) *sheet {
	doc := fpdf.NewCustom(&fpdf.InitType{UnitStr: "pt", Size: fpdf.SizeType{Wd: width.Points(), Ht: height.Points()}})
	doc.SetMargins(0, 0, 0)
	doc.SetAutoPageBreak(false, 0)
	// The same data give the same bytes: neither the time nor the order of a map.
	doc.SetCatalogSort(true)
	doc.SetCreationDate(time.Unix(0, 0).UTC())
	doc.SetModificationDate(time.Unix(0, 0).UTC())
	doc.AddPage()
	doc.SetLineCapStyle("butt")
	s := &sheet{doc: doc, height: height}
	s.state.frame = affine{a: 1, d: 1}
	vg.Initialize(s)
	return s
}

// Size implements draw.CanvasSizer.
func (s *sheet) Size() (width, height vg.Length) {
	w, h := s.doc.GetPageSize()
	return vg.Length(w), vg.Length(h)
}

// The methods of vg.Canvas.

func (s *sheet) SetLineWidth(w vg.Length) { s.state.width = w }
func (s *sheet) SetLineDash(pattern []vg.Length, offset vg.Length) {
	s.state.dash, s.state.phase = slices.Clone(pattern), offset
}
func (s *sheet) SetColor(c color.Color) { s.state.ink = c }
func (s *sheet) Rotate(rad float64) {
	sin, cos := math.Sincos(rad)
	s.state.frame = s.state.frame.after(affine{a: cos, b: sin, c: -sin, d: cos})
}
func (s *sheet) Translate(p vg.Point) {
	s.state.frame = s.state.frame.after(affine{a: 1, d: 1, e: float64(p.X), f: float64(p.Y)})
}
func (s *sheet) Scale(x, y float64) { s.state.frame = s.state.frame.after(affine{a: x, d: y}) }
func (s *sheet) Push()              { s.stack = append(s.stack, s.state) }
func (s *sheet) Pop() {
	s.state, s.stack = s.stack[len(s.stack)-1], s.stack[:len(s.stack)-1]
}

func (s *sheet) Stroke(p vg.Path) {
	if s.state.width <= 0 {
		return
	}
	s.doc.SetDrawColor(s.rgb())
	s.doc.SetLineWidth(float64(s.state.width))
	dash := make([]float64, len(s.state.dash))
	for i, d := range s.state.dash {
		dash[i] = float64(d)
	}
	s.doc.SetDashPattern(dash, float64(s.state.phase))
	s.trace(p)
	s.doc.DrawPath("D")
}

func (s *sheet) Fill(p vg.Path) {
	s.doc.SetFillColor(s.rgb())
	s.trace(p)
	s.doc.DrawPath("F")
}

func (s *sheet) rgb() (r, g, b int) {
	c := color.NRGBAModel.Convert(s.state.ink).(color.NRGBA)
	return int(c.R), int(c.G), int(c.B)
}

// page is a point on the page, whose y runs downwards.
func (s *sheet) page(p vg.Point) (x, y float64) {
	x, y = s.state.frame.at(p)
	return x, float64(s.height) - y
}

// trace puts a path on the page.
func (s *sheet) trace(p vg.Path) {
	for i, k := range p {
		x, y := s.page(k.Pos)
		switch k.Type {
		case vg.MoveComp:
			s.doc.MoveTo(x, y)
		case vg.LineComp:
			s.doc.LineTo(x, y)
		case vg.ArcComp:
			s.arc(k, i == 0)
		case vg.CurveComp:
			cx, cy := s.page(k.Control[0])
			if len(k.Control) == 1 {
				s.doc.CurveTo(cx, cy, x, y)
				continue
			}
			dx, dy := s.page(k.Control[1])
			s.doc.CurveBezierCubicTo(cx, cy, dx, dy, x, y)
		case vg.CloseComp:
			s.doc.ClosePath()
		}
	}
}

// arc is made of cubics, one a quarter turn: they leave the circle by less than 3e-4
// of its radius there.
//
// Source: the handles of length 4/3·tan(angle/4), common practice.
func (s *sheet) arc(k vg.PathComp, first bool) {
	n := max(1, int(math.Ceil(math.Abs(k.Angle)/(math.Pi/2)-1e-9)))
	step := k.Angle / float64(n)
	handle := 4.0 / 3 * math.Tan(step/4)
	on := func(angle, out float64) (x, y float64) {
		sin, cos := math.Sincos(angle)
		return s.page(vg.Point{X: k.Pos.X + k.Radius*vg.Length(cos-out*sin), Y: k.Pos.Y + k.Radius*vg.Length(sin+out*cos)})
	}
	if x, y := on(k.Start, 0); first {
		s.doc.MoveTo(x, y)
	} else {
		s.doc.LineTo(x, y)
	}
	for i := range n {
		from := k.Start + step*float64(i)
		ax, ay := on(from, handle)
		bx, by := on(from+step, -handle)
		x, y := on(from+step, 0)
		s.doc.CurveBezierCubicTo(ax, ay, bx, by, x, y)
	}
}

func (s *sheet) FillString(f font.Face, at vg.Point, text string) {
	if f.Font.Size <= 0 || text == "" {
		return
	}
	style := ""
	if f.Font.Weight == xfont.WeightBold {
		style = "B"
	}
	family := string(f.Font.Typeface) + string(f.Font.Variant)
	if d := s.doc.GetFontDesc(family, style); d.Ascent == 0 {
		var source bytes.Buffer
		if _, err := f.Face.WriteSourceTo(nil, &source); err != nil {
			s.doc.SetError(err)
			return
		}
		s.doc.AddUTF8FontFromBytes(family, style, source.Bytes())
	}
	s.doc.SetFont(family, style, float64(f.Font.Size))
	s.doc.SetTextColor(s.rgb())
	x, y := s.page(at)
	turn := math.Atan2(s.state.frame.b, s.state.frame.a) * 180 / math.Pi
	if turn != 0 {
		s.doc.TransformBegin()
		s.doc.TransformRotate(turn, x, y)
		defer s.doc.TransformEnd()
	}
	s.doc.Text(x, y, text)
}

// DrawImage implements vg.Canvas for a frame without rotation.
func (s *sheet) DrawImage(r vg.Rectangle, img image.Image) {
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		s.doc.SetError(err)
		return
	}
	s.images++
	name, options := string(rune('a'+s.images)), fpdf.ImageOptions{ImageType: "png"}
	s.doc.RegisterImageOptionsReader(name, options, &b)
	x0, y0 := s.page(vg.Point{X: r.Min.X, Y: r.Max.Y})
	x1, y1 := s.page(vg.Point{X: r.Max.X, Y: r.Min.Y})
	s.doc.ImageOptions(name, x0, y0, x1-x0, y1-y0, false, options, 0, "")
}
