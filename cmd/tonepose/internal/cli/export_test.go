package cli

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

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
			Value: math.NaN(), Quadrature: math.NaN(), Sigma: math.NaN(), Flags: tables.ReferenceLost})
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
		{nil, "arg"},
	} {
		if code, out, errs := export(t, c.args...); code != 2 || out != "" || !strings.Contains(errs, c.want) {
			t.Errorf("%v: code %d, stdout %q, stderr %q", c.args, code, out, errs)
		}
	}
}
