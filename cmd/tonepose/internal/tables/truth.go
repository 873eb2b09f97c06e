package tables

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"gonum.org/v1/gonum/num/quat"
)

// Known is where a sensor truly was, as another instrument has it.
type Known struct {
	Station
	Label     string // of the column station; rows of one label are one place
	PlaceOnly bool   // the file has no quaternions: Pose.Rotation is the identity
}

// ReadKnown reads poses to compare with: x_m y_m z_m and, if there, qw qx qy qz,
// sigma_position_m, sigma_rotation_rad, station and sensor (as in ReadIntervals).
// When is told by start_s and stop_s, by time_s, or in the time of another logger
// by start_datetime and stop_datetime, or datetime: RFC 3339 with its zone.
// Those are counted from origin, the time of the recording's first sample.
func ReadKnown(path string, sensors []string, origin time.Time) ([]Known, error) {
	return read(path, func(r io.Reader) ([]Known, error) { return readKnown(r, path, sensors, origin) })
}

// clocks are the ways to say when, the first found counts.
var clocks = [...][]string{{"start_s", "stop_s"}, {"time_s"}, {"start_datetime", "stop_datetime"}, {"datetime"}}

// ErrNoStart reports a truth in absolute time and poses without.
var ErrNoStart = errors.New("the recording states no start time")

func readKnown(r io.Reader, name string, sensors []string, origin time.Time) ([]Known, error) {
	t, err := newTextTable(r, name)
	if err != nil {
		return nil, err
	}
	c := stationColumns{sigma: []int{t.column("sigma_position_m"), t.column("sigma_rotation_rad")}}
	absolute := false
	for i, names := range clocks {
		if t.column(names[0]) < 0 {
			continue
		}
		if c.when, err = t.columns(names...); err != nil {
			return nil, err
		}
		absolute = i >= 2
		break
	}
	if c.when == nil {
		return nil, t.errorf("no column says when among %s: needed are start_s and stop_s, time_s, start_datetime and stop_datetime, or datetime",
			strings.Join(t.header, ", "))
	}
	if absolute && origin.IsZero() {
		return nil, fmt.Errorf("%s: %w: name times in seconds from its first sample (time_s, or start_s and stop_s)", name, ErrNoStart)
	}
	pose := []string{"x_m", "y_m", "z_m", "qw", "qx", "qy", "qz"}
	placeOnly := t.column("qw") < 0 && t.column("qx") < 0 && t.column("qy") < 0 && t.column("qz") < 0
	if placeOnly {
		pose = pose[:3]
	}
	if c.pose, err = t.columns(pose...); err != nil {
		return nil, err
	}
	label := t.column("station")
	return collect(t, sensors, func() (k Known, err error) {
		k.PlaceOnly = placeOnly
		if k.Interval, err = t.when(c.when, absolute, origin); err != nil {
			return k, err
		}
		if k.Pose, err = c.known(t, placeOnly); err != nil {
			return k, err
		}
		if label >= 0 {
			k.Label = strings.Clone(t.text(label))
		}
		k.SigmaPosition, k.SigmaRotation, err = c.sigmas(t)
		return k, err
	}, func(k *Known) *string { return &k.Sensor })
}

// when reads an interval or a time, in seconds or absolute.
func (t *textTable) when(columns []int, absolute bool, origin time.Time) (Interval, error) {
	if !absolute {
		return t.interval(columns)
	}
	iv := Interval{Line: t.line()}
	for i, c := range columns {
		at, err := time.Parse(time.RFC3339Nano, t.text(c))
		if err != nil {
			return iv, t.errorf("%s = %q: must be a time in RFC 3339 with its zone, such as 2026-03-01T12:00:00.250Z", t.header[c], t.text(c))
		}
		iv.Stop = at.Sub(origin).Seconds()
		if i == 0 {
			iv.Start = iv.Stop
		}
	}
	if len(columns) == 2 && iv.Stop <= iv.Start {
		return iv, t.errorf("%s = %s: must be later than %s = %s", t.header[columns[1]], t.text(columns[1]), t.header[columns[0]], t.text(columns[0]))
	}
	return iv, nil
}

var noTurn = quat.Number{Real: 1}
