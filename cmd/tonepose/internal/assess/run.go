package assess

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tonepose/cmd/tonepose/internal/tables"
)

// isRun tells whether a truth is another run: its directory, or its table of poses.
func isRun(name string) bool {
	info, err := os.Stat(name)
	return err == nil && info.IsDir() || strings.HasSuffix(name, ".parquet")
}

// readRun reads the poses of another run as known ones, at the centres of its windows
// after the first sample; rows without a pose are passed over. Two runs of the same
// samples share their noise, so that they differ by less than their sigmas say.
func readRun(name string, sensors []string, _ time.Time) (known []tables.Station, err error) {
	if !strings.HasSuffix(name, ".parquet") {
		name = filepath.Join(name, tables.PosesName+".parquet")
	}
	r, err := tables.Open[tables.Pose](name)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	for row, err := range r.All() {
		if err != nil {
			return nil, err
		}
		if !slices.Contains(sensors, row.Sensor) {
			return nil, fmt.Errorf("%s: sensor %s: the run that it is compared with has %s: name one of these with --sensor, or another run", name, row.Sensor, strings.Join(sensors, ", "))
		}
		if row.Estimate == nil {
			continue
		}
		s := tables.Station{Interval: tables.Interval{Start: row.Time, Stop: row.Time, Sensor: row.Sensor, File: name},
			Pose: *row.Estimate, SigmaPosition: math.NaN(), SigmaRotation: math.NaN()}
		if c := row.Covariance; c != nil {
			s.SigmaPosition = math.Sqrt((c.At(0, 0) + c.At(1, 1) + c.At(2, 2)) / 3)
			s.SigmaRotation = math.Sqrt((c.At(3, 3) + c.At(4, 4) + c.At(5, 5)) / 3)
		}
		known = append(known, s)
	}
	if len(known) == 0 {
		return nil, fmt.Errorf("%s: no row has a pose to compare with: name another run, or a CSV of known poses", name)
	}
	return known, nil
}
