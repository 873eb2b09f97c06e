package present

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
)

// liveRows are one with everything, one without a pose, and one with awkward texts and
// numbers.
func liveRows() []tables.Pose {
	var c tables.Covariance
	for i := range 6 {
		c.Set(i, i, math.Pow(4, -float64(i)-10))
	}
	pose := rigid.Pose{Position: r3.Vec{X: 0.1, Y: -1.0 / 3, Z: 5e-324}, Rotation: quat.Number{Real: 0.5, Imag: -0.5, Jmag: 0.5, Kmag: 0.5}}
	return []tables.Pose{
		{Time: 0.205, Duration: 0.01, Sensor: "probe", Estimate: &pose, Tip: &r3.Vec{X: 1, Y: 2, Z: 3}, Covariance: &c, Chi2: 17.25, DOF: 18,
			Status: "converged", Flags: verdict.Motion | verdict.Gap, Live: &tables.Live{Latency: 1.25e-3, Skipped: 2}},
		{Time: 1e21, Duration: 0.01, Sensor: "probe", Chi2: math.NaN(), Status: "failed", Flags: verdict.NotConverged, Live: &tables.Live{Latency: math.NaN()}},
		{Time: 3, Sensor: "a, \"b\"\nµ", Estimate: &pose, Chi2: math.Inf(1), Status: "converged"},
	}
}

// A row says what JSON says of the same values.
func TestRowsOfJSON(t *testing.T) {
	for _, row := range liveRows() {
		line := LinesJSON.Pose(nil, &row)
		if bytes.IndexByte(line, '\n') != len(line)-1 {
			t.Errorf("not one line: %q", line)
		}
		type known struct {
			Time     float64 `json:"time_s"`
			Duration float64 `json:"duration_s"`
			Sensor   string  `json:"sensor"`
			Pose     *Pose   `json:"pose"`
			Tip      *r3.Vec `json:"tip_m,omitempty"`
			Chi2     float64 `json:"chi2"`
			DOF      int     `json:"dof"`
			Status   string  `json:"status"`
			Flags    string  `json:"flags"`
		}
		of := known{row.Time, row.Duration, row.Sensor, nil, row.Tip, row.Chi2, row.DOF, row.Status, row.Flags.String()}
		if row.Estimate != nil {
			p := PoseOf(*row.Estimate)
			if row.Covariance != nil {
				var sigma [6]float64
				for i := range sigma {
					sigma[i] = row.Covariance.Sigma(i)
				}
				p = p.With(&sigma)
			}
			of.Pose = &p
		}
		var wanted bytes.Buffer
		if err := JSON(&wanted, of); err != nil {
			t.Fatal(err)
		}
		var have, want map[string]any
		if err := json.Unmarshal(line, &have); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		if err := json.Unmarshal(wanted.Bytes(), &want); err != nil {
			t.Fatal(err)
		}
		if l := row.Live; l != nil {
			want["latency_s"], want["skipped_windows"] = nil, float64(l.Skipped)
			if tables.IsNumber(l.Latency) {
				want["latency_s"] = l.Latency
			}
		}
		if !reflect.DeepEqual(have, want) {
			t.Errorf("have %v\nwant %v", have, want)
		}
	}
}

func TestRowsOfCSV(t *testing.T) {
	text := LinesCSV.Head(false)
	rows := liveRows()
	for i := range rows {
		text = LinesCSV.Pose(text, &rows[i])
	}
	records, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := func(row int, name string) string {
		for i, n := range records[0] {
			if n == name {
				return records[row+1][i]
			}
		}
		t.Fatalf("no column %s", name)
		return ""
	}
	for i, row := range rows {
		for name, want := range map[string]float64{"time_s": row.Time, "chi2": row.Chi2} {
			have, err := strconv.ParseFloat(column(i, name), 64)
			if (err == nil) != tables.IsNumber(want) || err == nil && have != want {
				t.Errorf("row %d: %s %q, want %g", i, name, column(i, name), want)
			}
		}
		if column(i, "sensor") != row.Sensor || column(i, "flags") != row.Flags.String() || column(i, "status") != row.Status {
			t.Errorf("row %d: %q", i, records[i+1])
		}
	}
	for name, want := range map[string]string{"x_m": "0.1", "qx": "-0.5", "tip_z_m": "3", "sigma_y_m": "0.00048828125", "latency_s": "0.00125", "skipped_windows": "2"} {
		if have := column(0, name); have != want {
			t.Errorf("%s is %q, want %s", name, have, want)
		}
	}
	if column(1, "x_m") != "" || column(1, "latency_s") != "" || column(2, "sigma_x_m") != "" || column(2, "skipped_windows") != "" {
		t.Errorf("what is not known is not empty: %q", records)
	}
}

func TestRowsDoNotAllocate(t *testing.T) {
	rows := liveRows()[:2]
	var b []byte
	for _, l := range []Lines{LinesJSON, LinesCSV} {
		write := func() {
			b = b[:0]
			for i := range rows {
				b = l.Pose(b, &rows[i])
			}
		}
		write()
		if n := testing.AllocsPerRun(100, write); n != 0 {
			t.Errorf("%v: %g allocations", strings.TrimSpace(string(l.Head(false))), n)
		}
	}
}
