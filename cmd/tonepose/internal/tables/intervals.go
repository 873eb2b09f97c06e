package tables

import (
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Interval is a stretch of a recording to be read as one window.
type Interval struct {
	Start, Stop float64 // [s] from the first sample
	Sensor      string  // empty where no sensors were asked for and none is named
	File        string  // that it comes from, as its messages name it
	Line        int     // in the file
}

// Station is a known pose of a sensor in an interval, or at one time: Start and
// Stop are then equal.
type Station struct {
	Interval
	Pose          rigid.Pose // sensor to the frame of the file
	SigmaPosition float64    // of each component [m]; NaN: not given
	SigmaRotation float64    // of each component of the rotation vector [rad]; NaN: not given
}

// ReadIntervals reads the columns start_s, stop_s and, if there, sensor of a CSV
// file, nothing else of it. With the rig's sensors given, a row that names none
// stands for each of them, and a name that is not among them is an error.
// Rows may overlap and come in any order; equal rows count once.
func ReadIntervals(path string, sensors []string) ([]Interval, error) {
	return read(path, func(r io.Reader) ([]Interval, error) { return readIntervals(r, path, sensors) })
}

// ReadReference reads the stations of a calibration: start_s, stop_s, sensor if
// there, x_m y_m z_m qw qx qy qz sigma_position_m sigma_rotation_rad. Sensors as
// in ReadIntervals. A quaternion is normalised if its norm is within 1 % of 1.
func ReadReference(path string, sensors []string) ([]Station, error) {
	return read(path, func(r io.Reader) ([]Station, error) { return readStations(r, path, sensors, reference) })
}

// ReadTruth reads poses to compare with: as ReadReference, but time_s may stand
// in place of start_s and stop_s, and the sigmas may be missing.
func ReadTruth(path string, sensors []string) ([]Station, error) {
	return read(path, func(r io.Reader) ([]Station, error) { return readStations(r, path, sensors, truth) })
}

// ReadPlaces reads poses without times: sensor if there, x_m y_m z_m qw qx qy qz
// and the sigmas if there.
func ReadPlaces(path string, sensors []string) ([]Station, error) {
	return read(path, func(r io.Reader) ([]Station, error) { return readStations(r, path, sensors, place) })
}

func read[T any](path string, parse func(io.Reader) ([]T, error)) ([]T, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	list, err := parse(f)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("%s: no row below the header: one row an interval is needed", path)
	}
	return list, err
}

func readIntervals(r io.Reader, name string, sensors []string) ([]Interval, error) {
	t, err := newTextTable(r, name)
	if err != nil {
		return nil, err
	}
	columns, err := t.columns("start_s", "stop_s")
	if err != nil {
		return nil, err
	}
	list, err := collect(t, sensors, func() (Interval, error) { return t.interval(columns) },
		func(iv *Interval) *string { return &iv.Sensor })
	seen := make(map[Interval]bool)
	return slices.DeleteFunc(list, func(iv Interval) bool {
		iv.Line = 0
		again := seen[iv]
		seen[iv] = true
		return again
	}), err
}

// collect reads all rows: a row that names none of the sensors stands for each of
// them. sensor is where a row keeps its sensor's name.
func collect[T any](t *textTable, sensors []string, row func() (T, error), sensor func(*T) *string) (list []T, err error) {
	who := sensorColumn{t.column("sensor"), sensors}
	for {
		if err := t.next(); err == io.EOF {
			return list, nil
		} else if err != nil {
			return nil, err
		}
		v, err := row()
		if err != nil {
			return nil, err
		}
		names, err := who.names(t)
		if err != nil {
			return nil, err
		}
		for _, name := range names {
			*sensor(&v) = name
			list = append(list, v)
		}
	}
}

// interval reads start and stop, or one time that is both, or neither.
func (t *textTable) interval(columns []int) (Interval, error) {
	iv := Interval{File: t.name, Line: t.line()}
	if len(columns) == 0 {
		return iv, nil
	}
	var err error
	if iv.Start, err = t.number(columns[0]); err != nil {
		return iv, err
	}
	if len(columns) == 1 {
		iv.Stop = iv.Start
		return iv, nil
	}
	if iv.Stop, err = t.number(columns[1]); err != nil {
		return iv, err
	}
	if iv.Stop <= iv.Start {
		return iv, t.errorf("stop_s = %s: must exceed start_s = %s", t.text(columns[1]), t.text(columns[0]))
	}
	return iv, nil
}

