//go:build slow

package cli

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"syscall"
	"testing"
	"time"

	"tonepose/cmd/tonepose/internal/files"
)

// TestCommandsEndWithSignals at twenty moments for each command and signal. How long the
// processes took to end is printed: it depends on what else the machine does.
func TestCommandsEndWithSignalsAnywhere(t *testing.T) {
	const moments = 20
	random := rand.New(rand.NewPCG(15, 2))
	all := map[syscall.Signal][]time.Duration{}
	for _, e := range endables(t) {
		t.Run(e.name, func(t *testing.T) {
			e.whole(t)
			var took []time.Duration
			for _, sig := range endingSignals {
				for range moments {
					d := e.interrupted(t, time.Duration(random.Float64()*float64(e.time)), sig)
					took, all[sig] = append(took, d), append(all[sig], d)
				}
			}
			t.Logf("%v: %s", e.time.Round(time.Millisecond), spread(took))
		})
	}
	for sig, took := range all {
		t.Logf("%v: %d processes ended after %s", sig, len(took), spread(took))
	}
}

// spread is the median, the 95th percentile and the longest of times.
func spread(took []time.Duration) (text string) {
	slices.Sort(took)
	for _, q := range []float64{0.5, 0.95, 1} {
		text += took[int(q*float64(len(took)-1))].Round(time.Millisecond).String() + " "
	}
	return text
}

// A run that is killed anywhere, in an empty folder or over an earlier result, leaves files
// that are whole, and nothing else after the next run.
func TestCommandsKilledAnywhere(t *testing.T) {
	const kills = 200
	random := rand.New(rand.NewPCG(15, 3))
	for _, e := range endables(t) {
		if e.name == "batch" {
			continue // TestBatchKilledAnywhere
		}
		t.Run(e.name, func(t *testing.T) {
			e.whole(t)
			killed := 0 // some end before they are
			for n := 0; killed < kills; n++ {
				if n == 10*kills {
					t.Fatalf("%d of %d runs were killed before they ended, within %v", killed, n, e.time)
				}
				// Half of them near the end, where names change.
				at := random.Float64()
				if n%2 == 0 {
					at = 1 - at/5
				}
				if e.killedAndNext(t, time.Duration(at*float64(e.time)), n%4 < 2, n%20 == 0) {
					killed++
				}
			}
			t.Logf("killed %d times within %v", killed, e.time.Round(time.Millisecond))
		})
	}
}

// killedAndNext kills the command after a while, and looks at what a reader finds then, and
// what the next run leaves: a run that only begins to write, or the whole command. It tells
// whether the command was killed before it ended.
func (e *endable) killedAndNext(t *testing.T, after time.Duration, earlier, again bool) (killed bool) {
	t.Helper()
	out, err := os.MkdirTemp(t.TempDir(), "") // all of those of the test stay to its end
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(out)
	before := map[string]int64{}
	if earlier {
		if err := os.CopyFS(out, os.DirFS(e.left)); err != nil {
			t.Fatal(err)
		}
		before = e.made
	}
	c := e.command(t, out)
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(after)
	c.Process.Kill()
	c.Wait()
	status, _ := c.ProcessState.Sys().(syscall.WaitStatus)
	where := fmt.Sprintf("%s, killed after %v of %v", e.name, after.Round(time.Millisecond), e.time.Round(time.Millisecond))
	made, _ := below(t, out)
	if bad := e.halves(made); len(bad) > 0 {
		t.Errorf("%s: %v", where, bad)
	}
	if again {
		if text, err := e.command(t, out).CombinedOutput(); err != nil {
			t.Errorf("%s: the next run: %v, %s", where, err, text)
		}
	} else {
		for _, dir := range slices.Concat([]string{out}, folders(t, out)) {
			b, err := files.Into(dir, true)
			if err != nil {
				t.Fatal(err)
			}
			b.Abort()
		}
	}
	made, hidden := below(t, out)
	if len(hidden) > 0 {
		t.Errorf("%s: left behind after the next run: %v", where, hidden)
	}
	if bad := e.halves(made); len(bad) > 0 {
		t.Errorf("%s: after the next run: %v", where, bad)
	}
	for name := range before {
		if _, ok := made[name]; !ok {
			t.Errorf("%s: %s of an earlier run is gone", where, name)
		}
	}
	return status.Signaled()
}
