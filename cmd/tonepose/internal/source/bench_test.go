package source

import (
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// benchCounts are the first n samples of all channels.
func benchCounts(t *testing.T, src Source, n int) []int16 {
	t.Helper()
	x := make([]int16, n*src.Info().Channels)
	for at := 0; at < len(x); {
		got, err := src.ReadInt16(x[at:])
		if err != nil {
			t.Fatal(err)
		}
		at += got * src.Info().Channels
	}
	return x
}

// The bench gives the same samples with the same seed, and others with another.
func TestBenchIsTheSameForASeed(t *testing.T) {
	fast := Options{Pace: math.Inf(1), Bench: Bench{Seed: 3}}
	first := benchCounts(t, open(t, "bench:", fast), 5000)
	if !slices.Equal(first, benchCounts(t, open(t, "bench:", fast), 5000)) {
		t.Error("the same seed gives other samples")
	}
	fast.Bench.Seed = 4
	if slices.Equal(first, benchCounts(t, open(t, "bench:", fast), 5000)) {
		t.Error("another seed gives the same samples")
	}
	if r, err := BenchRig("bench:"); err != nil || len(r.Channels) != 4 {
		t.Errorf("the rig is %+v, %v", r, err)
	}
	if r, err := BenchRig("play:x"); r != nil || err != nil {
		t.Errorf("a recording has the rig %v, %v", r, err)
	}
}

// In real time, 20 ms of samples have come after 20 ms, and a Read that waits ends with
// Close.
func TestBenchIsInRealTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := open(t, "bench:", Options{})
		began := time.Now()
		benchCounts(t, src, 2000)
		if d := time.Since(began); d != 20*time.Millisecond {
			t.Errorf("20 ms of samples took %v", d)
		}
		if d := src.Arrived().Sub(began); d != 20*time.Millisecond {
			t.Errorf("the last of them came after %v", d)
		}
		if !src.Start().Equal(began) || src.Info().Samples >= 0 || len(src.Lost()) > 0 {
			t.Errorf("start %v, %d samples, lost %v", src.Start(), src.Info().Samples, src.Lost())
		}
		ended := make(chan error)
		go func() {
			_, err := src.ReadInt16(make([]int16, 4*100000))
			for err == nil {
				_, err = src.ReadInt16(make([]int16, 4*100000))
			}
			ended <- err
		}()
		synctest.Wait()
		src.Close()
		if err := <-ended; !errors.Is(err, io.EOF) {
			t.Errorf("closed: %v", err)
		}
	})
}

// A scene happens, a path of poses ends the samples, and what is wrong is said.
func TestBenchWithSceneAndPath(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string) string {
		name = filepath.Join(dir, name)
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return name
	}
	text := "events:\n"
	for _, e := range []string{"e1", "e2", "e3", "e4", "e5", "e6", "e7", "e8"} {
		text += "- {time_s: 0.01, emitter: " + e + ", drive: 0}\n"
	}
	text += "- {time_s: 0.01, noise_v_per_rthz: 0}\n- {time_s: 0.01, mains_v: 0}\n"
	still := Bench{Scene: file("off.yaml", text), Path: file("rest.csv", "start_s,stop_s,x_m,y_m,z_m,qw,qx,qy,qz\n0,0.02,0,0,0.15,1,0,0,0\n")}
	src := open(t, "bench:", Options{Pace: math.Inf(1), Bench: still})
	x := benchCounts(t, src, 2000)
	for i, v := range x {
		if sample := i / 4; v != 0 && sample >= 1000 {
			t.Fatalf("sample %d is %d: all has been off since sample 1000", sample, v)
		}
	}
	if !slices.ContainsFunc(x[990*4:1000*4], func(v int16) bool { return v != 0 }) {
		t.Error("nothing was on before")
	}
	if n, err := src.ReadInt16(x); n != 0 || !errors.Is(err, io.EOF) {
		t.Errorf("after the path's end %d samples, error %v", n, err)
	}
	for name, c := range map[string]struct {
		source string
		bench  Bench
		want   string
	}{
		"rig":   {"bench:" + filepath.Join(dir, "no.yaml"), Bench{}, "no such file"},
		"path":  {"bench:", Bench{Path: "nowhere"}, "built-in paths are stations and sweep"},
		"scene": {"bench:", Bench{Scene: file("bad.yaml", "events:\n- {time_s: 1, emitter: e99, drive: 0}\n")}, "bad.yaml:2: events[0].emitter = e99: is not known here"},
	} {
		if _, err := Open(t.Context(), c.source, Options{Bench: c.bench}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}
