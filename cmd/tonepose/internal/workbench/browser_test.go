package workbench

import (
	"context"
	"fmt"
	"math"
	"net/url"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// browser is a real Chromium that watches the page's console and its requests.
type browser struct {
	t   *testing.T
	ctx context.Context

	mu       sync.Mutex
	problems []string // errors in the console, and requests to elsewhere
}

var leftOut sync.Once

// opened opens an address in Chromium, or leaves the test out where there is none.
func opened(t *testing.T, address string) *browser {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		leftOut.Do(func() {
			fmt.Println("left out: tests of the page in a browser, as no Chromium is here (Debian: apt-get install chromium)")
		})
		t.Skip("no Chromium")
	}
	options := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.WindowSize(1440, 1000), chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true))
	all, cancelAll := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(cancelAll)
	ctx, cancel := chromedp.NewContext(all)
	t.Cleanup(cancel)
	ctx, stop := context.WithTimeout(ctx, 3*time.Minute) // whatever hangs is to be named
	t.Cleanup(stop)
	b := &browser{t: t, ctx: ctx}
	home, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	err = chromedp.Listen(ctx, func(ev any) {
		switch ev := ev.(type) {
		case *runtime.EventConsoleAPICalled:
			if ev.Type == "error" || ev.Type == "warning" {
				b.problem("console: %s", ev.Type)
			}
		case *runtime.EventExceptionThrown:
			b.problem("exception: %s", ev.ExceptionDetails.Text)
		case *log.EventEntryAdded:
			if ev.Entry.Level == "error" {
				b.problem("log: %s %s", ev.Entry.Text, ev.Entry.URL)
			}
		case *network.EventRequestWillBeSent:
			to, err := url.Parse(ev.Request.URL)
			if err != nil || to.Host != home.Host && to.Scheme != "blob" && to.Scheme != "data" {
				b.problem("a request to %s", ev.Request.URL)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	b.show(address)
	return b
}

func (b *browser) problem(format string, values ...any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.problems = append(b.problems, fmt.Sprintf(format, values...))
}

// check fails on what the console said and where requests went.
func (b *browser) check() {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, p := range b.problems {
		b.t.Error(p)
	}
}

func (b *browser) show(address string) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, chromedp.Navigate(address)); err != nil {
		b.t.Fatal(err)
	}
	b.until(`document.documentElement.dataset.state === "ready"`)
}

// until waits for an expression to be true.
func (b *browser) until(expression string) {
	b.t.Helper()
	if _, err := chromedp.Run(b.ctx, chromedp.Poll[bool](expression, chromedp.WithPollingInterval(50*time.Millisecond), chromedp.WithPollingTimeout(time.Minute))); err != nil {
		seen, _ := chromedp.Run(b.ctx, chromedp.Evaluate[string]("document.body.innerText.slice(0, 1500)"))
		b.check()
		b.t.Fatalf("%s: %v\n%s", expression, err, seen)
	}
}

func value[T any](b *browser, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

func (b *browser) press(keys string) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, chromedp.KeyEvent(keys)); err != nil {
		b.t.Fatal(err)
	}
}

// reading is a number of the reading, in SI units.
func (b *browser) reading(quantity string) float64 {
	b.t.Helper()
	text := value[string](b, fmt.Sprintf(`String(document.querySelector('#reading [data-quantity=%s]')?.dataset.value)`, quantity))
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return math.NaN()
	}
	return v
}

// The page of a run opens every room, reads what the tables have, and moves with its
// cursor and its address.
func TestPageOfARun(t *testing.T) {
	address := servedRun(t)
	b := opened(t, address+"#t=1.2")
	at := object(t, address+"api/at?time=1.2")["sensors"].([]any)[0].(map[string]any)
	agree := func(at map[string]any) {
		t.Helper()
		b.until(fmt.Sprintf(`Math.abs(Number(document.querySelector('#reading [data-quantity=x]')?.dataset.value) - %g) < 1e-9`, at["position_m"].([]any)[0]))
		for i, name := range []string{"x", "y", "z"} {
			if have, want := b.reading(name), at["position_m"].([]any)[i].(float64); math.Abs(have-want) > 1e-9 {
				t.Errorf("%s reads %g, want %g", name, have, want)
			}
		}
		if have, want := b.reading("sigma"), at["sigma_m"].(float64); math.Abs(have-want) > 1e-9 {
			t.Errorf("sigma reads %g, want %g", have, want)
		}
		if have := value[string](b, `document.querySelector('#verdict').dataset.grade`); have != at["grade"] {
			t.Errorf("the verdict is %q, want %q", have, at["grade"])
		}
	}
	agree(at)
	for _, key := range []string{"r", "t", "c", "s", "q"} {
		b.press(key)
		room := map[string]string{"r": "recording", "t": "tones", "c": "couplings", "s": "space", "q": "quality"}[key]
		b.until(fmt.Sprintf(`location.hash.includes("room=%s")`, room))
		b.until(fmt.Sprintf(`document.querySelector('#room-%s .answer')?.textContent.trim().length > 0`, room))
	}
	b.press("a")
	// A row on: the cursor and the reading move together.
	if err := chromedp.Do(b.ctx, chromedp.Focus("#cursor")); err != nil {
		t.Fatal(err)
	}
	b.press("\u0303") // arrow right
	agree(object(t, address+"api/at?time=1.21")["sensors"].([]any)[0].(map[string]any))
	b.check()
}

// The virtual bench moves on the page, and a turned knob is seen.
func TestPageOfTheBench(t *testing.T) {
	address := served(t, Options{})
	b := opened(t, address)
	first := b.reading("x")
	b.until(fmt.Sprintf(`Number(document.querySelector('#reading [data-quantity=x]')?.dataset.value) !== %s`, strings.ReplaceAll(fmt.Sprint(first), "NaN", "0")))
	if status, answer := post(t, address+"api/bench", map[string]any{"set": map[string]any{"follow_path": false, "sensor_position": []float64{0.02, -0.01, 0.2}}}); status != 200 {
		t.Fatal(answer)
	}
	b.until(`Math.abs(Number(document.querySelector('#reading [data-quantity=x]')?.dataset.value) - 0.02) < 5e-4`)
	b.check()
}
