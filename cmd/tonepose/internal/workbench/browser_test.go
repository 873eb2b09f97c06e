package workbench

import (
	"context"
	"fmt"
	"math"
	"net/url"
	"os/exec"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// browser is a tab of a real Chromium that watches the page's console and its requests.
type browser struct {
	t    *testing.T
	ctx  context.Context
	home string // host of the page

	mu       sync.Mutex
	problems []string // errors in the console, and requests to elsewhere
}

// chromium is one browser for all tests, each of which has tabs of its own; nil: there is none here.
var chromium = sync.OnceValues(func() (context.Context, error) {
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome", "chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		fmt.Println("left out: tests of the page in a browser, as no Chromium is here (Debian: apt-get install chromium)")
		return nil, nil
	}
	options := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.WindowSize(1440, 1000), chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true))
	all, _ := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, end := chromedp.NewContext(all)
	endChromium = end
	return ctx, chromedp.Do(ctx)
})

// endChromium ends the browser that was begun.
var endChromium = func() {}

// opened opens an address in a tab, or leaves the test out where there is no Chromium.
func opened(t *testing.T, address string) *browser {
	t.Helper()
	b := tab(t, address)
	b.show(address)
	return b
}

// tab is an empty one, for the page at an address.
func tab(t *testing.T, address string) *browser {
	t.Helper()
	parent, err := chromium()
	if err != nil {
		t.Fatal(err)
	}
	if parent == nil {
		t.Skip("no Chromium")
	}
	home, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	b := &browser{t: t, home: home.Host}
	ctx, cancel := chromedp.NewContext(parent, chromedp.WithNewBrowserContext(), chromedp.WithListener(b.heard))
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	var stop func()
	b.ctx, stop = context.WithTimeout(ctx, 3*time.Minute) // whatever hangs is to be named
	t.Cleanup(stop)
	return b
}

// heard takes what the browser tells of the tab.
func (b *browser) heard(ev any) {
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
		if err != nil || to.Host != b.home && to.Scheme != "blob" && to.Scheme != "data" {
			b.problem("a request to %s", ev.Request.URL)
		}
	}
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

// until waits for an expression, or what it promises, to be true.
func (b *browser) until(expression string) {
	b.t.Helper()
	for range 20 * 60 { // some minute
		if value[bool](b, fmt.Sprintf("Promise.resolve(%s).then(Boolean)", expression)) {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	b.check()
	b.t.Fatalf("never so: %s\n%s", expression, value[string](b, "document.body.innerText.slice(0, 1500)"))
}

func value[T any](b *browser, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return v
}

func (b *browser) press(keys string, with ...chromedp.Modifier) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, chromedp.KeyEvent(keys, chromedp.KeyModifiers(with...))); err != nil {
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

// cursor is the time that the strip tells [s].
func (b *browser) cursor() float64 {
	b.t.Helper()
	return value[float64](b, `Number(document.querySelector('#cursor').ariaValueNow)`)
}
