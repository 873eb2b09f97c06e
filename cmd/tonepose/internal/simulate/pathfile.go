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
	p := &Path{knotStep: quickKnots}
	for _, s := range sensors {
		track, err := readTrack(short, s, rows)
		if err != nil {
			return nil, err
		}
		p.Tracks = append(p.Tracks, track)
	}
	p.Duration = longest(p.Tracks)
	return p, nil
}

func readTrack(file, sensor string, rows []tables.Station) (Track, error) {
	var times []float64
	var poses []rigid.Pose
	var stations []Station
	for _, r := range rows {
		if r.Sensor != sensor {
			continue
		}
		if r.Start < 0 {
			return Track{}, fmt.Errorf("%s:%d: time %g s: must not be negative, a recording starts at 0 s", file, r.Line, r.Start)
		}
		if r.Stop > r.Start {
			stations = append(stations, Station{r.Start, r.Stop, r.Pose})
			continue
		}
		times, poses = append(times, r.Start), append(poses, r.Pose)
	}
	var track Track
	var err error
	switch {
	case len(stations) > 0:
		track, err = newStationTrack(sensor, stations)
	case len(times) == 0:
		err = fmt.Errorf("no row for sensor %s: every sensor of the rig needs a path", sensor)
	default:
		track.Sensor = sensor
		if track.motion, err = motion.Through(times, poses); err != nil {
			err = fmt.Errorf("sensor %s: %w", sensor, err)
		}
	}
	if err != nil {
		return Track{}, fmt.Errorf("%s: %w", file, err)
	}
	return track, nil
}
