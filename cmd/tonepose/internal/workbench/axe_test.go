package workbench

import (
	"fmt"
	"net/http"
	"os"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// axe-core finds no fault of accessibility in any room, of a run, a stream and the virtual bench, wide and narrow, in light
// and dark, nor in the sheets. Each is seen wide in one scheme and narrow in the other: colours do not hang on the width, nor
// places on colours, and over the subjects every room is seen in all four. The variable TONEPOSE_AXE names its file axe.min.js; without it the test is left out.
func TestAccessible(t *testing.T) {
	path := os.Getenv("TONEPOSE_AXE")
	if path == "" {
		fmt.Println("left out: faults of accessibility, as TONEPOSE_AXE names no axe.min.js (npm install axe-core)")
		t.Skip("no axe-core")
	}
	script, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Run("run", func(t *testing.T) {
		// Something is tried, and something left out.
		b := opened(t, servedRun(t)+"#t=1.2&from=1&to=1.5&out=e2&trial=window:rectangular:0.02")
		b.examine(string(script), "run", "light", "dark")
		for _, key := range []string{"?", "x", "d"} {
			b.press(key)
			b.until(`!document.querySelector('#sheet').hidden`)
			b.faults("sheet of key " + key)
			b.press(kb.Escape)
		}
	})
	t.Run("stream", func(t *testing.T) {
		// Its verdict is wrong, and then old.
		address, player := servedPlayer(t)
		player.send(0, 0.5, sound)
		player.send(0.5, 1.5, reversed)
		wait(t, address, func(s map[string]any) bool { return s["flagged"].(float64) > 0 })
		opened(t, address).examine(string(script), "stream", "dark", "light")
	})
	t.Run("bench", func(t *testing.T) {
		address := served(t, Options{})
		for path, ask := range map[string]any{"api/bench": map[string]any{"set": map[string]any{"metal": true}}, "api/experiments/start": map[string]any{"id": "metal"}} {
			if status, answer := post(t, address+path, ask); status != http.StatusOK {
				t.Fatal(answer)
			}
		}
		b := opened(t, address)
		wait(t, address, func(s map[string]any) bool { return s["end_s"].(float64) > 1 })
		if status, answer := post(t, address+"api/bench", map[string]any{"paused": true}); status != http.StatusOK { // it need not move meanwhile
			t.Fatal(answer)
		}
		b.examine(string(script), "bench", "light", "dark")
	})
}

// examine looks at all rooms, in one scheme of colours where they are wide, in one where they are narrow.
func (b *browser) examine(axe, subject, wide, narrow string) {
	b.t.Helper()
	if _, err := chromedp.Run(b.ctx, chromedp.Evaluate[any](axe)); err != nil {
		b.t.Fatal(err)
	}
	for width, scheme := range map[int64]string{1280: wide, 320: narrow} {
		colours := &emulation.MediaFeature{Name: "prefers-color-scheme", Value: scheme}
		if _, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{colours}}); err != nil {
			b.t.Fatal(err)
		}
		if err := chromedp.Do(b.ctx, chromedp.EmulateViewport(width, 900)); err != nil {
			b.t.Fatal(err)
		}
		for _, room := range []string{"all", "recording", "tones", "couplings", "space", "quality"} {
			b.press(room[:1])
			b.until(fmt.Sprintf(`document.querySelector('#tab-%s').ariaSelected === 'true'`, room))
			b.faults(fmt.Sprintf("%s, %s, %d wide, %s", subject, room, width, scheme))
		}
	}
	b.check()
}

// faults are what axe-core finds in what is shown.
func (b *browser) faults(where string) {
	b.t.Helper()
	for _, fault := range value[[]string](b, `axe.run({resultTypes: ['violations']}).then(({violations}) => violations.flatMap((v) => v.nodes.map((n) => v.help + ': ' + n.target.join(' ') + '; ' + n.failureSummary)))`) {
		b.t.Errorf("%s: %s", where, fault)
	}
}
