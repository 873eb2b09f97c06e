package workbench

import (
	"context"
	"errors"
	"io"
	"math"
	"net/http"
	"net/http/cookiejar"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/subject"
)

// Who is not this machine's page is not answered, nor what is no file of the page.
func TestStrangersAreRefused(t *testing.T) {
	address := servedRun(t)
	ask := func(method, path string, change func(*http.Request)) int {
		r, err := http.NewRequestWithContext(t.Context(), method, address+path, strings.NewReader("{}"))
		if err != nil {
			t.Fatal(err)
		}
		if change != nil {
			change(r)
		}
		a, err := http.DefaultTransport.RoundTrip(r)
		if err != nil {
			t.Fatal(err)
		}
		a.Body.Close()
		if p := a.Header.Get("Content-Security-Policy"); p == "" || strings.Contains(p, "unsafe") && path != "report" {
			t.Errorf("%s: policy %q", path, p)
		}
		return a.StatusCode
	}
	header := func(name, value string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set(name, value) }
	}
	for _, c := range []struct {
		method, path string
		change       func(*http.Request)
		want         int
	}{
		{"GET", "", nil, 200},
		{"GET", "page/style.css", nil, 200},
		{"GET", "report", nil, 200},
		{"GET", "api/session", nil, 200},
		{"GET", "api/session", func(r *http.Request) { r.Host = "evil.example" }, 403},
		{"GET", "api/session", func(r *http.Request) { r.Host = "127.0.0.1:1" }, 403},
		{"GET", "api/session", header("Origin", "http://evil.example"), 403},
		{"GET", "api/session", header("Sec-Fetch-Site", "cross-site"), 403},
		{"POST", "api/leaveout", nil, 415},
		{"POST", "api/leaveout", header("Content-Type", "text/plain"), 415},
		{"DELETE", "api/session", nil, 405},
		{"GET", "page/../server.go", nil, 404},
		{"GET", "page/%2e%2e/server.go", nil, 404},
		{"GET", "page//etc/passwd", nil, 404},
		{"GET", "api/leaveout", nil, 404},
		{"GET", "api/series?columns=sigma_m&points=1000000", nil, 400},
		{"GET", "api/series?columns=nosuch", nil, 400},
		{"GET", "api/series?columns=sigma_m&sensor=1", nil, 400},
		{"GET", "api/series?columns=sigma_m&from=nan", nil, 400},
		{"GET", "api/series?columns=sigma_m&from=2&to=1", nil, 400},
		{"GET", "api/traces?channels=0,99", nil, 400},
		{"GET", "api/traces?channels=-1", nil, 400},
		{"GET", "api/rows.csv?table=../poses", nil, 400},
		{"GET", "api/bench", nil, 409},
		{"GET", "api/whatif/cloud?id=7", nil, 410},
	} {
		if have := ask(c.method, c.path, c.change); have != c.want {
			t.Errorf("%s /%s: %d, want %d", c.method, c.path, have, c.want)
		}
	}
}

// Others than this machine need the token, which the address has once.
func TestRemoteNeedsToken(t *testing.T) {
	dir, err := solved()
	if err != nil {
		t.Fatal(err)
	}
	if err := Serve(t.Context(), Options{Run: subject.RunOptions{Dir: dir}, Address: "0.0.0.0:0"}); err == nil || !strings.Contains(err.Error(), "--allow-remote") {
		t.Errorf("served to all without being told: %v", err)
	}
	address := served(t, Options{Run: subject.RunOptions{Dir: dir}, AllowRemote: true})
	bare, token, _ := strings.Cut(address, "?token=")
	if len(token) < 20 {
		t.Fatalf("%s: no token, or a short one", address)
	}
	for _, path := range []string{"", "api/session", "page/style.css", "?token=" + token[1:], "api/session?token=" + token} {
		if status, _ := get(t, bare+path); status != http.StatusForbidden {
			t.Errorf("%s: %d without the cookie", path, status)
		}
	}
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	known := &http.Client{Jar: jar}
	for _, path := range []string{"?token=" + token, "", "api/session"} {
		r, err := known.Get(bare + path)
		if err != nil {
			t.Fatal(err)
		}
		r.Body.Close()
		if r.StatusCode != http.StatusOK || strings.Contains(r.Request.URL.String(), "token") {
			t.Errorf("%s: %d at %s", path, r.StatusCode, r.Request.URL)
		}
	}
}

