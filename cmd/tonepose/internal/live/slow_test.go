package live

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"testing"
	"time"

	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/tables"
)

// came are rows of how a pose came.
type came struct{ plain }

func (came) Pose(b []byte, row *tables.Pose) []byte {
	return fmt.Appendf(b, "%g %g %d\n", row.Time, row.Live.Latency, row.Live.Skipped)
}

// Where nobody reads the rows for some time, reading the samples goes on: what does not
// fit into the queues is skipped and counted, and once the rows are read again they are
// those of the newest samples.
func TestSlowReader(t *testing.T) {
	samples, err := os.ReadFile(testdata("recordings", "pipe-bench-moving.sigmf-data"))
	if err != nil {
		t.Fatal(err)
	}
	const window, hop = 1000 * 4 * 2, 10e-3 // bytes of 4 channels, s
	in, feed := io.Pipe()
	rows, out := io.Pipe()
	o := moving()
	o.Source = source.Options{}
	o.Recording = "-"
	o.Reading.Stdin, o.Reading.Format = in, "ri16_le"
	o.Rows, o.Stdout = came{}, out
	// A feed ends with what reads it, also where that fails.
	type ended struct {
		res *Result
		err error
	}
	done := make(chan ended, 1)
	go func() {
		res, err := Run(t.Context(), o)
		in.Close()
		out.Close()
		done <- ended{res, err}
	}()
	lines := bufio.NewScanner(rows)
	lines.Scan() // the header
	type row struct {
		time, latency float64
		skipped       int
	}
	next, shown, skipped := 0, 0, 0 // windows
	take := func() (r row) {
		if !lines.Scan() {
			t.Fatalf("no row after %d", shown)
		}
		if _, err := fmt.Sscan(lines.Text(), &r.time, &r.latency, &r.skipped); err != nil {
			t.Fatal(err)
		}
		next, shown, skipped = next+r.skipped+1, shown+1, skipped+r.skipped
		// Samples are numbered from 0: the centre of a window of 1000 is at number 499.5.
		if want := (float64(next-1) + 0.49950) * hop; r.time < want-0.1*hop || r.time > want+0.1*hop {
			t.Fatalf("a row of %g s with %d windows skipped before it, want %g s", r.time, r.skipped, want)
		}
		return r
	}
	fed := 0
	// push returns when the source has the samples, or all but what it reads ahead.
	push := func(windows int) {
		if _, err := feed.Write(samples[fed*window : (fed+windows)*window]); err != nil {
			t.Fatal(err, (<-done).err)
		}
		fed += windows
	}
	current := func() (last row) { // rows up to that of the newest samples
		for next < fed {
			last = take()
		}
		return last
	}
	for fed < 40 {
		// The clock is captured from 20 windows.
		if push(1); fed >= 22 {
			current()
		}
	}
	if skipped > 0 {
		t.Errorf("%d windows skipped while rows were read", skipped)
	}
	const slow = 160 // windows for which nobody reads rows
	push(slow)
	// A reader has to know where the newest samples are: each row that comes is followed
	// by another window, until none waits.
	for next < fed && fed < 290 {
		take()
		if next+1 < fed {
			continue
		}
		push(1)
	}
	if skipped == 0 {
		t.Error("no window skipped while nobody read rows")
	}
	for fed < 300 {
		pushed := time.Now()
		push(1)
		// No row but that of this window waits: it is as late as it took here, at most.
		if r := current(); r.latency > time.Since(pushed).Seconds() {
			t.Errorf("the row of %g s says it is %g s late, %s after its samples were sent", r.time, r.latency, time.Since(pushed))
		}
	}
	feed.Close()
	for lines.Scan() {
		t.Errorf("a row more: %s", lines.Text())
	}
	end := <-done
	if end.err != nil {
		t.Fatal(end.err)
	}
	if c := end.res.Counts; c.Frames != shown || c.Skipped != skipped || shown+skipped != 300 {
		t.Errorf("%d rows and %d windows skipped in them of 300; counted are %d and %d", shown, skipped, c.Frames, c.Skipped)
	}
}
