package cli

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"tonepose/cmd/tonepose/internal/verdict"

	"github.com/parquet-go/parquet-go"

	"tonepose/cmd/tonepose/internal/tables"
)

func export(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = Run(t.Context(), append([]string{"export"}, args...), Streams{In: strings.NewReader(""), Out: &stdout, Err: &stderr})
	return code, stdout.String(), stderr.String()
}

func TestExport(t *testing.T) {
	dir := t.TempDir()
	s, err := tables.Create(dir, false, tables.Metadata{Tool: "0.1.0"}, tables.CouplingsName)
	if err != nil {
		t.Fatal(err)
	}
	s.Couplings.Write(
		tables.Coupling{Time: 0.5, Duration: 1, Emitter: "e1", Sensor: "probe", Channel: "rx1", Value: -2.5e-9, Quadrature: 0, Sigma: 1e-13},
		tables.Coupling{Time: 1.5, Duration: 1, Emitter: "e1", Sensor: "probe", Channel: "rx1",
			Value: math.NaN(), Quadrature: math.NaN(), Sigma: math.NaN(), Flags: verdict.ReferenceLost})
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "couplings.parquet")

	want := `time_s,duration_s,emitter,sensor,channel,coupling_h,quadrature_h,sigma_h,flags
0.5,1,e1,probe,rx1,-2.5e-09,0,1e-13,
1.5,1,e1,probe,rx1,,,,reference lost
`
	if code, out, errs := export(t, path, "--format", "csv"); code != 0 || out != want || errs != "" {
		t.Errorf("csv: code %d, stderr %q, stdout\n%s", code, errs, out)
	}
	code, out, _ := export(t, path, "--format", "json")
	var rows []map[string]any
	if err := json.Unmarshal([]byte(out), &rows); code != 0 || err != nil || len(rows) != 2 ||
		rows[0]["coupling_h"] != -2.5e-9 || rows[1]["coupling_h"] != nil || rows[1]["flags"] != "reference lost" {
		t.Errorf("json: code %d, %v, %s", code, err, out)
	}
	if code, out, _ := export(t, path, "--metadata"); code != 0 || !strings.Contains(out, "tonepose.tool_version,0.1.0\n") {
		t.Errorf("metadata: code %d, %s", code, out)
	}
}

// Folders of earlier versions, also those of the command demod, open in export
// and assess; flags have today's names.
func TestEarlierFolders(t *testing.T) {
	list, err := filepath.Glob(filepath.Join("..", "tables", "testdata", "schema", "*", "*", "*.parquet"))
	if err != nil || len(list) < 20 {
		t.Fatalf("%v, %v", list, err)
	}
	for _, name := range list {
		code, out, errs := export(t, name)
		if lines := strings.Count(out, "\n"); code != 0 || errs != "" || lines < 3 {
			t.Errorf("%s: code %d, %d lines, %s", name, code, lines, errs)
		}
		table := filepath.Base(name)
		want := 0 // station 3 is outside
		if table == "poses.parquet" || table == "integrity.parquet" {
			want = 1
		}
		if n := strings.Count(out, ",outside working volume\n") + strings.Count(out, ",outside working volume,"); n != want || strings.Contains(out, "outside volume") {
			t.Errorf("%s: %d rows flagged outside working volume, want %d", name, n, want)
		}
		if table != "poses.parquet" {
			continue
		}
		var stdout, stderr bytes.Buffer
		args := []string{"assess", filepath.Dir(name), "--truth", recordingFile("pipe-bench-stations.truth.csv"), "--json"}
		if code := Run(t.Context(), args, Streams{In: strings.NewReader(""), Out: &stdout, Err: &stderr}); code != 0 {
			t.Errorf("%s: assess: code %d, %s", name, code, stderr.String())
			continue
		}
		var sum struct {
			N    int     `json:"n"`
			Chi2 float64 `json:"chi2"`
		}
		// 23 bounds chi-square of 2 x 6 degrees of freedom in 97 % of cases.
		if err := json.Unmarshal(stdout.Bytes(), &sum); err != nil || sum.N != 2 || !(sum.Chi2 > 0 && sum.Chi2 < 23) {
			t.Errorf("%s: assess: %v, %s", name, err, stdout.String())
		}
	}
}

func TestExportRefuses(t *testing.T) {
	dir := t.TempDir()
	foreign := filepath.Join(dir, "foreign.parquet")
	if err := parquet.WriteFile(foreign, []struct{ A int64 }{{1}}); err != nil {
		t.Fatal(err)
	}
	text := filepath.Join(dir, "text.parquet")
	if err := os.WriteFile(text, []byte("time_s,x_m\n0,1\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{foreign}, "foreign.parquet: no tonepose.schema_version in its metadata: not a table of tonepose"},
		{[]string{text}, "text.parquet: not a Parquet file"},
		{[]string{filepath.Join(dir, "none.parquet")}, "none.parquet"},
		{[]string{foreign, "--format", "xml"}, "--format xml: must be csv or json"},
		{[]string{foreign, "--out", filepath.Join(dir, "copy.parquet")}, "what is written is CSV, no Parquet: name a .csv"},
		{nil, "one is needed: tonepose export TABLE.parquet"},
	} {
		if code, out, errs := export(t, c.args...); code != 2 || out != "" || !strings.Contains(errs, c.want) {
			t.Errorf("%v: code %d, stdout %q, stderr %q", c.args, code, out, errs)
		}
	}
}

// What has no room is said in our words, whatever wrote it, and once. The device is the
// one that Linux documents in full(4).
func TestExportWithoutRoom(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip("no /dev/full here: ", err)
	}
	defer full.Close()
	dir := t.TempDir()
	s, err := tables.Create(dir, false, tables.Metadata{Tool: "0.1.0"}, tables.CouplingsName)
	if err != nil {
		t.Fatal(err)
	}
	s.Couplings.Write(tables.Coupling{Time: 0.5, Emitter: "e1", Sensor: "probe", Channel: "rx1"})
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	var stderr bytes.Buffer
	args := []string{"export", filepath.Join(dir, "couplings.parquet"), "--out", "-"}
	code := Run(t.Context(), args, Streams{In: strings.NewReader(""), Out: full, Err: &stderr})
	want := "tonepose: error: /dev/full: no room left on the disk, or no more of it allowed: free some, or name another place\n"
	if code != 2 || stderr.String() != want {
		t.Errorf("exit code %d, %q", code, stderr.String())
	}
}
