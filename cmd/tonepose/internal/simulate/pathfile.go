package simulate

import (
	"fmt"
	"path/filepath"

	"tonepose/cmd/tonepose/internal/motion"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
)

// ReadPath reads a CSV of poses: time_s, or start_s and stop_s for stations,
// then x_m y_m z_m qw qx qy qz, and sensor where sensors move each their own way.
// Errors name file and line.
func ReadPath(name string, sensors []string) (*Path, error) {
	rows, err := tables.ReadTruth(name, sensors)
	if err != nil {
		return nil, err
	}
	short := filepath.Base(name)
	for _, r := range rows {
		if r.Start < 0 {
			return nil, fmt.Errorf("%s:%d: time %g s: must not be negative, a recording starts at 0 s", short, r.Line, r.Start)
		}
	}
	return newPath(sensors, quickKnots, func(_ int, sensor string) (Track, error) {
		track, err := readTrack(sensor, rows)
		if err != nil {
			err = fmt.Errorf("%s: %w", short, err)
		}
		return track, err
	})
}

func readTrack(sensor string, rows []tables.Station) (track Track, err error) {
	var times []float64
	var poses []rigid.Pose
	var stations []Station
	for _, r := range rows {
		if r.Sensor != sensor {
			continue
		}
		if r.Stop > r.Start {
			stations = append(stations, Station{r.Start, r.Stop, r.Pose})
			continue
		}
		times, poses = append(times, r.Start), append(poses, r.Pose)
	}
	switch {
	case len(stations) > 0:
		return newStationTrack(sensor, stations)
	case len(times) == 0:
		return track, fmt.Errorf("no row for sensor %s: every sensor of the rig needs a path", sensor)
	}
	m, err := motion.Through(times, poses)
	if err != nil {
		return track, fmt.Errorf("sensor %s: %w", sensor, err)
	}
	return Track{Sensor: sensor, motion: m, first: m.First, last: m.Last}, nil
}
