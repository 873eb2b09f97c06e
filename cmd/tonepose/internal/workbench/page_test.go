package workbench

import (
	"fmt"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/subject"
	"tonepose/cmd/tonepose/internal/tables"
)

// chosen are the rows of a table that are wanted.
func chosen[T tables.Row](t *testing.T, path string, wanted func(*T) bool) (rows []T) {
	t.Helper()
	all, err := tables.Open[T](path)
	if err != nil {
		t.Fatal(err)
	}
	defer all.Close()
	for row, err := range all.All() {
		if err != nil {
			t.Fatal(err)
		}
		if wanted(&row) {
			rows = append(rows, row)
		}
	}
	return rows
}

// near waits until the page reads a position [m].
func (b *browser) near(want r3.Vec, tolerance float64) {
	b.t.Helper()
	for name, v := range map[string]float64{"x": want.X, "y": want.Y, "z": want.Z} {
		b.until(fmt.Sprintf(`Math.abs(Number(document.querySelector('#reading [data-quantity=%s]').dataset.value) - %g) <= %g`, name, v, tolerance))
	}
}

// numbers are the table of a figure.
func (b *browser) numbers(figure string) [][]any {
	b.t.Helper()
	return value[[][]any](b, fmt.Sprintf(`document.querySelector('[data-figure=%s]').figure.table().rows`, figure))
}

// drawn is a figure as SVG.
func (b *browser) drawn(figure string) string {
	b.t.Helper()
	return value[string](b, fmt.Sprintf(`document.querySelector('[data-figure=%s]').figure.svg().text()`, figure))
}

// The cursor moves all rooms, and what they show of a row is what the tables have.
func TestPageReadsTheTables(t *testing.T) {
	address := servedRun(t)
	dir, _ := solved()
	b := opened(t, address+"#t=1.205")
	for _, key := range []string{"", kb.ArrowRight, kb.ArrowLeft + kb.ArrowLeft} {
		before := b.drawn("traces") + b.drawn("quality")
		time := b.cursor()
		for _, one := range key {
			b.press(string(one))
			b.until(fmt.Sprintf(`Math.abs(document.querySelector('#cursor').ariaValueNow - %g) > 1e-6`, time))
			time = b.cursor()
		}
		row := func(at float64) bool { return math.Abs(at-time) < 5e-3 }
		pose := chosen(t, filepath.Join(dir, "poses.parquet"), func(p *tables.Pose) bool { return row(p.Time) })[0]
		b.near(pose.Estimate.Position, 1e-12)
		if have, want := b.reading("sigma"), math.Sqrt(pose.Covariance.At(0, 0)+pose.Covariance.At(1, 1)+pose.Covariance.At(2, 2)); math.Abs(have-want) > 1e-12 {
			t.Errorf("at %g s sigma reads %g, want %g", time, have, want)
		}
		if have := b.numbers("regions")[0][1].(float64); have != pose.Estimate.Position.X {
			t.Errorf("at %g s the regions are about x = %g, want %g", time, have, pose.Estimate.Position.X)
		}
		seen := map[string][2]float64{}
		for _, r := range b.numbers("couplings") {
			seen[r[0].(string)+r[1].(string)] = [2]float64{r[2].(float64), r[3].(float64)}
		}
		couplings := chosen(t, filepath.Join(dir, "couplings.parquet"), func(c *tables.Coupling) bool { return row(c.Time) })
		for _, c := range couplings {
			if have := seen[c.Emitter+c.Channel]; have != [2]float64{c.Value, c.Sigma} {
				t.Errorf("at %g s %s on %s reads %v, want %g, sigma %g", time, c.Emitter, c.Channel, have, c.Value, c.Sigma)
			}
		}
		if len(couplings) != 24 || len(seen) != 24 {
			t.Errorf("%d couplings in the table, %d on the page", len(couplings), len(seen))
		}
		for _, r := range b.numbers("tones") {
			seen[r[0].(string)+r[2].(string)] = [2]float64{r[3].(float64), r[5].(float64)}
		}
		for _, p := range chosen(t, filepath.Join(dir, "phasors.parquet"), func(p *tables.Phasor) bool { return row(p.Time) && strings.HasPrefix(p.Channel, "rx") }) {
			if have := seen[p.Tone+p.Channel]; math.Abs(have[0]-math.Hypot(p.InPhase, p.Quadrature)) > 1e-15 || have[1] != p.Sigma {
				t.Errorf("at %g s %s on %s reads %v, want %+v", time, p.Tone, p.Channel, have, p)
			}
		}
		if have := value[string](b, `document.querySelector('#verdict').dataset.grade`); pose.Flags != 0 || have != "sound" {
			t.Errorf("at %g s the verdict is %s, flags %v", time, have, pose.Flags)
		}
		// Against time the cursor is a line.
		if key != "" && before == b.drawn("traces")+b.drawn("quality") {
			t.Error("traces and quality stand still")
		}
	}
	for key, room := range map[string]string{"r": "recording", "t": "tones", "c": "couplings", "s": "space", "q": "quality"} {
		b.press(key)
		b.until(fmt.Sprintf(`document.querySelector('#room-%s.opened .answer')?.textContent.trim().length > 0`, room))
	}
	b.check()
}

