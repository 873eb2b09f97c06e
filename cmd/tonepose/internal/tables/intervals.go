package tables

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
	return distinct(readFile(path, sensors, demand{timesOnly: true}))
}

// distinct are the intervals of rows, equal ones once.
func distinct(rows []Station, err error) (list []Interval, _ error) {
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
