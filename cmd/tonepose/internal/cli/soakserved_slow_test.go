//go:build slow && linux

package cli

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"tonepose/cmd/tonepose/internal/handbook"
)

// held is what a process holds at a moment.
type held struct{ mib, handles, threads int }

func heldBy(pid int) (h held, err error) {
	dir := fmt.Sprintf("/proc/%d/", pid)
	status, err := os.ReadFile(dir + "status")
	if err != nil {
		return h, err
	}
	for line := range strings.Lines(string(status)) {
		if f := strings.Fields(line); len(f) > 1 && f[0] == "VmRSS:" {
			h.mib, _ = strconv.Atoi(f[1])
			h.mib >>= 10
		} else if len(f) > 1 && f[0] == "Threads:" {
			h.threads, _ = strconv.Atoi(f[1])
		}
	}
	open, err := os.ReadDir(dir + "fd")
	h.handles = len(open)
	return h, err
}

// most is the largest of each.
func most(all []held) (m held) {
	for _, h := range all {
		m = held{max(m.mib, h.mib), max(m.handles, h.handles), max(m.threads, h.threads)}
	}
	return m
}

// TestSoakServed follows commands that go on until they are ended: a stream with its tables and
// rows, the page of a bench that is turned at random, the page of a run. What they hold does
// not grow, whatever is asked of them and given up; they crash at nothing, and end in good order.
func TestSoakServed(t *testing.T) {
	if *soakFor < 30*time.Second {
		t.Skip("too short to grow")
	}
	t.Parallel()
	shelf := soakShelf(t)
	var beside sync.WaitGroup // parallel tests would wait for each other where processors are few
	defer beside.Wait()
	for _, c := range []struct {
		name string
		args []string
		page bool
	}{
		{"live", []string{"live", "bench:", "--window", "10ms", "--rows", "json", "--part", "1s", "--trajectory", "filter", "--out", filepath.Join(t.TempDir(), "live")}, false},
		{"page of a bench", []string{"workbench"}, true},
		{"page of a run", []string{"workbench", filepath.Join(shelf, "smoothed"), "--recording", filepath.Join(shelf, "moving.sigmf-meta"), "--truth", filepath.Join(shelf, "pipe-bench-moving.truth.csv")}, true},
	} {
		beside.Go(func() { soakedServed(t, c.name, c.args, c.page) })
	}
}

func soakedServed(t *testing.T, name string, args []string, page bool) {
	p := process(t, args...)
	var errs bytes.Buffer
	p.Stderr = &errs
	out, err := p.StdoutPipe()
	if err != nil {
		t.Error(err)
		return
	}
	if err := p.Start(); err != nil {
		t.Error(err)
		return
	}
	ctx, cancel := context.WithTimeout(t.Context(), *soakFor)
	defer cancel()
	lines := bufio.NewReader(out)
	first, err := lines.ReadString('\n')
	if err != nil {
		t.Errorf("%s: %v", name, err)
	}
	go io.Copy(io.Discard, lines)
	asked := make(chan int, 1)
	go func() {
		n := 0
		if page {
			n = asks(t, ctx, strings.TrimSpace(first))
		}
		asked <- n
	}()
	all := polled(t, ctx, p)
	n := <-asked
	p.Process.Signal(syscall.SIGTERM)
	if err := p.Wait(); err != nil || crashed.MatchString(errs.String()) {
		t.Errorf("%s: %v, %s", name, err, terminalEnd(errs.String()))
	}
	// The first third fills what is bounded; collectors and loads of the machine leave some.
	third := len(all) / 3
	before, after := most(all[third:2*third]), most(all[2*third:])
	t.Logf("%s: %d requests; in the second third at most %d MiB, %d handles, %d threads, in the last %d, %d, %d", name, n,
		before.mib, before.handles, before.threads, after.mib, after.handles, after.threads)
	if after.mib > before.mib+before.mib/4+20 || after.handles > before.handles+8 || after.threads > before.threads+8 {
		t.Errorf("%s grows: %v", name, all)
	}
}

// polled looks at what a process holds until the context is done.
func polled(t *testing.T, ctx context.Context, p *exec.Cmd) (all []held) {
	for tick := time.NewTicker(*soakFor / 150); ; {
		select {
		case <-ctx.Done():
			return all
		case <-tick.C:
		}
		h, err := heldBy(p.Process.Pid)
		if err != nil {
			t.Errorf("it ended by itself: %v", err)
			return all
		}
		all = append(all, h)
	}
}

