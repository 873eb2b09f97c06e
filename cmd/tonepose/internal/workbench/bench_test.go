package workbench

import (
	"bufio"
	"encoding/json"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"tonepose/cmd/tonepose/internal/subject"
)

// states reads the states that a page is sent, one after the other.
func states(t *testing.T, address string) (next func() map[string]any) {
	t.Helper()
	r, err := http.Get(address + "api/events")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Body.Close() })
	lines := bufio.NewScanner(r.Body)
	lines.Buffer(nil, 1<<20)
	return func() map[string]any {
		kind := ""
		for lines.Scan() {
			if text, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
				kind = text
			}
			text, ok := strings.CutPrefix(lines.Text(), "data: ")
			if !ok || kind != subject.StateNews {
				continue
			}
			var v map[string]any
			if err := json.Unmarshal([]byte(text), &v); err != nil {
				t.Fatal(err)
			}
			return v
		}
		t.Fatalf("no more states: %v", lines.Err())
		return nil
	}
}

func only(state map[string]any) map[string]any { return state["sensors"].([]any)[0].(map[string]any) }

// The virtual bench moves, knows its truth, and shows what is turned.
func TestTurnedBenchAnswers(t *testing.T) {
	address := served(t, Options{})
	next := states(t, address)
	turn := func(set map[string]any) {
		t.Helper()
		if status, answer := post(t, address+"api/bench", map[string]any{"set": set}); status != http.StatusOK {
			t.Fatal(answer)
		}
	}
	// until waits for a state that is as wanted; the test's own deadline ends it.
	until := func(what string, enough func(map[string]any) bool) map[string]any {
		t.Helper()
		for range 3000 {
			if s := next(); len(s["sensors"].([]any)) > 0 && enough(only(s)) {
				return only(s)
			}
		}
		t.Fatalf("%s was never seen", what)
		return nil
	}
	sound := func(s map[string]any) bool { return s["solved"] == true && len(s["flags"].([]any)) == 0 }
	first := until("a pose", sound)
	if off, sigma := first["truth"].(map[string]any)["error_m"].(float64), first["sigma_m"].(float64); off > 5*sigma {
		t.Errorf("off by %g, sigma %g", off, sigma)
	}
	// Put down, it rests where it was put.
	turn(map[string]any{"follow_path": false, "sensor_position": []float64{0.02, -0.01, 0.2}})
	rest := until("the sensor where it was put", func(s map[string]any) bool {
		return sound(s) && math.Abs(s["position_m"].([]any)[0].(float64)-0.02) < 1e-3 && math.Abs(s["position_m"].([]any)[2].(float64)-0.2) < 1e-3 && s["truth"].(map[string]any)["position_m"].([]any)[0] == 0.02
	})
	// Twenty times the noise makes twenty times the sigma, where the noise of the amplifier
	// is what counts.
	turn(map[string]any{"noise": 1e-7})
	until("more noise", func(s map[string]any) bool {
		ratio := s["sigma_m"].(float64) / rest["sigma_m"].(float64)
		return sound(s) && ratio > 15 && ratio < 25
	})
	turn(map[string]any{"noise": 5e-9, "metal": true, "metal_position": []float64{0.02, 0.03, 0.16}, "metal_radius": 0.03})
	until("metal", func(s map[string]any) bool {
		return strings.Contains(strings.Join(texts(s["flags"]), " "), "distorted")
	})
	turn(map[string]any{"metal": false, "away": map[string]any{"2": true}})
	until("an emitter that couples nothing", func(s map[string]any) bool {
		t := s["tones"].([]any)[2].(map[string]any)
		return t["grade"] == "wrong"
	})
	turn(map[string]any{"away": map[string]any{"2": false}, "window": 0.03})
	until("longer windows", func(s map[string]any) bool { return s["duration_s"] == 0.03 && sound(s) })
	// One coil sees five degrees of freedom.
	turn(map[string]any{"variant": "one coil"})
	next = states(t, address)
	until("another bench", func(s map[string]any) bool { return s["dof"] == float64(8-5) })

	for set, want := range map[string]string{`{"noise": 1}`: "must lie in", `{"nosuch": 1}`: "no such knob", `{"sensor_position": [0, 0, 9]}`: "must lie in",
		`{"drive": {"8": 1}}`: "from 0 to 7", `{"taper": "none"}`: "choices", `{"variant": "none"}`: "variant"} {
		status, answer := post(t, address+"api/bench", map[string]any{"set": json.RawMessage(set)})
		if text, _ := answer["error"].(string); status != http.StatusBadRequest || !strings.Contains(text, want) {
			t.Errorf("%s: %d %v, want %q", set, status, answer, want)
		}
	}
}

func texts(list any) (out []string) {
	for _, v := range list.([]any) {
		out = append(out, v.(string))
	}
	return out
}

// A paused bench stands still, and goes on.
func TestPausedBenchStands(t *testing.T) {
	address := served(t, Options{})
	next := states(t, address)
	next()
	if status, answer := post(t, address+"api/bench", map[string]any{"paused": true}); status != http.StatusOK || answer["paused"] != true {
		t.Fatal(answer)
	}
	last := func() float64 { return object(t, address+"api/session")["end_s"].(float64) }
	before := last()
	for deadline := time.Now().Add(time.Minute); ; {
		time.Sleep(50 * time.Millisecond)
		now := last()
		if now == before {
			break
		}
		if before = now; time.Now().After(deadline) {
			t.Fatal("it goes on")
		}
	}
	post(t, address+"api/bench", map[string]any{"paused": false})
	wait(t, address, func(s map[string]any) bool { return s["end_s"].(float64) > before })
}

// A reader that reads nothing slows nobody: the state that another is sent stays new.
func TestSlowReaderSlowsNobody(t *testing.T) {
	address := served(t, Options{})
	r, err := http.Get(address + "api/events") // is not read
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	next := states(t, address)
	for last, n := -1.0, 0; n < 60; n++ {
		at := next()["time_s"].(float64)
		if at <= last {
			t.Fatalf("%g s after %g s", at, last)
		}
		last = at
	}
	for i := range mostReaders + 2 {
		r, err := http.Get(address + "api/events")
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		if r.StatusCode == http.StatusServiceUnavailable {
			if i < mostReaders-2 {
				t.Errorf("reader %d is refused", i)
			}
			return
		}
	}
	t.Error("there is no end to readers")
}
