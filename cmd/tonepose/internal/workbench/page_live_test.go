package workbench

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// sound is samples as they were recorded, and reversed those of a coil that is wired the wrong way round.
var sound, reversed = [4]int16{1, 1, 1, 1}, [4]int16{1, -1, 1, 1}

// The page of a stream follows its end, is held and goes on, is left behind by its cursor, names a fault, and says when no
// more samples come.
func TestPageOfAStream(t *testing.T) {
	address, player := servedPlayer(t)
	b := opened(t, address)
	newest := func(least float64) {
		t.Helper()
		b.until(fmt.Sprintf(`Number(document.querySelector('#cursor').ariaValueNow) > %g`, least))
	}
	// The middle of the last window lies half of 10 ms before the end.
	const last = 0.006
	player.send(0, 1, sound)
	newest(1 - last)
	want, ok := truthAt(t, b.cursor())
	if !ok {
		t.Fatalf("no truth at %g s", b.cursor())
	}
	// Words lag by a fifth of a second.
	for name, at := range map[string]float64{"x": want.X, "y": want.Y, "z": want.Z} {
		b.until(fmt.Sprintf(`Math.abs(Number(document.querySelector('#reading [data-quantity=%s]').dataset.value) - %g) < 6*Number(document.querySelector('#reading [data-quantity=sigma]').dataset.value) + 1e-5`, name, at))
	}

	arrived := func(end float64) {
		t.Helper()
		wait(t, address, func(s map[string]any) bool { return s["end_s"].(float64) > end-last })
	}
	b.press(" ")
	b.until(`document.querySelector('#about').textContent.startsWith('held')`)
	held := b.cursor()
	player.send(1, 1.4, sound)
	arrived(1.4)
	if now := b.cursor(); now != held {
		t.Errorf("the cursor went on from %g s to %g s while held", held, now)
	}
	b.press(" ")
	newest(1.4 - last)

	// A row back the cursor stays, whatever comes.
	b.press(kb.ArrowLeft)
	b.until(`!document.querySelector('#now').hidden`)
	stays := b.cursor()
	player.send(1.4, 1.8, sound)
	arrived(1.8)
	if now := b.cursor(); now != stays {
		t.Errorf("the cursor went from %g s to %g s though it was put there", stays, now)
	}
	if err := chromedp.Do(b.ctx, chromedp.Click(chromedp.CSS("#now"))); err != nil {
		t.Fatal(err)
	}
	newest(1.8 - last)
	if have := value[string](b, `document.querySelector('#verdict').dataset.grade`); have != "sound" {
		t.Errorf("the verdict of sound samples is %s", have)
	}

	// What is said is noted as it changes, as the pose of a silent stream soon counts as old.
	value[bool](b, `!new MutationObserver(() => (window.said ??= []).push(document.querySelector('#verdict').innerText)).observe(document.querySelector('#verdict'), {subtree: true, childList: true, characterData: true, attributes: true})`)
	player.send(1.8, 2.8, reversed)
	b.until(`window.said?.some((words) => /wrong channel\s+coil rx2 looks reversed/.test(words))`)
	player.listener.Close()
	player.conn.Close()
	b.until(`document.querySelector('#verdict .word').textContent.endsWith('old') && document.querySelector('#about').textContent.startsWith('waiting for the source')`)
	b.check()
}

// ball is where the metal ball is drawn in space, and how large.
type ball struct{ X, Y, R float64 }

func (b *browser) ball() (found ball) {
	b.t.Helper()
	b.until(`document.querySelector('[data-figure=space]').figure.svg().text().then((svg) => svg.includes('ball, drag'))`)
	return value[ball](b, `document.querySelector('[data-figure=space]').figure.svg().text().then((svg) => {
		const all = [...new DOMParser().parseFromString(svg, 'image/svg+xml').querySelectorAll('circle, text')];
		const circle = all[all.findIndex((node) => node.textContent === 'ball, drag') - 1];
		return {X: Number(circle.getAttribute('cx')), Y: Number(circle.getAttribute('cy')), R: Number(circle.getAttribute('r'))};
	})`)
}

