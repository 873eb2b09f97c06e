package live

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/recording"
)

func testdata(name ...string) string {
	return filepath.Join(append([]string{"..", "..", "..", "..", "testdata"}, name...)...)
}

// moving follows the recording of a moving probe, as fast as it is read.
func moving() Options {
	o := Options{Tables: []string{tables.PosesName, tables.IntegrityName}, Source: source.Options{Pace: math.Inf(1)}}
	o.Recording = "play:" + testdata("recordings", "pipe-bench-moving.sigmf-meta")
	o.Rig = testdata("rigs", "pipe-bench.rig.yaml")
	o.Windows = stream.Windows{Length: 10e-3, Hop: 10e-3}
	return o
}

// plain are rows of a time alone.
type plain struct{}

func (plain) Head(bool) []byte { return []byte("head\n") }
func (plain) Pose(b []byte, row *tables.Pose) []byte {
	return append(append(b, row.Sensor...), '\n')
}

func (plain) Pair(b []byte, row *tables.Demodulated, _ tables.Live) []byte {
	return append(append(b, row.Signal...), '\n')
}

func posesOf(t *testing.T, dir string) (rows []tables.Pose) {
	t.Helper()
	r, err := tables.Open[tables.Pose](filepath.Join(dir, "poses.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for row, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		rows = append(rows, row)
	}
	return rows
}

func TestRowsPartsAndCountsAgree(t *testing.T) {
	o := moving()
	o.Out, o.PartSeconds = t.TempDir(), 0.5
	var out bytes.Buffer
	o.Rows, o.Stdout = plain{}, &out
	looked := 0
	o.Look = func(s *State) { looked = s.Frames }
	res, err := Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	rows := posesOf(t, o.Out)
	c := &res.Counts
	if want := "head\n" + strings.Repeat("probe\n", 300); out.String() != want || len(rows) != 300 || c.Frames != 300 || c.Solved+c.Unsolved != 300 || looked != 300 {
		t.Errorf("%d lines, %d rows in parts, %+v, %d looked at: want 300", strings.Count(out.String(), "\n"), len(rows), c, looked)
	}
	flagged := 0
	for i := range rows {
		if rows[i].Flags != 0 {
			flagged++
		}
		if rows[i].Live == nil {
			t.Fatalf("row %d does not tell how it came", i)
		}
	}
	if flagged != c.Flags.Flagged || res.Parts != 6 {
		t.Errorf("%d flagged, counted %d; %d parts, want 6 of 0.5 s", flagged, c.Flags.Flagged, res.Parts)
	}
}

// A run that goes on in a directory of parts appends some, later than those there.
func TestRunsGoOn(t *testing.T) {
	o := moving()
	o.Out = t.TempDir()
	for range 2 {
		if _, err := Run(t.Context(), o); err != nil {
			t.Fatal(err)
		}
	}
	rows := posesOf(t, o.Out)
	if len(rows) != 600 {
		t.Fatalf("%d rows, want twice 300", len(rows))
	}
	for i := 1; i < len(rows); i++ {
		if !(rows[i].Time > rows[i-1].Time) {
			t.Fatalf("row %d at %g s follows %g s", i, rows[i].Time, rows[i-1].Time)
		}
	}
	// By what the first run covered, at least: the first sample of the second is not
	// before the end of the last window of the first.
	if d := rows[300].Time - rows[0].Time; d < rows[299].Time+rows[299].Duration/2-1e-9 {
		t.Errorf("the second run is %g s after the first", d)
	}
}

// A reader that stops reading holds up nobody who ends the run.
func TestInterruptedWhileNobodyReads(t *testing.T) {
	o := moving()
	o.Out = t.TempDir()
	r, w := io.Pipe()
	defer r.Close()
	o.Rows, o.Stdout = plain{}, w
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		io.ReadFull(r, make([]byte, len("head\n")+100*len("probe\n")))
		cancel()
	}()
	res, err := Run(ctx, o)
	if err != nil || !res.Interrupted {
		t.Fatalf("%+v, %v", res, err)
	}
	// The last one that was read may not have been counted yet.
	if rows := posesOf(t, o.Out); len(rows) < 99 || len(rows) > 100 || res.Counts.Frames != len(rows) || res.Parts != 1 {
		t.Errorf("%d rows kept, %d shown: want the 100 that were read", len(rows), res.Counts.Frames)
	}
	if all, _ := os.ReadDir(o.Out); len(all) != 2 {
		t.Errorf("%v: want a part of each table", all)
	}
}

