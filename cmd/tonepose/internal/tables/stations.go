package tables

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// Station is a known pose of a sensor in an interval, or at one time: Start and
// Stop are then equal.
type Station struct {
	Interval
	Pose          rigid.Pose // sensor to the frame of the file
	SigmaPosition float64    // of each component [m]; NaN: not given
	SigmaRotation float64    // of each component of the rotation vector [rad]; NaN: not given
	Label         string     // of the column station; rows of one label are one position
	PositionOnly  bool       // the file has no quaternions: Pose.Rotation is the identity
}

// Name is what a reader calls the station: its label, or where it stands.
func (s *Station) Name() string {
	if s.Label != "" {
		return s.Label
	}
	return fmt.Sprintf("line %d", s.Line)
}

// WithTimes is the text of a file of stations with start_s and stop_s [s] of the rows at the
// given lines; the others, of which no times are known, are left out.
func WithTimes(path string, times map[int][2]float64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	t, err := newTextTable(f, path)
	if err != nil {
		return nil, err
	}
	header := slices.Clone(t.header)
	column := func(name string) int {
		i := slices.Index(header, name)
		if i < 0 {
			i, header = len(header), append(header, name)
		}
		return i
	}
	start, stop := column("start_s"), column("stop_s")
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	w.Comma = t.csv.Comma
	w.Write(header)
	for {
		if err := t.next(); err == io.EOF {
			w.Flush()
			return out.Bytes(), w.Error()
		} else if err != nil {
			return nil, err
		}
		at, ok := times[t.line()]
		if !ok {
			continue
		}
		row := make([]string, len(header))
		copy(row, t.fields)
		for i, v := range at {
			text := strconv.FormatFloat(v, 'f', 6, 64)
			if !t.comma {
				text = strings.Replace(text, ".", ",", 1)
			}
			row[[2]int{start, stop}[i]] = text
		}
		w.Write(row)
	}
}

// demand says which columns a file of stations must have, beside x_m y_m z_m.
type demand struct {
	clocks       [][]string // ways to say when, the first found counts; nil: no times
	positionOnly bool       // qw qx qy qz may be missing
	sigmas       bool       // sigma_position_m and sigma_rotation_rad must be there
	timesOnly    bool       // start_s, stop_s and sensor are all that is read
	origin       time.Time  // from which absolute clocks count
}

var clocks = [][]string{{"start_s", "stop_s"}, {"time_s"}, {"start_datetime", "stop_datetime"}, {"datetime"}}

// ReadReference reads the stations of a calibration: start_s, stop_s, sensor if
// there, x_m y_m z_m qw qx qy qz sigma_position_m sigma_rotation_rad. Sensors as
// in ReadIntervals. A quaternion is normalised if its norm is within 1 % of 1.
func ReadReference(path string, sensors []string) ([]Station, error) {
	return readFile(path, sensors, demand{clocks: clocks[:1], sigmas: true})
}

// ReadTruth is ReadReference, but time_s may stand instead of start_s and
// stop_s, and the sigmas may be missing.
func ReadTruth(path string, sensors []string) ([]Station, error) {
	return readFile(path, sensors, demand{clocks: clocks[:2]})
}

// ReadKnown reads poses to compare with: as ReadTruth, but the quaternions may be
// missing too, and times may be those of another logger: start_datetime and
// stop_datetime, or datetime, in RFC 3339 with its zone. Those are counted from
// origin, the time of the recording's first sample.
func ReadKnown(path string, sensors []string, origin time.Time) ([]Station, error) {
	return readFile(path, sensors, demand{clocks: clocks, positionOnly: true, origin: origin})
}

// ReadPoses reads poses without times: sensor if there, x_m y_m z_m qw qx qy qz
// and the sigmas if there.
func ReadPoses(path string, sensors []string) ([]Station, error) {
	return readFile(path, sensors, demand{})
}

func readFile(path string, sensors []string, d demand) ([]Station, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	list, err := readStations(f, path, sensors, d)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("%s: no row below the header: one row an interval is needed", path)
	}
	return list, err
}

func readStations(r io.Reader, name string, sensors []string, d demand) ([]Station, error) {
	t, err := newTextTable(r, name)
	if err != nil {
		return nil, err
	}
	c, err := d.columns(t)
	if err != nil {
		return nil, err
	}
	var list []Station
	for {
		if err := t.next(); err == io.EOF {
			return list, nil
		} else if err != nil {
			return nil, err
		}
		row, err := c.station(t)
		if err != nil {
			return nil, err
		}
		// A row that names none of the sensors stands for each of them.
		names := sensors
		if row.Sensor = cellText(strings.Clone(t.text(c.sensor))); row.Sensor != "" || len(sensors) == 0 {
			names = []string{row.Sensor}
		}
		for _, row.Sensor = range names {
			if len(sensors) > 0 && !slices.Contains(sensors, row.Sensor) {
				return nil, t.errorf("sensor = %q: must be one of the rig's sensors: %s", row.Sensor, strings.Join(sensors, ", "))
			}
			list = append(list, row)
		}
	}
}

