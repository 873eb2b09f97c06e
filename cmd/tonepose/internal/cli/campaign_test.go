package cli

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/batch"
)

// campaign is a data set of a good recording, one whose clock runs fast, one near metal and
// one that is none. Of the second the clock is known: it was simulated with it.
func campaign(t *testing.T) (dir string) {
	t.Helper()
	from := t.TempDir()
	fast := filepath.Join(from, "fast")
	tonepose(t, "simulate", rigFile("pipe-bench.rig.yaml"), "--path", "sweep", "--duration", "300ms", "--clock-ppm", "20", "--out", fast)
	path := func(name string) string {
		abs, err := filepath.Abs(recordingFile(name))
		if err != nil {
			t.Fatal(err)
		}
		return abs
	}
	list := filepath.Join(from, "list.csv")
	text := "recording,intervals,truth,pipe\nfast,,fast.truth.csv,=A1\n" + path("pipe-bench-metal.npy") + "," + path("pipe-bench-metal.truth.csv") + "," + path("pipe-bench-metal.truth.csv") + ",B\nmissing.wav,,,C\n"
	if err := os.WriteFile(list, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	dir = filepath.Join(t.TempDir(), "set")
	if code := Run(t.Context(), batchArgs(list, dir), Streams{Out: io.Discard, Err: io.Discard}); code != 1 {
		t.Fatalf("exit code %d of a batch with a missing recording", code)
	}
	return dir
}

// What a summary says of a recording is what its tables hold.
func TestSummary(t *testing.T) {
	dir, out := campaign(t), filepath.Join(t.TempDir(), "summary")
	var said, errs bytes.Buffer
	if code := Run(t.Context(), []string{"batch", dir, "--summary", "--out", out, "--json"}, Streams{Out: &said, Err: &errs}); code != 1 || !strings.Contains(errs.String(), "1 of 3 recordings failed\n") {
		t.Errorf("exit code %d, %s", code, &errs)
	}
	var sum struct {
		Recordings, Failed, Assessed int
		Worst                        []*batch.Outcome `json:"worst_first"`
	}
	if err := json.Unmarshal(said.Bytes(), &sum); err != nil {
		t.Fatal(err)
	}
	var order []string
	for _, o := range sum.Worst {
		order = append(order, o.Recording)
	}
	if sum.Recordings != 3 || sum.Failed != 1 || sum.Assessed != 2 || !slices.Equal(order, []string{"missing", "pipe-bench-metal", "fast"}) {
		t.Fatalf("%d recordings, %d failed, worst first %v", sum.Recordings, sum.Failed, order)
	}
	q := sum.Worst[2].Quality
	// 20 ppm were simulated; the tones tell the clock to far better than 0.01 ppm in 0.3 s.
	if math.Abs(q.ClockPPM-20) > 0.01 || q.Rows != 30 {
		t.Errorf("%+v", q)
	}
	// Quantiles are counted in steps of 1 % and told by the middle of a step.
	column := func(table, name string, use func(row map[string]string) bool) (values []float64) {
		rows, err := csv.NewReader(strings.NewReader(tonepose(t, "export", filepath.Join(dir, table, "recording=fast", "part-0.parquet")))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rows[1:] {
			row := map[string]string{}
			for i, v := range r {
				row[rows[0][i]] = v
			}
			if v, err := strconv.ParseFloat(row[name], 64); err == nil && use(row) {
				values = append(values, v)
			}
		}
		slices.Sort(values)
		return values
	}
	all := func(map[string]string) bool { return true }
	noise := column("phasors", "sigma_v", func(row map[string]string) bool { return row["channel"] != "drive" })
	estimated := column("integrity", "position_error_m", all)
	for _, c := range []struct {
		name       string
		have, want float64
	}{
		{"noise", q.NoiseV, noise[(len(noise)-1)/2]},
		{"estimated error", q.EstimatedM, estimated[(len(estimated)-1)/2]},
		{"worst estimated error", q.WorstEstimatedM, estimated[len(estimated)-1]},
	} {
		if math.Abs(c.have/c.want-1) > 0.006 {
			t.Errorf("%s is %g: want %g", c.name, c.have, c.want)
		}
	}
	rows, err := os.ReadFile(filepath.Join(out, "recordings.csv"))
	if err != nil {
		t.Fatal(err)
	}
	table, err := csv.NewReader(bytes.NewReader(rows)).ReadAll() // rows of as many fields as the header
	if err != nil || len(table) != 4 || table[0][1] != "pipe" || table[2][2] != "solved" || table[1][2] != "failed" ||
		table[3][1] != "'=A1" { // which a spreadsheet does not run
		t.Errorf("%v: %s", err, rows)
	}
	// Errors against a truth, of which the outcomes know what the CSV says.
	for i, name := range table[0] {
		a := q.Accuracy
		if want, ok := map[string]float64{"compared": float64(a.N), "position_rms_m": a.PositionRMS, "position_max_m": a.PositionMax,
			"orientation_rms_rad": a.OrientationRMS, "normalised_mean": a.NormalisedMean, "coverage_95": a.Coverage95, "clock_ppm": q.ClockPPM}[name]; ok {
			if v, err := strconv.ParseFloat(table[3][i], 64); err != nil || v != want || table[1][i] != "" {
				t.Errorf("%s is %q, of what failed %q: want %g", name, table[3][i], table[1][i], want)
			}
		}
	}
	// The one near metal is off by far more than it would be without.
	if near := sum.Worst[1].Quality.Accuracy; near.PositionRMS < 3*q.Accuracy.PositionRMS || q.Accuracy.N != 30 {
		t.Errorf("%+v near metal, %+v without", near, q.Accuracy)
	}
	said.Reset()
	Run(t.Context(), []string{"batch", dir, "--summary"}, Streams{Out: &said, Err: io.Discard}) // one has failed
	words := said.String()
	for _, want := range []string{"true error", "covered"} {
		if !strings.Contains(words, want) {
			t.Errorf("no %q in %s", want, words)
		}
	}
	svg, err := os.ReadFile(filepath.Join(out, "recordings.svg"))
	if err != nil || !bytes.Contains(svg, []byte("error against truth")) {
		t.Errorf("%v: the figure does not tell of the truth", err)
	}
	for _, name := range []string{"summary.json", "recordings.svg"} {
		if info, err := os.Stat(filepath.Join(out, name)); err != nil || info.Size() == 0 {
			t.Error(name, err)
		}
	}
}

func TestReportOfADataSet(t *testing.T) {
	dir, out := campaign(t), filepath.Join(t.TempDir(), "set.html")
	tonepose(t, "report", dir, "--out", out, "--quiet")
	page, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	for _, words := range []string{"3 recordings", "pipe-bench-metal", "missing.wav", "<svg", "worst first", "error against truth"} {
		if !strings.Contains(string(page), words) {
			t.Errorf("no %q", words)
		}
	}
	// The worst that has tables is the one near metal; its page is that of a run.
	_, own, _ := strings.Cut(string(page), "tonepose report ")
	worst, _, _ := strings.Cut(own, " ")
	if want := filepath.Join(dir, "poses", "recording=pipe-bench-metal"); worst != want {
		t.Fatalf("a report of its own is offered for %q: want %s", worst, want)
	}
	alone := reported(t, worst, "--truth", recordingFile("pipe-bench-metal.truth.csv"))
	for _, words := range []string{"distorted", "take metal away", "Assessment against the truth"} {
		if !strings.Contains(alone, words) {
			t.Errorf("no %q of the worst recording", words)
		}
	}
	var errs bytes.Buffer
	if code := Run(t.Context(), []string{"report", worst}, Streams{Out: io.Discard, Err: &errs}); code != 2 || !strings.Contains(errs.String(), "--out is missing") {
		t.Errorf("exit code %d, %s", code, &errs)
	}
	errs.Reset()
	if code := Run(t.Context(), []string{"report", dir, "--truth", "x.csv"}, Streams{Out: io.Discard, Err: &errs}); code != 2 || !strings.Contains(errs.String(), "of single runs") {
		t.Errorf("exit code %d, %s", code, &errs)
	}
}

// Shards that have not ended are missing, unless the list was gone through in another way.
func TestSummaryOfShards(t *testing.T) {
	list, dir := batchList(t, 3), filepath.Join(t.TempDir(), "set")
	var errs bytes.Buffer
	if err := os.MkdirAll(filepath.Join(dir, "outcomes"), 0o755); err != nil { // of a run that was killed before its first one
		t.Fatal(err)
	}
	if code := Run(t.Context(), []string{"batch", dir, "--summary"}, Streams{Out: io.Discard, Err: &errs}); code != 1 || !strings.Contains(errs.String(), "no recording has ended yet") {
		t.Errorf("exit code %d, %s", code, &errs)
	}
	errs.Reset()
	tonepose(t, batchArgs(list, dir, "--shard", "1/3")...)
	tonepose(t, batchArgs(list, dir, "--shard", "3/3")...)
	if code := Run(t.Context(), []string{"batch", dir, "--summary"}, Streams{Out: io.Discard, Err: &errs}); code != 1 || !strings.Contains(errs.String(), "shards have not ended: 2/3") {
		t.Errorf("exit code %d, %s", code, &errs)
	}
	tonepose(t, batchArgs(list, dir)...)
	tonepose(t, "batch", dir, "--summary")
	errs.Reset()
	if code := Run(t.Context(), []string{"batch", filepath.Dir(list), "--summary"}, Streams{Out: io.Discard, Err: &errs}); code != 2 || !strings.Contains(errs.String(), "holds no outcomes") {
		t.Errorf("exit code %d, %s", code, &errs)
	}
}

// A summary and a report say what is in the data set besides the list that was run last, and which
// recordings have tables of before.
func TestSummaryOfAnotherList(t *testing.T) {
	list, dir := batchList(t, 3), filepath.Join(t.TempDir(), "set")
	tonepose(t, batchArgs(list, dir)...)
	own := filepath.Join(filepath.Dir(list), "own.csv")
	if err := os.WriteFile(own, []byte("recording,name,pipe\nshort.sigmf-meta,other,A0\ngone.sigmf-meta,r1,A1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code := Run(t.Context(), batchArgs(own, dir, "--robust", "huber"), Streams{Out: io.Discard, Err: io.Discard}); code != 1 {
		t.Fatalf("exit code %d with a recording that is gone", code)
	}
	var said, errs bytes.Buffer
	if code := Run(t.Context(), []string{"batch", dir, "--summary"}, Streams{Out: &said, Err: &errs}); code != 1 || !strings.Contains(errs.String(), "1 of 4 recordings are no longer what is told of them") {
		t.Errorf("exit code %d: %s", code, &errs)
	}
	page := filepath.Join(t.TempDir(), "set.html")
	tonepose(t, "report", dir, "--out", page)
	html, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{said.String(), string(html)} {
		for _, words := range []string{"not in the list that was run last, and still in the data set: r0, r2", "it failed when it was run last, and has the tables of before"} {
			if !strings.Contains(text, words) {
				t.Errorf("no %q in %s", words, text)
			}
		}
	}
	if !strings.Contains(string(html), `class="wrong">stale`) {
		t.Error("the report calls tables of before sound")
	}
}

// A recording without any pose keeps its tables, as those of a run of its own, and is listed as
// such: by the run, by the next one, which passes over it, and in the summary.
func TestBatchWithoutAPose(t *testing.T) {
	dir := t.TempDir()
	rig := withoutEmitters(t, "square-bench.rig.yaml", "board5", "sensors:") // four are left
	run, out := filepath.Join(dir, "run"), filepath.Join(dir, "set")
	tonepose(t, "simulate", rig, "--path", "sweep", "--duration", "100ms", "--out", run, "--seed", "3")
	intervals := writeFile(t, "needle.csv", "start_s,stop_s,sensor\n0.02,0.04,needle\n0.05,0.07,needle\n") // of five unknowns
	args := []string{"batch", dir, "--rig", rig, "--intervals", intervals, "--out", out}
	for _, words := range []string{"1 solved", "1 finished before"} {
		var said, errs bytes.Buffer
		code := Run(t.Context(), args, Streams{Out: &said, Err: &errs})
		if code != 1 || !strings.Contains(errs.String(), "run has no pose: ") || !strings.Contains(errs.String(), "none of 2 rows: unobservable in 2\n") ||
			!strings.Contains(errs.String(), "1 of 1 recordings: no pose came out, the tables are kept\n") ||
			!strings.Contains(said.String(), words) || !strings.Contains(said.String(), "0 failed, 1 without a pose\n") {
			t.Errorf("exit code %d, %s%s", code, &said, &errs)
		}
	}
	alone := filepath.Join(dir, "alone")
	Run(t.Context(), []string{"solve", run + ".sigmf-meta", "--rig", rig, "--intervals", intervals, "--out", alone}, Streams{Out: io.Discard, Err: io.Discard})
	for _, table := range []string{"phasors", "couplings", "poses", "integrity"} {
		want := tonepose(t, "export", filepath.Join(alone, table+".parquet"))
		if have := tonepose(t, "export", filepath.Join(out, table, "recording=run", "part-0.parquet")); have != want || strings.Count(want, "\n") < 3 {
			t.Errorf("%s is not that of solve", table)
		}
	}
	var said, errs bytes.Buffer
	code := Run(t.Context(), []string{"batch", out, "--summary", "--out", filepath.Join(dir, "summary")}, Streams{Out: &said, Err: &errs})
	rows, err := os.ReadFile(filepath.Join(dir, "summary", "recordings.csv"))
	if code != 1 || !strings.Contains(said.String(), "0 failed, 1 without a pose\n") || err != nil || !strings.Contains(string(rows), "\nrun,no pose,") {
		t.Errorf("exit code %d, %v: %s%s%s", code, err, &said, &errs, rows)
	}
}
