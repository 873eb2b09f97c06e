package subject

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
)

// invented are row i of a run of four sensors, and what it is worth: now and then distorted
// or, with a χ² that noise makes in fewer than one case of a thousand, in doubt.
func invented(i int) (p tables.Pose, v tables.Integrity) {
	turn := float64(i) * 1e-5
	c := new(tables.Covariance)
	for k := range 6 {
		c.Set(k, k, 1e-10*(1.1+math.Sin(7*turn)))
	}
	p = tables.Pose{Time: float64(i/4) * 240e-6, Duration: 0.01, Sensor: fmt.Sprintf("probe%d", 1+i%4), Covariance: c, Chi2: 18 + 6*math.Sin(float64(i)), DOF: 18, Status: "converged",
		Estimate: &rigid.Pose{Position: r3.Vec{X: 0.1 * math.Cos(turn), Y: 0.1 * math.Sin(turn), Z: 0.2}, Rotation: quat.Number{Real: math.Cos(turn / 2), Kmag: math.Sin(turn / 2)}}}
	v = tables.Integrity{Time: p.Time, Duration: p.Duration, Sensor: p.Sensor, Verdict: verdict.Verdict{DOF: 18,
		QuadratureChi2: 24 + 7*math.Cos(float64(i)), QuadratureDOF: 24, Spread: 1e-6, PositionError: 3e-5, RotationError: 1e-4}}
	switch {
	case i%4000 < 30:
		p.Flags = verdict.Distorted
	case i%1000 == 500: // χ² of 18 exceeds 42.312 with a chance of 0.001 (NIST/SEMATECH e-Handbook, table 1.3.6.7.4)
		p.Chi2 = 42.4
	case i%1000 == 700: // of 24: 51.179
		v.QuadratureChi2 = 51.3
	case i%1000 == 900:
		p.Chi2, v.QuadratureChi2 = 42.2, 51.1
	case i%5000 == 4444:
		p.Estimate, p.Covariance, p.Chi2, p.Status, p.Flags = nil, nil, math.NaN(), "failed", verdict.NotConverged
	}
	v.Chi2, v.Flags = p.Chi2, p.Flags
	return p, v
}

// inventedRun is the folder of a run with these rows; of the rows that judged leaves out
// the run does not say what they are worth.
func inventedRun(t testing.TB, rows []int, judged func(i int) bool) string {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "..", "testdata", "rigs", "four-probes.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	set, err := tables.Create(dir, true, tables.Metadata{Rig: string(text), Options: map[string]string{}}, tables.PosesName, tables.IntegrityName)
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range rows {
		p, v := invented(i)
		if err := set.Poses.Write(p); err != nil {
			t.Fatal(err)
		}
		if judged(i) {
			if err := set.Integrity.Write(v); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := set.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

func upTo(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	return all
}

// Tracks have every row of its sensor, in the order of time, with its numbers, its marks and
// its place in the table: in the order of windows, and of intervals that stand in any order.
func TestTracksHaveTheRowsOfTheTables(t *testing.T) {
	const rows = 40_000 // more than are stored together
	random := rand.New(rand.NewPCG(1, 2))
	shuffled := upTo(rows)
	random.Shuffle(rows, func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	judged := func(i int) bool { return i%7 != 3 }
	for _, order := range [][]int{upTo(rows), shuffled} {
		r, err := OpenRun(RunOptions{Dir: inventedRun(t, order, judged)}, func(string) {})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		if err := r.index(t.Context()); err != nil {
			t.Fatal(err)
		}
		want, flagged := 0, 0
		for place, i := range order {
			p, v := invented(i)
			sensor := i % 4
			row, ok := r.Tracks[sensor].Rows.At(p.Time)
			if !ok || row.Time != p.Time || r.Tracks[sensor].inTable(row.Number) != int64(place) {
				t.Fatalf("row %d of sensor %d is not in its place", i, sensor)
			}
			marks := uint32(p.Flags)
			if i%4000 >= 30 && (i%1000 == 500 || i%1000 == 700 && judged(i)) {
				marks = InDoubt
				want++
			}
			if p.Flags != 0 {
				flagged++
			}
			if row.Flags != marks {
				t.Errorf("row %d is marked %v, want %v", i, MarkNames(row.Flags), MarkNames(marks))
			}
			values := map[int]float64{ColumnX: math.NaN(), ColumnRZ: math.NaN(), ColumnSigma: math.NaN(), ColumnChi2: p.Chi2, ColumnError: math.NaN(), ColumnQuadratureChi2: math.NaN()}
			if p.Estimate != nil {
				turn := float64(i) * 1e-5
				values[ColumnX], values[ColumnRZ], values[ColumnSigma] = p.Estimate.Position.X, turn, math.Sqrt(3e-10*(1.1+math.Sin(7*turn)))
			}
			if judged(i) {
				values[ColumnError], values[ColumnQuadratureChi2] = v.PositionError, v.QuadratureChi2
			}
			for c, want := range values {
				have := float64(row.Values[c])
				if math.IsNaN(have) != math.IsNaN(want) || math.Abs(have-want) > 1e-6*math.Abs(want) { // 24 bits
					t.Errorf("row %d: %s is %g, want %g", i, ColumnNames[c].Name, have, want)
				}
			}
		}
		facts := r.Facts()
		if facts.InDoubt != want || facts.Flagged != flagged || facts.Rows != rows || facts.Unsolved != rows/5000 {
			t.Errorf("%d in doubt, %d flagged, %d without a pose, of %d rows; want %d, %d, %d, %d", facts.InDoubt, facts.Flagged, facts.Unsolved, facts.Rows, want, flagged, rows/5000, rows)
		}
		if last := facts.Flags[len(facts.Flags)-1]; last.Name != "in doubt" || last.Bit != InDoubt || last.Rows != want {
			t.Errorf("rows in doubt are told as %+v", last)
		}
	}
}

// A window in doubt says so, and why.
func TestReadingInDoubt(t *testing.T) {
	r, err := OpenRun(RunOptions{Dir: inventedRun(t, upTo(2000), func(int) bool { return true })}, func(string) {})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if err := r.index(t.Context()); err != nil {
		t.Fatal(err)
	}
	for i, want := range map[int]string{500: "in doubt", 700: "in doubt", 900: "sound", 1: "distorted"} {
		p, _ := invented(i)
		m, err := At(t.Context(), r, p.Time, i%4)
		if err != nil {
			t.Fatal(err)
		}
		if have := m.Sensors[0]; have.Verdict != want || want == "in doubt" && (have.Grade != "doubt" || !strings.Contains(have.Reason, "one window of a thousand") || len(have.Flags) != 0) {
			t.Errorf("row %d is %q (%s: %s), want %s", i, have.Verdict, have.Grade, have.Reason, want)
		}
	}
}

// From the folder of a run to tracks that can be drawn.
func BenchmarkIndex(b *testing.B) {
	const rows = 1 << 18
	dir := inventedRun(b, upTo(rows), func(int) bool { return true })
	b.ReportAllocs()
	for b.Loop() {
		r, err := OpenRun(RunOptions{Dir: dir}, func(string) {})
		if err != nil {
			b.Fatal(err)
		}
		if err := r.index(b.Context()); err != nil {
			b.Fatal(err)
		}
		r.Close()
	}
	b.ReportMetric(rows*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}