// stationColumns are field numbers, −1 of what the file has not.
type stationColumns struct {
	when, pose, sigma []int
	label, sensor     int
	absolute          bool
	origin            time.Time
}

func (d demand) columns(t *textTable) (c stationColumns, err error) {
	c = stationColumns{label: t.column("station"), sensor: t.column("sensor"), origin: d.origin}
	if d.timesOnly {
		c.when, err = t.columns("start_s", "stop_s")
		return c, err
	}
	needed := make([]string, len(d.clocks))
	for i, names := range d.clocks {
		needed[i] = strings.Join(names, " and ")
		if c.when != nil || t.column(names[0]) < 0 {
			continue
		}
		if c.when, err = t.columns(names...); err != nil {
			return c, err
		}
		c.absolute = strings.HasSuffix(names[0], "datetime")
	}
	switch {
	case c.when == nil && d.clocks != nil:
		return c, t.errorf("no column says when among %s: needed are %s", strings.Join(t.header, ", "), strings.Join(needed, ", or "))
	case c.absolute && d.origin.IsZero():
		return c, fmt.Errorf("%s: the recording states no start time: name times in seconds from its first sample (time_s, or start_s and stop_s)", t.name)
	}
	pose := []string{"x_m", "y_m", "z_m", "qw", "qx", "qy", "qz"}
	if d.positionOnly && t.column("qw") < 0 && t.column("qx") < 0 && t.column("qy") < 0 && t.column("qz") < 0 {
		pose = pose[:3]
	}
	if c.pose, err = t.columns(pose...); err != nil {
		return c, err
	}
	c.sigma = []int{t.column("sigma_position_m"), t.column("sigma_rotation_rad")}
	if d.sigmas {
		_, err = t.columns("sigma_position_m", "sigma_rotation_rad")
	}
	return c, err
}

// farthest [m] is as far as a rig file may reach. Recorders write 9.91e37, and others such, for no
// value: one of them would be all that a mean shows.
const farthest = 1e9

func (c stationColumns) station(t *textTable) (s Station, err error) {
	s = Station{Pose: rigid.Pose{Rotation: quat.Number{Real: 1}}, SigmaPosition: math.NaN(), SigmaRotation: math.NaN(),
		Label: strings.Clone(t.text(c.label)), PositionOnly: len(c.pose) == 3}
	if s.Interval, err = c.interval(t); err != nil {
		return s, err
	}
	var v [7]float64
	for i, column := range c.pose {
		if v[i], err = t.number(column); err != nil {
			return s, err
		}
		if i < 3 && math.Abs(v[i]) > farthest {
			return s, t.errorf("%s = %s: must not be larger than %g in size: positions are in metres; where there is none, leave the row out", t.header[column], t.text(column), farthest)
		}
	}
	s.Pose.Position = r3.Vec{X: v[0], Y: v[1], Z: v[2]}
	if len(c.pose) == len(v) {
		q := poseOf(v).Rotation
		norm := quat.Abs(q)
		if math.Abs(norm-1) > 0.01 {
			return s, t.errorf("quaternion qw qx qy qz = %g %g %g %g has norm %.3g: must be 1", v[3], v[4], v[5], v[6], norm)
		}
		s.Pose.Rotation = quat.Scale(1/norm, q)
	}
	for i, dst := range []*float64{&s.SigmaPosition, &s.SigmaRotation} {
		if c.sigma == nil || c.sigma[i] < 0 {
			continue
		}
		if *dst, err = t.number(c.sigma[i]); err != nil {
			return s, err
		}
		if *dst < 0 {
			return s, t.errorf("%s = %s: must not be negative", t.header[c.sigma[i]], t.text(c.sigma[i]))
		}
	}
	return s, nil
}

// interval reads start and stop, or one time that is both, or neither.
func (c stationColumns) interval(t *textTable) (iv Interval, err error) {
	iv = Interval{File: t.name, Line: t.line()}
	for i, column := range c.when {
		if iv.Stop, err = c.seconds(t, column); err != nil {
			return iv, err
		}
		if i == 0 {
			iv.Start = iv.Stop
		}
	}
	if len(c.when) == 2 && iv.Stop <= iv.Start {
		after := "exceed"
		if c.absolute {
			after = "be later than"
		}
		start, stop := c.when[0], c.when[1]
		return iv, t.errorf("%s = %s: must %s %s = %s", t.header[stop], t.text(stop), after, t.header[start], t.text(start))
	}
	return iv, nil
}

// seconds reads a time from the recording's first sample, or an absolute one.
func (c stationColumns) seconds(t *textTable, column int) (float64, error) {
	if t.text(column) == "" {
		return 0, t.errorf("%s is empty: fill in when the sensor rested, or let tonepose inspect --stations %s propose it", t.header[column], t.name)
	}
	if !c.absolute {
		return t.number(column)
	}
	at, err := time.Parse(time.RFC3339Nano, t.text(column))
	if err != nil {
		return 0, t.errorf("%s = %q: must be a time in RFC 3339 with its zone, such as 2026-03-01T12:00:00.250Z", t.header[column], t.text(column))
	}
	return at.Sub(c.origin).Seconds(), nil
}
