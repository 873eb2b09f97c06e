package cli

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"tonepose/cmd/tonepose/internal/verdict"

	"tonepose/cmd/tonepose/internal/tables"
)

// spoiled is the moving recording with every kind of fault put in, as floats.
func spoiled(t *testing.T) []string {
	t.Helper()
	data, err := os.ReadFile(recordingFile("pipe-bench-moving.sigmf-data"))
	if err != nil {
		t.Fatal(err)
	}
	counts := make([]int16, len(data)/2)
	if err := binary.Read(bytes.NewReader(data), binary.LittleEndian, counts); err != nil {
		t.Fatal(err)
	}
	x := make([][]float64, 4)
	for c := range x {
		x[c] = make([]float64, len(counts)/4)
		for i := range x[c] {
			x[c][i] = float64(counts[4*i+c]) * 2.5 / 32768
		}
	}
	at := func(seconds float64) int { return int(math.Round(seconds * 100e3)) }
	limit := 1.05 * max(slices.Max(x[0]), -slices.Min(x[0]))
	over := 2 * limit / slices.Max(x[0][at(0.5):at(0.52)])
	for i := at(0.5); i < at(0.52); i++ { // a surge that the amplifier cuts off
		x[0][i] = max(-limit, min(limit, over*x[0][i]))
	}
	for i := at(1.0); i < at(1.005); i++ {
		x[1][i] = math.NaN()
	}
	for c := range x { // a buffer of 20 ms comes twice
		copy(x[c][at(1.52):at(1.54)], x[c][at(1.50):at(1.52)])
	}
	for i := at(2.0); i < at(2.08); i++ {
		x[2][i] = x[2][at(2.0)]
	}
	for i := at(2.5); i < at(2.6); i++ { // the drive is cut
		x[3][i] = 1e-7 * math.Sin(float64(i*i))
	}
	return rawFile(t, 100e3, x...)
}

// Each fault must be flagged in every table where and only where it is, never
// as motion, and be reported on stderr with channel and time.
func TestFaultsReachTheTables(t *testing.T) {
	t.Parallel()
	file := spoiled(t)
	dir := filepath.Join(t.TempDir(), "run")
	var out, errs bytes.Buffer
	args := append(append([]string{"solve"}, file...), "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "10ms", "--out", dir)
	if code := Run(t.Context(), args, Streams{Out: &out, Err: &errs}); code != 0 {
		t.Fatalf("exit code %d: %s", code, &errs)
	}
	faults := []struct {
		flag        verdict.Flags
		channel     string // empty: all
		start, stop float64
		reported    string
	}{
		{verdict.Clipped, "rx1", 0.5, 0.52, "clipped"},
		{verdict.Gap, "rx2", 1.0, 1.005, "gap"},
		{verdict.Repeated, "", 1.50, 1.54, "repeated"},
		{verdict.Stuck, "rx3", 2.0, 2.08, "stuck"},
		{verdict.ReferenceLost, "drive", 2.5, 2.6, "reference lost"},
	}
	const all = verdict.Clipped | verdict.Gap | verdict.Repeated | verdict.Stuck | verdict.ReferenceLost
	seen := map[string]int{}
	// The clock is followed in blocks of 20 ms: a loss is known that finely. A
	// repeated buffer is flagged from its first copy or its second, and faults
	// nearer than 64 samples are one.
	check := func(table string, time, duration float64, channel string, flags verdict.Flags) {
		begin, end := time-duration/2, time+duration/2
		for _, f := range faults {
			slack := 0.001
			if f.flag == verdict.ReferenceLost {
				slack = 0.021
			}
			inside := begin >= f.start-1e-9 && end <= f.stop+1e-9
			if f.flag == verdict.Repeated {
				inside = begin >= 1.52-1e-9 && end <= f.stop+1e-9
			}
			if f.flag == verdict.Gap {
				inside = begin <= f.start+1e-9 && end >= f.stop-1e-9
			}
			outside := end < f.start-slack || begin > f.stop+slack
			mine := f.channel == "" || f.channel == "drive" || channel == "" || channel == f.channel
			switch {
			case inside && mine && flags&f.flag == 0:
				t.Errorf("%s: row of %s at %.4f s lacks %q: %q", table, channel, time, f.flag, flags)
			case outside && flags&f.flag != 0:
				t.Errorf("%s: row of %s at %.4f s is flagged %q without reason", table, channel, time, flags)
			case !mine && flags&f.flag != 0:
				t.Errorf("%s: row of %s at %.4f s is flagged %q, a fault of %s", table, channel, time, flags, f.channel)
			}
			if flags&f.flag != 0 {
				seen[table+" "+f.reported]++
			}
		}
		if flags&all != 0 && flags&(verdict.Motion|verdict.Distorted) != 0 {
			t.Errorf("%s: row of %s at %.4f s is flagged %q: a fault is no motion and no metal", table, channel, time, flags)
		}
	}
	phasors, err := tables.Open[tables.Phasor](filepath.Join(dir, "phasors.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer phasors.Close()
	for r, err := range phasors.All() {
		if err != nil {
			t.Fatal(err)
		}
		check("phasors", r.Time, r.Duration, r.Channel, r.Flags)
	}
	couplings, err := tables.Open[tables.Coupling](filepath.Join(dir, "couplings.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer couplings.Close()
	for r, err := range couplings.All() {
		if err != nil {
			t.Fatal(err)
		}
		check("couplings", r.Time, r.Duration, r.Channel, r.Flags)
	}
	poses, err := tables.Open[tables.Pose](filepath.Join(dir, "poses.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer poses.Close()
	for r, err := range poses.All() {
		if err != nil {
			t.Fatal(err)
		}
		check("poses", r.Time, r.Duration, "", r.Flags)
	}
	for _, f := range faults {
		for _, table := range []string{"phasors", "couplings", "poses"} {
			if seen[table+" "+f.reported] == 0 {
				t.Errorf("%s: no row is flagged %s", table, f.reported)
			}
		}
	}
	for name, command := range map[string][]string{
		"solve":   nil,
		"measure": append(append([]string{"measure"}, file...), "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "10ms", "--out", filepath.Join(t.TempDir(), "measure")),
		"inspect": append(append([]string{"inspect"}, file...), "--rig", rigFile("pipe-bench.rig.yaml")),
	} {
		text := errs.String()
		if command != nil {
			var o, e bytes.Buffer
			if code := Run(t.Context(), command, Streams{Out: &o, Err: &e}); code != 0 {
				t.Errorf("%s: exit code %d: %s", name, code, &e)
			}
			text = o.String() + e.String()
		}
		for _, want := range []string{"clipped", "rx1", "0.5", "gap", "rx2", "repeated", "1.5", "stuck", "rx3", "reference lost", "drive", "2.5"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s does not tell %q:\n%s", name, want, text)
			}
		}
	}
}