// What another window would give is what measure gives with it, beside what the run has.
func TestPageTriesWhatMeasureGives(t *testing.T) {
	address := servedRun(t)
	dir, _ := solved()
	const from, to = 1.0, 1.5
	ask := subject.Averaging{Window: 0.02, Hop: 0.02, Taper: "blackman-harris"}
	b := opened(t, fmt.Sprintf("%s#room=tones&t=1.2&from=%g&to=%g&channel=1&emitter=3&trial=window:%s:%g", address, from, to, ask.Taper, ask.Window))
	job := measure.Job{Out: filepath.Join(t.TempDir(), "out")}
	job.Recording, job.Rig = recorded, rigFile
	var err error
	if job.Windows, _, err = ask.Windows(100e3); err != nil {
		t.Fatal(err)
	}
	if _, err := measure.Tones(t.Context(), job); err != nil {
		t.Fatal(err)
	}
	// of are the mean sigma of a tone and its mean amplitude over that, from a table.
	of := func(folder string) (sigma, ratio float64) {
		var mean complex128
		rows := chosen(t, filepath.Join(folder, "phasors.parquet"), func(p *tables.Phasor) bool {
			return p.Channel == "rx2" && p.Tone == "e4" && p.Time >= from && p.Time <= to
		})
		for _, p := range rows {
			mean += complex(p.InPhase, p.Quadrature) / complex(float64(len(rows)), 0)
			sigma += p.Sigma * p.Sigma / float64(len(rows))
		}
		sigma = math.Sqrt(sigma)
		return sigma, cmplx.Abs(mean) / sigma
	}
	b.until(`document.querySelectorAll('.tones-right tbody td[data-value]').length > 8`)
	lines := value[map[string][]float64](b, `Object.fromEntries([...document.querySelectorAll('.tones-right tbody tr')].map((tr) => [tr.cells[0].textContent, [1, 2].map((i) => Number(tr.cells[i].dataset.value))]))`)
	for column, folder := range []string{dir, job.Out} {
		sigma, ratio := of(folder)
		for name, want := range map[string]float64{"σ of e4 on rx2": sigma, "amplitude over σ": ratio} {
			// The page's means are of numbers of 32 bits.
			if have := lines[name][column]; !(math.Abs(have-want) <= 1e-6*want) {
				t.Errorf("%s in column %d reads %g, want %g", name, column, have, want)
			}
		}
	}
	// Harris, Proc. IEEE 66(1), 1978, table I: noise bandwidths of 1.50 bins of 1/T for Hann and 2.00 for the minimum
	// 4-term Blackman–Harris window; one-sided, as a low-pass, half of it.
	for column, want := range []float64{1.50 / 0.01 / 2, 2.00 / 0.02 / 2} {
		if have := lines["noise bandwidth"][column]; !(math.Abs(have-want) < 0.005*want) {
			t.Errorf("noise bandwidth %g Hz, want %g", have, want)
		}
	}
	b.check()
}

// tick takes an emitter or a coil out, or in again.
func (b *browser) tick(name string) {
	b.t.Helper()
	b.focus(fmt.Sprintf(`#room-couplings label[title=%s] input`, name))
	b.press(" ")
}

func (b *browser) focus(selector string) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, chromedp.Focus(chromedp.CSS(selector))); err != nil {
		b.t.Fatalf("%s: %v", selector, err)
	}
}

