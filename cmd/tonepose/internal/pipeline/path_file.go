package pipeline

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// ReadPath reads a CSV of poses with a header: time_s, or start_s and stop_s
// for stations, then x_m y_m z_m qw qx qy qz, and sensor where the rig has
// several. Other columns are ignored. Errors name file, line and column.
func ReadPath(name string, sensors []string) (*Path, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return parsePath(filepath.Base(name), f, sensors)
}

var poseColumns = []string{"x_m", "y_m", "z_m", "qw", "qx", "qy", "qz"}

// pathRows are the rows of one sensor so far.
type pathRows struct {
	times    []float64
	poses    []rigid.Pose
	stations []Station
}

func parsePath(name string, from io.Reader, sensors []string) (*Path, error) {
	r := csv.NewReader(from)
	r.Comment = '#'
	r.TrimLeadingSpace = true
	r.ReuseRecord = true
	header, err := r.Read()
	if err != nil {
		return nil, fmt.Errorf("%s: no header: want time_s (or start_s and stop_s), %s", name, strings.Join(poseColumns, ", "))
	}
	column := map[string]int{}
	for i, h := range header {
		column[strings.TrimSpace(h)] = i
	}
	_, timed := column["time_s"]
	_, starts := column["start_s"]
	_, stops := column["stop_s"]
	_, named := column["sensor"]
	if timed == (starts && stops) {
		return nil, fmt.Errorf("%s:1: want either a column time_s or the columns start_s and stop_s", name)
	}
	for _, c := range poseColumns {
		if _, ok := column[c]; !ok {
			return nil, fmt.Errorf("%s:1: no column %s: a path needs %s", name, c, strings.Join(poseColumns, ", "))
		}
	}
	if !named && len(sensors) > 1 {
		return nil, fmt.Errorf("%s:1: no column sensor: the rig has %d sensors (%s)", name, len(sensors), strings.Join(sensors, ", "))
	}
	rows := make([]pathRows, len(sensors))
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		line, _ := r.FieldPos(0)
		fields := func(columns ...string) ([]float64, error) {
			out := make([]float64, len(columns))
			for i, c := range columns {
				text := strings.TrimSpace(record[column[c]])
				v, err := strconv.ParseFloat(text, 64)
				if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
					return nil, fmt.Errorf("%s:%d: %s = %q: want a number", name, line, c, text)
				}
				out[i] = v
			}
			return out, nil
		}
		which := 0
		if named {
			text := strings.TrimSpace(record[column["sensor"]])
			if which = slices.Index(sensors, text); which < 0 {
				return nil, fmt.Errorf("%s:%d: sensor = %q: the rig has %s", name, line, text, strings.Join(sensors, ", "))
			}
		}
		v, err := fields(poseColumns...)
		if err != nil {
			return nil, err
		}
		q := quat.Number{Real: v[3], Imag: v[4], Jmag: v[5], Kmag: v[6]}
		// Text of a few digits leaves a unit quaternion unit to some 1e-4.
		if norm := quat.Abs(q); math.Abs(norm-1) > 1e-3 {
			return nil, fmt.Errorf("%s:%d: qw qx qy qz = %g %g %g %g: length %.6g, must be 1", name, line, v[3], v[4], v[5], v[6], norm)
		}
		pose := rigid.Pose{Position: r3.Vec{X: v[0], Y: v[1], Z: v[2]}, Rotation: rigid.Normalize(q)}
		row := &rows[which]
		if timed {
			t, err := fields("time_s")
			if err != nil {
				return nil, err
			}
			if n := len(row.times); n > 0 && t[0] <= row.times[n-1] {
				return nil, fmt.Errorf("%s:%d: time_s = %g: must rise, the row before has %g", name, line, t[0], row.times[n-1])
			}
			row.times = append(row.times, t[0])
			row.poses = append(row.poses, pose)
			continue
		}
		t, err := fields("start_s", "stop_s")
		if err != nil {
			return nil, err
		}
		if !(t[0] >= 0 && t[1] > t[0]) {
			return nil, fmt.Errorf("%s:%d: start_s = %g, stop_s = %g: want 0 ≤ start_s < stop_s", name, line, t[0], t[1])
		}
		row.stations = append(row.stations, Station{t[0], t[1], pose})
	}
	return assemblePath(name, sensors, rows, timed)
}

func assemblePath(name string, sensors []string, rows []pathRows, timed bool) (*Path, error) {
	p := &Path{}
	for i, s := range sensors {
		var track Track
		var err error
		switch {
		case !timed && len(rows[i].stations) == 0, timed && len(rows[i].times) == 0:
			err = fmt.Errorf("no row for sensor %s: every sensor of the rig needs a path", s)
		case !timed:
			track, err = newStationTrack(s, rows[i].stations)
		case len(rows[i].times) < 4:
			err = fmt.Errorf("sensor %s has %d poses: a smooth path needs at least 4", s, len(rows[i].times))
		default:
			var m *splineMotion
			m, err = newSplineMotion(rows[i].times, rows[i].poses)
			track = Track{Sensor: s, motion: m}
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		p.Tracks = append(p.Tracks, track)
	}
	p.Duration = longest(p.Tracks)
	return p, nil
}
