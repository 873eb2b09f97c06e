package tables

import (
	"fmt"
	"io"
	"os"
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

func readIntervals(r io.Reader, name string, sensors []string) (list []Interval, err error) {
	rows, err := readStations(r, name, sensors, demand{timesOnly: true})
	seen := make(map[Interval]bool)
	for _, row := range rows {
		iv := row.Interval
		iv.Line = 0
		if !seen[iv] {
			list = append(list, row.Interval)
		}
		seen[iv] = true
	}
	return list, err
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