// A stream is followed to its end: windows, times and poses are those of the recording.
func TestFollowsAStream(t *testing.T) {
	address := served(t, Options{Follow: subject.StreamOptions{Name: "play:" + recorded, Rig: rigFile, Windows: stream.Windows{Length: 10e-3, Hop: 10e-3}, Source: source.Options{Pace: math.Inf(1)}}})
	wait(t, address, func(s map[string]any) bool { return s["rows"].(float64) >= 300 })
	_, path := decoded(t, address+"api/path?points=1000")
	compared := 0
	for i, at := range path["time_s"] {
		if want, ok := truthAt(t, at); ok {
			compared++
			if math.Abs(path["x_m"][i]-want.X) > 6*path["sigma_m"][i]+1e-5 {
				t.Errorf("x at %g s is %g, want %g", at, path["x_m"][i], want.X)
			}
		}
	}
	if compared < 290 {
		t.Errorf("%d of %d poses could be compared", compared, len(path["time_s"]))
	}
	m := object(t, address+"api/at?time=2")
	if one := m["sensors"].([]any)[0].(map[string]any); one["couplings"] == nil || one["tones"] == nil {
		t.Error("the window has no couplings or no tones")
	}
	if status, _ := post(t, address+"api/whatif", map[string]any{"from_s": 1.0, "to_s": 1.5, "window_s": 0.02}); status != http.StatusConflict {
		t.Errorf("another window of a stream: %d", status)
	}
}

// What is not known yet is no fault, which a browser would note in its console; the page is told to wait.
func TestNotKnownYet(t *testing.T) {
	address, player := servedPlayer(t)
	for _, path := range []string{"api/spectrum", "api/slices"} {
		status, body := get(t, address+path)
		if status != http.StatusAccepted || !strings.Contains(string(body), `"wait":true`) {
			t.Errorf("%s: %d %s", path, status, body)
		}
	}
	player.send(0, 1, sound)
	wait(t, address, func(s map[string]any) bool { return s["end_s"].(float64) > 0.99 })
	for _, path := range []string{"api/spectrum", "api/slices"} {
		if status, body := get(t, address+path); status != http.StatusOK {
			t.Errorf("%s: %d %.300s", path, status, body)
		}
	}
}

// The end of what is asked for ends the server at once, without an error, though a
// reader listens.
func TestEndsWhileAReaderListens(t *testing.T) {
	dir, err := solved()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ready, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- Serve(ctx, Options{Run: subject.RunOptions{Dir: dir}, Address: "127.0.0.1:0", Ready: func(a string) { ready <- a }})
	}()
	r, err := http.Get(<-ready + "api/events")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	cancel()
	if err := <-ended; err != nil {
		t.Errorf("ended with %v", err)
	}
	if _, err := io.ReadAll(r.Body); err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("the reader saw %v", err)
	}
}

func TestBadRunsAreNamed(t *testing.T) {
	dir, err := solved()
	if err != nil {
		t.Fatal(err)
	}
	truth := filepath.Join(t.TempDir(), "truth.csv")
	if err := os.WriteFile(truth, []byte("time_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz\n0,probe,0,0,0.1,1,0,0\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := Serve(t.Context(), Options{Run: subject.RunOptions{Dir: dir, Truth: truth}, Address: "127.0.0.1:0"}); err == nil || !strings.Contains(err.Error(), "truth.csv:2: 8 fields") {
		t.Errorf("a broken truth: %v", err)
	}
	empty := t.TempDir()
	if err := Serve(t.Context(), Options{Run: subject.RunOptions{Dir: empty}, Address: "127.0.0.1:0"}); err == nil || !strings.Contains(err.Error(), "poses.parquet") {
		t.Errorf("an empty folder: %v", err)
	}
	if err := Serve(t.Context(), Options{Address: "127.0.0.1:99999"}); err == nil || !strings.Contains(err.Error(), "address 127.0.0.1:99999: ") || !strings.Contains(err.Error(), "name another port") {
		t.Errorf("no such port: %v", err)
	}
	if err := Serve(t.Context(), Options{Address: "127.0.0.1"}); err == nil || !strings.Contains(err.Error(), "host and port") {
		t.Errorf("an address without a port: %v", err)
	}
}
