// Package arrowcheck reads tonepose's tables with Apache Arrow, whose Parquet
// shares no code with the one that writes them. It is a module of its own, so
// that the product does not depend on Arrow.
//
//	cd cmd/tonepose/internal/tables/arrowcheck && go test ./...
//
// With TONEPOSE_TABLES=DIR it reads the tables of a run in DIR as well, with
// TONEPOSE_DATA_SET=DIR those of a batch.
package arrowcheck

import (
	"context"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/arrow-go/v18/arrow/memory"
	"github.com/apache/arrow-go/v18/parquet/file"
	"github.com/apache/arrow-go/v18/parquet/pqarrow"
	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
)

// open reads a whole table and its key-value metadata.
func open(t *testing.T, path string) (arrow.Table, map[string]string) {
	t.Helper()
	f, err := file.OpenParquetFile(path, false)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	r, err := pqarrow.NewFileReader(f, pqarrow.ArrowReadProperties{}, memory.DefaultAllocator)
	if err != nil {
		t.Fatal(err)
	}
	table, err := r.ReadTable(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(table.Release)
	pairs := map[string]string{}
	for _, kv := range f.MetaData().KeyValueMetadata() {
		pairs[kv.Key] = *kv.Value
	}
	return table, pairs
}

// column returns a column's values: float64, int32, string, or nil for NULL.
func column(t *testing.T, table arrow.Table, name string) (values []any) {
	t.Helper()
	at := table.Schema().FieldIndices(name)
	if len(at) != 1 {
		t.Fatalf("%d columns %s", len(at), name)
	}
	for _, chunk := range table.Column(at[0]).Data().Chunks() {
		for i := range chunk.Len() {
			switch c := chunk.(type) {
			case *array.Float64:
				values = append(values, c.Value(i))
			case *array.Int32:
				values = append(values, c.Value(i))
			case *array.String:
				values = append(values, c.Value(i))
			case *array.Binary:
				values = append(values, c.ValueString(i))
			default:
				t.Fatalf("column %s holds %T", name, chunk)
			}
			if chunk.IsNull(i) {
				values[len(values)-1] = nil
			}
		}
	}
	return values
}

func expect(t *testing.T, table arrow.Table, name string, want ...any) {
	t.Helper()
	have := column(t, table, name)
	if len(have) != len(want) {
		t.Fatalf("column %s: %d values, want %d", name, len(have), len(want))
	}
	for i := range want {
		if have[i] != want[i] {
			t.Fatalf("column %s, row %d: %v, want %v", name, i, have[i], want[i])
		}
	}
}

func TestWrittenTables(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	s, err := tables.Create(dir, false, tables.Metadata{Tool: "0.1.0", Rig: "name: invented\n", Options: map[string]string{"window": "10ms"}})
	if err != nil {
		t.Fatal(err)
	}
	// More phasors than one page and one row group hold.
	const n = 140_000
	hz, channel, flags := make([]any, n), make([]any, n), make([]any, n)
	for i := range n {
		p := tables.Phasor{Time: float64(i), Duration: 0.01, Channel: "rx1", Tone: "e1", ToneHz: 5125 + 1/float64(i+1)}
		if i%3 == 0 {
			p.Channel, p.Flags = "rx2", verdict.Clipped|verdict.Motion
		}
		hz[i], channel[i], flags[i] = p.ToneHz, p.Channel, p.Flags.String()
		if err := s.Phasors.Write(p); err != nil {
			t.Fatal(err)
		}
	}
	nan := math.NaN()
	s.Couplings.Write(
		tables.Coupling{Time: 1, Emitter: "e1", Sensor: "probe", Channel: "rx1", Value: -1.0 / 3, Quadrature: 0, Sigma: 5e-324},
		tables.Coupling{Time: 2, Emitter: "e1", Sensor: "probe", Channel: "rx1", Value: nan, Quadrature: nan, Sigma: nan, Flags: verdict.ReferenceLost})
	var cov tables.Covariance
	for i := range 6 {
		cov.Set(i, i, math.Pow(4, -float64(i)))
	}
	cov.Set(1, 4, -0.25)
	s.Poses.Write(
		tables.Pose{Time: 1, Sensor: "probe", Estimate: &rigid.Pose{Position: r3.Vec{X: 0.1, Z: -0.2}, Rotation: quat.Number{Real: 1}},
			Tip: &r3.Vec{Y: 0.5}, Covariance: &cov, Chi2: 17.25, DOF: 18, Iterations: 5, Status: "converged",
			Live: &tables.Live{Latency: 1.25e-3, Skipped: 2}},
		tables.Pose{Time: 2, Sensor: "probe", Chi2: nan, Status: "failed", Flags: verdict.NotConverged})
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	phasors, pairs := open(t, filepath.Join(dir, "phasors.parquet"))
	expect(t, phasors, "tone_hz", hz...)
	expect(t, phasors, "channel", channel...)
	expect(t, phasors, "flags", flags...)
	if pairs["tonepose.rig"] != "name: invented\n" || pairs["tonepose.options"] != `{"window":"10ms"}` {
		t.Errorf("metadata %q", pairs)
	}

	couplings, _ := open(t, filepath.Join(dir, "couplings.parquet"))
	expect(t, couplings, "coupling_h", -1.0/3, nil)
	expect(t, couplings, "quadrature_h", 0.0, nil)
	expect(t, couplings, "sigma_h", 5e-324, nil)
	expect(t, couplings, "flags", "", "reference lost")

	poses, _ := open(t, filepath.Join(dir, "poses.parquet"))
	expect(t, poses, "x_m", 0.1, nil)
	expect(t, poses, "y_m", 0.0, nil)
	expect(t, poses, "qw", 1.0, nil)
	expect(t, poses, "tip_y_m", 0.5, nil)
	expect(t, poses, "sigma_y_m", 0.5, nil)
	expect(t, poses, "cov_y_y", 0.25, nil)
	expect(t, poses, "cov_y_ry", -0.25, nil)
	expect(t, poses, "cov_rz_rz", math.Pow(4, -5), nil)
	expect(t, poses, "chi2", 17.25, nil)
	expect(t, poses, "dof", int32(18), int32(0))
	expect(t, poses, "status", "converged", "failed")
	expect(t, poses, "latency_s", 1.25e-3, nil)
	expect(t, poses, "skipped_windows", int32(2), nil)
	if n := poses.NumCols(); n != 47 {
		t.Errorf("%d columns of poses, want 47", n)
	}
}

// The tables of a run: every column readable to its end, text where text
// belongs, no NaN.
func TestGivenTables(t *testing.T) {
	dir := os.Getenv("TONEPOSE_TABLES")
	if dir == "" {
		t.Skip("TONEPOSE_TABLES names no directory")
	}
	paths, err := filepath.Glob(filepath.Join(dir, "*.parquet"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("no table in %s: %v", dir, err)
	}
	for _, path := range paths {
		table, pairs := open(t, path)
		if pairs["tonepose.schema_version"] == "" {
			t.Errorf("%s: no schema version", path)
		}
		for _, field := range table.Schema().Fields() {
			values := column(t, table, field.Name)
			if int64(len(values)) != table.NumRows() {
				t.Errorf("%s: column %s has %d of %d values", path, field.Name, len(values), table.NumRows())
			}
			for i, v := range values {
				if f, ok := v.(float64); ok && math.IsNaN(f) {
					t.Errorf("%s: column %s, row %d is NaN", path, field.Name, i)
					break
				}
			}
			text := strings.Contains(" channel tone emitter sensor signal reference finding status flags state ", " "+field.Name+" ")
			if text != (field.Type.ID() == arrow.STRING) {
				t.Errorf("%s: column %s is %s", path, field.Name, field.Type)
			}
		}
		t.Logf("%s: %d rows", filepath.Base(path), table.NumRows())
	}
}

// The partitions of a data set are found by the rules of directories key=value, and are one
// table: their columns are the same, labels are text, and none is that of the directories.
func TestGivenDataSet(t *testing.T) {
	dir := os.Getenv("TONEPOSE_DATA_SET")
	if dir == "" {
		t.Skip("TONEPOSE_DATA_SET names no directory")
	}
	recordings := map[string]int{}
	for _, name := range []string{"phasors", "couplings", "poses", "integrity"} {
		paths, err := filepath.Glob(filepath.Join(dir, name, "*=*", "*.parquet"))
		if err != nil || len(paths) == 0 {
			t.Fatalf("no partition of %s in %s: %v", name, dir, err)
		}
		var first *arrow.Schema
		for _, path := range paths {
			key, value, _ := strings.Cut(filepath.Base(filepath.Dir(path)), "=")
			if value, err = url.PathUnescape(value); err != nil || key != "recording" {
				t.Errorf("%s: %q, %v", path, key, err)
			}
			recordings[value]++
			table, _ := open(t, path)
			fields := arrow.NewSchema(table.Schema().Fields(), nil)
			if first == nil {
				first = fields
			}
			if !fields.Equal(first) {
				t.Errorf("%s: columns %v, those of the first %v", path, fields, first)
			}
			if len(table.Schema().FieldIndices(key)) > 0 {
				t.Errorf("%s: has the column %s, as its directory", path, key)
			}
			label := table.Schema().Field(int(table.NumCols()) - 1)
			if label.Name != "probe" || label.Type.ID() != arrow.STRING {
				t.Errorf("%s: the last column is %v: want the label probe", path, label)
			}
			for i, v := range column(t, table, label.Name) {
				if v == nil || v == "" {
					t.Errorf("%s: row %d has no label", path, i)
					break
				}
			}
		}
	}
	for name, tables := range recordings {
		if tables != 4 {
			t.Errorf("%s has %d tables of 4", name, tables)
		}
	}
}