// asks asks a page for what a seed draws, some of it nonsense, some given up before it came.
func asks(t *testing.T, ctx context.Context, page string) (n int) {
	random := rand.New(rand.NewPCG(*soakSeed, 16))
	one := func(from ...string) string { return from[random.IntN(len(from))] }
	number := func() string { return fmt.Sprintf("%.4g", 12*random.Float64()-1) }
	gets := []string{"session", "series", "path", "at", "next", "step", "flags", "traces", "spectrum", "faults", "cloud", "phasors", "events", "slices", "allan", "rows.csv",
		"bench", "experiments", "whatif/cloud", "whatif/phasors", "whatif/choices", "nosuch"}
	parameters := map[string]func() string{"from": number, "to": number, "time": number, "at_m": func() string { return one("0.1", "0.2", "x") }, "low_hz": number, "high_hz": func() string { return one("10000", "1e9", "-1") },
		"sensor": func() string { return one("0", "1", "-1", "x") }, "emitter": func() string { return one("0", "3", "99") }, "channel": func() string { return one("0", "1", "99") },
		"channels": func() string { return one("0,1", "0", "") }, "points": func() string { return one("10", "500", "100000000") }, "rows": func() string { return one("1", "50", "1e9") }, "cells": func() string { return one("8", "24", "1000000") },
		"direction": func() string { return one("1", "-1") }, "axis": func() string { return one("x", "y", "z") }, "scale": func() string { return one("log", "linear") }, "id": func() string { return one("1", "2", "x") },
		"columns": func() string { return one("x_m,y_m,z_m", "chi2", "nosuch") }, "table": func() string { return one("poses", "phasors", "x") }, "truth": func() string { return one("1", "0") }}
	knob := func() string {
		return one(`"noise": 1e-8`, `"noise": 1e-6`, `"mains": 1e-3`, `"clock": 60`, `"window": 0.02`, `"window": 0.005`, `"hop": 0.005`, `"metal": true`, `"metal": false`, `"variant": "one-coil"`,
			`"taper": "rectangular"`, `"follow_path": true`, `"sensor_position": [0.01, 0.02, 0.15]`, `"sensor_position": [1e300, 0, 0]`, `"noise": "x"`, `"nosuch": 1`, `"clock_ignored": true`)
	}
	client := &http.Client{Transport: &http.Transport{}}
	defer client.CloseIdleConnections()
	for ; ctx.Err() == nil; n++ {
		method, path, body := http.MethodGet, "api/"+one(gets...), ""
		query := url.Values{}
		for name, value := range parameters {
			if random.IntN(3) > 0 {
				query.Set(name, value())
			}
		}
		switch random.IntN(40) {
		case 0, 1, 2:
			method, path, body = http.MethodPost, "api/bench", "{\"set\": {"+knob()+"}}"
		case 3:
			method, path, body = http.MethodPost, "api/bench", one(`{"reset": true}`, `{"paused": true}`, `{"paused": false}`, `{`, `[]`, strings.Repeat("[", 100000))
		case 4:
			all := handbook.Experiments()
			method, path, body = http.MethodPost, "api/experiments/start", `{"id": "`+all[random.IntN(len(all))].ID+`"}`
		case 5:
			method, path, body = http.MethodPost, "api/experiments/step", one(`{"step": 1, "do": true}`, `{"step": 0}`, `{"stop": true}`, `{"step": 99}`)
		case 6:
			method, path, body = http.MethodPost, "api/leaveout", `{"time_s": `+number()+`, "sensor": 0, "emitters": [`+one("0", "1,2", "99", "")+`], "coils": [], "points": 50}`
		case 7:
			method, path, body = http.MethodPost, "api/whatif", `{"kind": "`+one("window", "lowpass", "cascade4", "x")+`", "from_s": 0, "to_s": 0.2, "window_s": 0.02, "hop_s": 0.02, "taper": "hann"}`
		case 8:
			path = one("report", "", "page/main.js", "page/../../etc", "%00")
		}
		wait := 20 * time.Second
		if path == "api/events" || random.IntN(10) == 0 { // and gives it up
			wait = time.Duration(random.Int64N(int64(300 * time.Millisecond)))
		}
		asksOnce(t, ctx, client, wait, method, page+path+"?"+query.Encode(), body)
		select {
		case <-ctx.Done():
		case <-time.After(time.Duration(random.Int64N(int64(60 * time.Millisecond)))):
		}
	}
	return n
}

func asksOnce(t *testing.T, ctx context.Context, client *http.Client, wait time.Duration, method, address, body string) {
	ctx, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, method, address, strings.NewReader(body))
	if err != nil {
		return // no address
	}
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/json")
	}
	answer, err := client.Do(r)
	if err != nil {
		if ctx.Err() == nil {
			t.Errorf("%s %s %.200s: %v", method, address, body, err)
		}
		return
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	switch {
	case answer.StatusCode == http.StatusInternalServerError:
		t.Errorf("%s %s %.200s: %s %.500s", method, address, body, answer.Status, text)
	case err != nil && ctx.Err() == nil:
		t.Errorf("%s %s %.200s: %v", method, address, body, err)
	case ctx.Err() == context.DeadlineExceeded && wait > time.Second:
		t.Errorf("%s %s %.200s: no answer within %v", method, address, body, wait)
	}
}