// A coil that is left out gives the pose that solve finds on a bench without it, and taken in again the one before.
func TestPageLeavesACoilOut(t *testing.T) {
	address := servedRun(t)
	text, err := os.ReadFile(rigFile)
	if err != nil {
		t.Fatal(err)
	}
	before, rest, _ := strings.Cut(string(text), "  - channel: rx2\n")
	_, after, ok := strings.Cut(rest, "  - channel: ")
	if !ok {
		t.Fatal("the rig has no coil rx2 with another after it")
	}
	o := solve.Options{Job: measure.Job{Out: filepath.Join(t.TempDir(), "run"), Windows: stream.Windows{Length: 10e-3, Hop: 10e-3}}}
	o.Recording, o.Rig = recorded, filepath.Join(t.TempDir(), "two-coils.rig.yaml")
	if err := os.WriteFile(o.Rig, []byte(before+"  - channel: "+after), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := solve.Run(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	poses := func(folder string) []tables.Pose {
		return chosen(t, filepath.Join(folder, "poses.parquet"), func(*tables.Pose) bool { return true })
	}
	dir, _ := solved()
	with, without := poses(dir), poses(o.Out)
	// Where the coil tells most.
	most, apart := 0, 0.0
	for i := range with {
		if d := r3.Norm(r3.Sub(with[i].Estimate.Position, without[i].Estimate.Position)); with[i].Flags == 0 && d > apart {
			most, apart = i, d
		}
	}
	// Solve takes the motion inside of the window off, the page does not. On this path (TestLeavingOut) the acceleration
	// makes 3.2 µm. Speed v at a distance r: couplings go with the third power of it, so their mean over the window is off by
	// 12/r²·½·(v·t)² and the distance by 2·(v·t)²/r, which is 8.4 µm for v = 0.1 m·2π·0.7 Hz, r = 150 mm and the same
	// variance of t. Turning may do as much again.
	const motion = 2 * (3.2e-6 + 8.4e-6)
	if with[most].Time != without[most].Time || apart < 4*motion {
		t.Fatalf("%g m apart at %g and %g s", apart, with[most].Time, without[most].Time)
	}
	b := opened(t, fmt.Sprintf("%s#room=couplings&t=%g", address, with[most].Time))
	b.near(with[most].Estimate.Position, 1e-12)
	b.tick("rx2")
	b.until(`document.querySelector('#verdict .label').textContent.includes('without rx2')`)
	b.near(without[most].Estimate.Position, motion)
	b.tick("rx2")
	b.until(`!document.querySelector('#verdict .label').textContent.includes('without')`)
	b.near(with[most].Estimate.Position, 1e-12)
	b.check()
}

// What cannot be shown is said, with the reason.
func TestPageOfARunOfAnotherTime(t *testing.T) {
	dir, err := solved()
	if err != nil {
		t.Fatal(err)
	}
	late := filepath.Join(t.TempDir(), "late.csv")
	text := "time_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz\n"
	for n := range 6 {
		text += fmt.Sprintf("%d,probe,0,0,0.1,1,0,0,0\n", 100+n)
	}
	if err := os.WriteFile(late, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	b := opened(t, served(t, Options{Run: subject.RunOptions{Dir: dir, Truth: late}}))
	b.until(`/^cannot be read: .*: none of its 300 poses lies within the times of the truth$/.test(document.querySelector('#about').textContent)`)
	b.check()
}

// A link opens the view again that it was taken from.
func TestLinkReopensTheView(t *testing.T) {
	address := servedRun(t)
	b := opened(t, address)
	b.press("t")
	b.click(`button[aria-label="more window"]`)
	b.until(`document.querySelectorAll('.tones-right tbody td[data-value]').length > 8`)
	b.press(kb.Home)
	b.press("[")
	for range 3 {
		time := b.cursor()
		b.press(kb.ArrowRight, chromedp.ModifierShift)
		b.until(fmt.Sprintf(`document.querySelector('#cursor').ariaValueNow - %g > 0.09`, time))
	}
	b.press("]")
	b.press("+")
	b.press(",")
	b.press("c")
	b.tick("e3")
	b.tick("rx2")
	b.until(`document.querySelector('#verdict .label').textContent.includes('without e3 and rx2')`)
	b.until(`['room=couplings', 't=', 'from=', 'to=', 'zoom=', 'trial=window', 'out=e2,c1'].every((part) => location.hash.includes(part))`)

	again := opened(t, value[string](b, `location.href`))
	again.until(`document.querySelector('#verdict .label').textContent.includes('without e3 and rx2')`)
	for _, one := range []*browser{b, again} {
		// Out of what is chosen, so that both look alike.
		value[any](one, `document.activeElement.blur()`)
		one.until(`document.querySelector('[data-figure=leaving-out]').ariaLabel.includes('shown ±')`)
	}
	const view = `JSON.stringify([document.querySelector('[role=tab][aria-selected=true]').textContent, document.querySelector('#cursor').ariaValueText,
		document.querySelector('#reading').innerText, [...document.querySelectorAll('.room input[type=checkbox]')].map((box) => box.checked), document.querySelector('#room-couplings').innerText])`
	if have, want := value[string](again, view), value[string](b, view); have != want {
		t.Errorf("reopened: %s\n    was: %s", have, want)
	}
	for _, figure := range []string{"strip", "couplings", "leaving-out"} {
		if have, want := again.drawn(figure), b.drawn(figure); have != want {
			t.Errorf("%s is drawn otherwise:\n%s\nwas\n%s", figure, have, want)
		}
	}
	const tried = `document.querySelector('.tones-right').innerText`
	for _, one := range []*browser{b, again} {
		one.press("t")
		one.until(`document.querySelectorAll('.tones-right tbody td[data-value]').length > 8`)
	}
	again.until(fmt.Sprintf(`%s === %q`, tried, value[string](b, tried)))
	b.check()
	again.check()
}

// click clicks on what a selector finds.
func (b *browser) click(selector string) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS(selector))); err != nil {
		b.t.Fatalf("%s: %v", selector, err)
	}
}