// sensorColumn names the sensors that a row speaks of.
type sensorColumn struct {
	column  int // −1: the file has none
	sensors []string
}

func (c sensorColumn) names(t *textTable) ([]string, error) {
	name := ""
	if c.column >= 0 {
		name = strings.Clone(t.text(c.column))
	}
	switch {
	case name == "" && len(c.sensors) > 0:
		return c.sensors, nil
	case name != "" && len(c.sensors) > 0 && !slices.Contains(c.sensors, name):
		return nil, t.errorf("sensor = %q: must be one of the rig's sensors: %s", name, strings.Join(c.sensors, ", "))
	}
	return []string{name}, nil
}

// purpose says which columns a file of stations must have.
type purpose int

const (
	reference purpose = iota // intervals and sigmas
	truth                    // intervals or times, sigmas if there
	place                    // no times, sigmas if there
)

func readStations(r io.Reader, name string, sensors []string, p purpose) ([]Station, error) {
	t, err := newTextTable(r, name)
	if err != nil {
		return nil, err
	}
	c, err := stationColumnsOf(t, p)
	if err != nil {
		return nil, err
	}
	return collect(t, sensors, func() (Station, error) { return c.station(t) }, func(s *Station) *string { return &s.Sensor })
}

// stationColumns are field numbers.
type stationColumns struct {
	when, pose, sigma []int // sigma: −1 where the file has none
}

func stationColumnsOf(t *textTable, p purpose) (c stationColumns, err error) {
	when := []string{"start_s", "stop_s"}
	switch {
	case p == place:
		when = nil
	case p == truth && t.column("start_s") < 0 && t.column("time_s") >= 0:
		when = []string{"time_s"}
	}
	if c.when, err = t.columns(when...); err != nil {
		return c, err
	}
	if c.pose, err = t.columns("x_m", "y_m", "z_m", "qw", "qx", "qy", "qz"); err != nil {
		return c, err
	}
	if p == reference {
		c.sigma, err = t.columns("sigma_position_m", "sigma_rotation_rad")
		return c, err
	}
	c.sigma = []int{t.column("sigma_position_m"), t.column("sigma_rotation_rad")}
	return c, nil
}

func (c stationColumns) station(t *textTable) (s Station, err error) {
	if s.Interval, err = t.interval(c.when); err != nil {
		return s, err
	}
	if s.Pose, err = c.known(t, false); err != nil {
		return s, err
	}
	s.SigmaPosition, s.SigmaRotation, err = c.sigmas(t)
	return s, err
}

func (c stationColumns) known(t *textTable, placeOnly bool) (p rigid.Pose, err error) {
	var v [7]float64
	if err := t.numbers(v[:len(c.pose)], c.pose); err != nil {
		return p, err
	}
	p = rigid.Pose{Position: r3.Vec{X: v[0], Y: v[1], Z: v[2]}, Rotation: noTurn}
	if placeOnly {
		return p, nil
	}
	q := quat.Number{Real: v[3], Imag: v[4], Jmag: v[5], Kmag: v[6]}
	norm := quat.Abs(q)
	if math.Abs(norm-1) > 0.01 {
		return p, t.errorf("quaternion qw qx qy qz = %g %g %g %g has norm %.3g: must be 1", v[3], v[4], v[5], v[6], norm)
	}
	p.Rotation = quat.Scale(1/norm, q)
	return p, nil
}

func (c stationColumns) sigmas(t *textTable) (position, rotation float64, err error) {
	for i, dst := range []*float64{&position, &rotation} {
		*dst = math.NaN()
		column := c.sigma[i]
		if column < 0 {
			continue
		}
		if *dst, err = t.number(column); err != nil {
			return position, rotation, err
		}
		if *dst < 0 {
			return position, rotation, t.errorf("%s = %s: must not be negative", t.header[column], t.text(column))
		}
	}
	return position, rotation, nil
}
