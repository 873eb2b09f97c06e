package tables

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
)

// Interval is a stretch of a recording to be read as one window.
type Interval struct {
	Start, Stop float64 // [s] from the first sample
	Sensor      string  // empty where no sensors were asked for and none is named
	File        string  // that it comes from, as its messages name it
	Line        int     // in the file
}

// ReadIntervals reads the columns start_s, stop_s and, if there, sensor of a CSV
// file, nothing else of it. With the rig's sensors given, a row that names none
// stands for each of them, and a name that is not among them is an error.
// Rows may overlap and come in any order; equal rows count once.
func ReadIntervals(path string, sensors []string) ([]Interval, error) {
	return read(path, func(r io.Reader) ([]Interval, error) { return readIntervals(r, path, sensors) })
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