// mouse does something at places of a figure: shares of its width and height.
func (b *browser) mouse(figure string, do func(at func(x, y float64) (float64, float64)) []chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	box := value[[]float64](b, fmt.Sprintf(`(({left, top, width, height}) => [left, top, width, height])(document.querySelector('[data-figure=%s]').getBoundingClientRect())`, figure))
	for _, one := range do(func(x, y float64) (float64, float64) { return box[0] + x*box[2], box[1] + y*box[3] }) {
		if err := chromedp.Do(b.ctx, one); err != nil {
			b.t.Fatal(err)
		}
	}
}

func (b *browser) mouseClick(figure string, x, y float64, count int) {
	b.t.Helper()
	b.mouse(figure, func(at func(x, y float64) (float64, float64)) (list []chromedp.Action[chromedp.Void]) {
		px, py := at(x, y)
		for n := range count {
			list = append(list, chromedp.MouseClickXY(px, py, chromedp.ClickCount(n+1)))
		}
		return list
	})
}

func (b *browser) mouseDrag(figure string, x, y, toX, toY float64) {
	b.t.Helper()
	b.mouse(figure, func(at func(x, y float64) (float64, float64)) []chromedp.Action[chromedp.Void] {
		px, py := at(x, y)
		qx, qy := at(toX, toY)
		held := func(p *input.DispatchMouseEventParams) { p.Buttons = 1 }
		return []chromedp.Action[chromedp.Void]{
			chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, px, py, chromedp.ButtonLeft, chromedp.ClickCount(1)),
			chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, (px+qx)/2, (py+qy)/2, chromedp.ButtonLeft, held),
			chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, qx, qy, chromedp.ButtonLeft, held),
			chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, qx, qy, chromedp.ButtonLeft, chromedp.ClickCount(1)),
		}
	})
}

func (b *browser) wheel(figure string, x, y, by float64, with ...chromedp.Modifier) {
	b.t.Helper()
	b.mouse(figure, func(at func(x, y float64) (float64, float64)) []chromedp.Action[chromedp.Void] {
		px, py := at(x, y)
		turned := func(p *input.DispatchMouseEventParams) { p.DeltaX, p.DeltaY = 1e-9, by } // zero is not sent
		return []chromedp.Action[chromedp.Void]{chromedp.MouseEvent(input.DispatchMouseEventTypeMouseWheel, px, py, turned, chromedp.ButtonModifiers(with...))}
	})
}