// The virtual bench moves on the page; a turned knob is seen, a metal ball is drawn where it is, to scale, and can be
// dragged.
func TestPageOfTheBench(t *testing.T) {
	address := served(t, Options{})
	b := opened(t, address)
	b.until(`document.querySelector('#reading [data-quantity=x]')?.dataset.value`)
	first := b.reading("x")
	b.until(fmt.Sprintf(`Number(document.querySelector('#reading [data-quantity=x]').dataset.value) !== %g`, first))
	// The middle choice of a knob's two is chosen by an arrow key.
	choose := func(knob string) {
		t.Helper()
		b.focus(fmt.Sprintf(`[role=radiogroup][aria-label=%q] [aria-checked=true]`, knob))
		b.press(kb.ArrowRight)
	}
	choose("sensor")
	b.until(`Boolean(document.querySelector('[role=radiogroup][aria-label=sensor] [data-value=false][aria-checked=true]'))`)
	if status, answer := post(t, address+"api/bench", map[string]any{"set": map[string]any{"sensor_position": []float64{0.02, -0.01, 0.2}}}); status != 200 {
		t.Fatal(answer)
	}
	b.until(`Math.abs(Number(document.querySelector('#reading [data-quantity=x]').dataset.value) - 0.02) < 5e-4`)
	// The windows in which the sensor leaps have larger sigmas: the median of a second leaves them out.
	var second []float64
	for range 11 {
		second = append(second, b.reading("sigma"))
		time.Sleep(100 * time.Millisecond)
	}
	slices.Sort(second)
	quiet := second[len(second)/2]
	b.focus(`input[type=range][aria-label=noise]`)
	b.press(kb.End)
	b.until(`fetch('/api/bench').then((r) => r.json()).then((v) => v.knobs.find((k) => k.id === 'noise').value === 1e-5)`)
	// Four decades in 200 steps: one decade down to 1 µV/√Hz, 200 times that of the start, and the noise of the amplifier is
	// what counts.
	for range 50 {
		b.press(kb.ArrowLeft)
	}
	b.until(`fetch('/api/bench').then((r) => r.json()).then((v) => Math.abs(v.knobs.find((k) => k.id === 'noise').value - 1e-6) < 1e-9)`)
	b.until(fmt.Sprintf(`((times) => times > 150 && times < 250)(Number(document.querySelector('#reading [data-quantity=sigma]').dataset.value) / %g)`, quiet))
	b.click("#room-bench .row > button.plain")
	b.until(fmt.Sprintf(`Number(document.querySelector('#reading [data-quantity=sigma]').dataset.value) < %g`, 10*quiet))

	// Back at the start the sensor follows its path, which leads through where the ball will be.
	if status, answer := post(t, address+"api/bench", map[string]any{"set": map[string]any{"follow_path": false, "sensor_position": []float64{0.005, -0.01, 0.16}}}); status != 200 {
		t.Fatal(answer)
	}
	b.press("s")
	b.click("[aria-label=view] [data-value=above]")
	place := func(x, y float64) {
		t.Helper()
		if status, answer := post(t, address+"api/bench", map[string]any{"set": map[string]any{"metal": true, "metal_position": []float64{x, y, 0.1}, "metal_radius": 0.03}}); status != 200 {
			t.Fatal(answer)
		}
	}
	place(0, 0)
	at := b.ball()
	scale := at.R / 0.03 // pixels a metre
	place(0.05, -0.04)
	moved := at
	for moved == at {
		moved = b.ball()
	}
	// Seen from above x goes right and y up; drawings are to a hundredth of a pixel, and so is the radius of some 20.
	if math.Abs(moved.X-at.X-0.05*scale) > 0.1 || math.Abs(moved.Y-at.Y-0.04*scale) > 0.1 || moved.R != at.R {
		t.Errorf("the ball goes from %+v to %+v, %g pixels a metre", at, moved, scale)
	}
	box := value[[]float64](b, `(({width, height}) => [width, height])(document.querySelector('[data-figure=space]').getBoundingClientRect())`)
	b.mouseDrag("space", moved.X/box[0], moved.Y/box[1], (moved.X-30)/box[0], (moved.Y-20)/box[1])
	wanted := []float64{0.05 - 30/scale, -0.04 + 20/scale}
	b.until(fmt.Sprintf(`fetch('/api/bench').then((r) => r.json()).then((v) => Math.hypot(v.metal.center_m[0] - %g, v.metal.center_m[1] - %g) < 1e-3)`, wanted[0], wanted[1]))
	b.until(`document.querySelector('#verdict').dataset.grade === 'wrong'`)
	b.check()
}