// failing fails after so many writes.
type failing struct{ left int }

var errFull = errors.New("no room")

func (f *failing) Write(b []byte) (int, error) {
	if f.left--; f.left < 0 {
		return 0, errFull
	}
	return len(b), nil
}

func TestRowsThatCannotBeWritten(t *testing.T) {
	o := moving()
	o.Out = t.TempDir()
	o.Rows, o.Stdout = plain{}, &failing{51}
	if _, err := Run(t.Context(), o); !errors.Is(err, errFull) {
		t.Errorf("error %v", err)
	}
	if rows := posesOf(t, o.Out); len(rows) != 50 {
		t.Errorf("%d rows kept, want the 50 that were shown", len(rows))
	}
}

func TestWithoutAPose(t *testing.T) {
	o := moving()
	o.Out = filepath.Join(t.TempDir(), "run")
	o.Recording = "play:" + testdata("recordings", "none.sigmf-meta")
	if _, err := Run(t.Context(), o); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no recording: %v", err)
	}
	if _, err := os.Stat(o.Out); !os.IsNotExist(err) {
		t.Errorf("a directory is left: %v", err)
	}
	o = moving()
	o.Windows.Length, o.Windows.Hop = 5, 5
	if _, err := Run(t.Context(), o); !errors.Is(err, measure.ErrNoRow) && err == nil {
		t.Errorf("a window longer than the stream: %v", err)
	}
}

func TestTimesGoOn(t *testing.T) {
	at := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	for want, c := range map[float64]struct {
		e     tables.Earlier
		start time.Time
	}{
		0:  {tables.Earlier{}, at},
		12: {tables.Earlier{Parts: 2, Start: at, End: 10}, at.Add(12 * time.Second)},
		10: {tables.Earlier{Parts: 2, Start: at, End: 10}, at.Add(3 * time.Second)}, // a recording played again
		11: {tables.Earlier{Parts: 2, End: 11}, at},
	} {
		if have := shift(&c.e, c.start); have != want {
			t.Errorf("%+v: %g s, want %g", c, have, want)
		}
	}
}

// What is kept of a stream is what came, whatever carries it, and solves alike.
func TestKeptSamples(t *testing.T) {
	samples, err := os.ReadFile(testdata("recordings", "pipe-bench-moving.sigmf-data"))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	var first []tables.Pose
	for _, name := range []string{"kept", "kept.wav"} {
		o := moving()
		o.Out, o.Record = filepath.Join(dir, "of", name), filepath.Join(dir, name)
		if _, err := Run(t.Context(), o); err != nil {
			t.Fatal(err)
		}
		to, err := recording.OutputOf(o.Record)
		if err != nil {
			t.Fatal(err)
		}
		data := to.Data
		kept, err := os.ReadFile(data)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.HasSuffix(kept, samples) { // a WAV has a header
			t.Errorf("%s is not what came", name)
		}
		again := moving()
		again.Out, again.Recording = filepath.Join(dir, "again", name), "play:"+data
		if _, err := Run(t.Context(), again); err != nil {
			t.Fatal(err)
		}
		rows := posesOf(t, again.Out)
		if first == nil {
			first = posesOf(t, o.Out)
		}
		if diff := cmp.Diff(first, rows, cmpopts.IgnoreFields(tables.Live{}, "Latency"), cmpopts.EquateNaNs()); diff != "" {
			t.Errorf("%s: %.500s", name, diff)
		}
		if _, err := Run(t.Context(), o); err == nil || !strings.Contains(err.Error(), "exists") {
			t.Errorf("kept over what is there: %v", err)
		}
	}
	o := moving()
	o.Record = filepath.Join(dir, "kept.csv")
	if _, err := Run(t.Context(), o); err == nil || !strings.Contains(err.Error(), "SigMF") {
		t.Errorf("kept as CSV: %v", err)
	}
}