// Keys do what the mouse does.
func TestKeysAndMouse(t *testing.T) {
	b := opened(t, servedRun(t)+"#t=1.5")
	has := func(part string) string { return fmt.Sprintf(`location.hash.includes(%q)`, part) }
	keys := func(list ...string) func() {
		return func() {
			t.Helper()
			for _, key := range list {
				b.press(key)
			}
		}
	}
	in := func(selector string, list ...string) func() {
		return func() { b.focus(selector); keys(list...)() }
	}
	// The zoom shows from a time to another: its middle and its span.
	const zoomed = `((z) => z && [(z[0] + z[1]) / 2, z[1] - z[0]])(new URLSearchParams(location.hash.slice(1)).get('zoom')?.split(',').map(Number))`
	for _, c := range []struct {
		name, room  string // where it is done
		mouse, keys func()
		want        string
		undo        func()
	}{
		{"room", "all", func() { b.click("#tab-quality") }, keys("q"), has("room=quality"), keys("a")},
		{"next room", "all", func() { b.click("#tab-recording") }, in("#tab-all", kb.ArrowRight), has("room=recording"), keys("a")},
		{"cursor", "all", func() { b.mouseClick("strip", 0.9, 0.4, 1) }, keys(kb.End, kb.ArrowLeft), `document.querySelector('#cursor').ariaValueNow > 2.4`, keys(kb.Home)},
		{"cursor in a trace", "all", func() { b.mouseClick("quality", 0.9, 0.3, 1) }, keys(kb.End, kb.ArrowLeft), `document.querySelector('#cursor').ariaValueNow > 2.2`, keys(kb.Home)},
		{"stretch", "all", func() { b.mouseDrag("strip", 0.3, 0.4, 0.6, 0.4) }, keys(kb.Home, "[", kb.End, "]"), `/from=[^&]+&to=/.test(location.hash)`, keys(kb.Escape)},
		{"stretch in a trace", "all", func() { b.mouseDrag("traces", 0.4, 0.5, 0.6, 0.5) }, keys(kb.Home, "[", kb.End, "]"), `/from=[^&]+&to=/.test(location.hash)`, keys(kb.Escape)},
		{"zoom", "all", func() { b.wheel("strip", 0.6, 0.4, -100); b.wheel("strip", 0.6, 0.4, -100) }, keys("+"), zoomed + `?.[1] < 2.2`, keys(kb.Escape)},
		{"pan", "all", func() {
			b.wheel("strip", 0.5, 0.4, -100)
			b.wheel("strip", 0.5, 0.4, 100, chromedp.ModifierShift)
		}, keys("+", "."), zoomed + `?.[0] > 1.5`, keys(kb.Escape)},
		{"orbit", "all", func() { b.mouseDrag("space", 0.7, 0.1, 0.8, 0.2) }, in("[data-figure=space]", kb.ArrowLeft, kb.ArrowUp), `/turn=[^&]+,1(&|$)/.test(location.hash)`, func() { value[any](b, `(location.hash = '#t=1.5', 1)`) }},
		{"closer", "all", func() { b.wheel("space", 0.5, 0.5, -100) }, in("[data-figure=space]", "+"), `/turn=[^&]*,1\.[12]/.test(location.hash)`, func() { b.wheel("space", 0.5, 0.5, 100); value[any](b, `(location.hash = '#t=1.5', 1)`) }},
		{"follow", "space", func() { b.mouseClick("space", 0.7, 0.1, 2) }, in("[aria-label=view] [aria-checked=true]", kb.ArrowLeft), has("follow=1"), func() { b.mouseClick("space", 0.7, 0.1, 2) }},
		{"slice", "space", func() { b.click("[aria-label=slice] [data-value=z]") }, in("[aria-label=slice] [aria-checked=true]", kb.ArrowLeft), has("slice=z"), in("[aria-label=slice] [aria-checked=true]", kb.ArrowRight)},
		{"leave out", "all", func() { b.click(".ticks label[title=e2] input") }, in(".ticks label[title=e2] input", " "), has("out=e1"), keys(kb.Escape)},
		{"tone", "tones", func() {
			b.until(`document.querySelector('[data-figure=clouds]').ariaLabel.includes(':')`)
			b.mouseClick("clouds", 0.4, 0.2, 1)
		}, in("[data-figure=clouds]", kb.ArrowRight), has("emitter=1"), func() { value[any](b, `(location.hash = '#room=tones&t=1.5', 1)`) }},
		{"help", "all", func() { b.click("#tools button:last-child") }, keys("?"), `!document.querySelector('#sheet').hidden && document.querySelector('#sheet h2').textContent === 'help'`, keys(kb.Escape)},
		{"take away", "all", func() { b.click("#tools button:first-child") }, keys("x"), `!document.querySelector('#sheet').hidden && document.querySelector('#sheet h2').textContent === 'take away'`, keys(kb.Escape)},
	} {
		for way, do := range map[string]func(){"mouse": c.mouse, "keys": c.keys} {
			b.press(c.room[:1])
			b.until(fmt.Sprintf(`document.querySelector('#tab-%s').ariaSelected === 'true'`, c.room))
			if value[bool](b, "Boolean("+c.want+")") {
				t.Fatalf("%s by %s: already so: %s", c.name, way, value[string](b, "location.hash"))
			}
			do()
			b.until("Boolean(" + c.want + ")")
			c.undo()
			b.until("!(" + c.want + ")")
		}
	}

	// What a key opens gives the focus back.
	b.focus("[data-figure=couplings]")
	b.press("d")
	b.until(`document.querySelectorAll('#sheet td[data-value]').length > 100`)
	b.press(kb.Escape)
	if !value[bool](b, `document.querySelector('#sheet').hidden && document.activeElement.dataset.figure === 'couplings'`) {
		t.Error("escape does not return to the figure")
	}
	b.check()
}
