package report

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels/rigid"
)

// panelsOfSheet is how many heights and attitudes a page of a test plan has.
const panelsOfSheet = 4

// SaveStations draws a test plan, the text of a CSV that plan makes, as sheets to be carried
// to the bench: NAME-sheet, or NAME-sheet-1 and so on, beside the file. It returns their
// names.
func SaveStations(to *files.Batch, r *rig.Rig, file string, text []byte, formats []string) (names []string, err error) {
	if len(formats) == 0 {
		return nil, nil
	}
	panels, err := stationPanels(file, text, len(r.Sensors) > 1)
	if err != nil {
		return nil, err
	}
	d := figure.StationData{Emitters: Emitters(r), Min: r.WorkingVolume.Min, Max: r.WorkingVolume.Max}
	for _, e := range d.Emitters {
		for _, p := range e.Outline {
			d.Min.X, d.Min.Y, d.Max.X, d.Max.Y = min(d.Min.X, p.X), min(d.Min.Y, p.Y), max(d.Max.X, p.X), max(d.Max.Y, p.Y)
		}
	}
	air := 0.05 * max(d.Max.X-d.Min.X, d.Max.Y-d.Min.Y)
	d.Min.X, d.Min.Y, d.Max.X, d.Max.Y = d.Min.X-air, d.Min.Y-air, d.Max.X+air, d.Max.Y+air
	stem := strings.TrimSuffix(file, filepath.Ext(file)) + "-sheet"
	pages := slices.Collect(slices.Chunk(panels, panelsOfSheet))
	for i, page := range pages {
		d.Panels, d.Title = page, "Stations of "+r.Name
		d.Note = fmt.Sprintf("Seen from above, to scale. Numbers are those of %s, in their order; the sensor's axes: arrow in the plane, dot up, cross down.", filepath.Base(file))
		name := stem
		if len(pages) > 1 {
			name = fmt.Sprintf("%s-%d", stem, i+1)
			d.Title += fmt.Sprintf(", sheet %d of %d", i+1, len(pages))
		}
		if err := Save(to, "", map[string]*figure.Figure{name: figure.Stations(d)}, formats); err != nil {
			return nil, err
		}
		for _, format := range formats {
			names = append(names, name+"."+format)
		}
	}
	return names, nil
}

// stationPanels gathers the stations of a test plan that follow each other at one height, in
// one attitude, of one sensor.
func stationPanels(file string, text []byte, sensors bool) (panels []figure.StationPanel, err error) {
	rows := csv.NewReader(bytes.NewReader(text))
	rows.Comment = '#'
	header, err := rows.Read()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	for {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			return panels, nil
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", file, err)
		}
		text := func(name string) string {
			if i := slices.Index(header, name); i >= 0 {
				return row[i]
			}
			return ""
		}
		var v [7]float64
		for i, name := range []string{"x_m", "y_m", "z_m", "qw", "qx", "qy", "qz"} {
			if v[i], err = strconv.ParseFloat(text(name), 64); err != nil {
				return nil, fmt.Errorf("%s: %s = %q: must be a number", file, name, text(name))
			}
		}
		name := fmt.Sprintf("z = %.4g mm, %s", 1e3*v[2], text("orientation"))
		if sensors {
			name = text("sensor") + ": " + name
		}
		if n := len(panels); n == 0 || panels[n-1].Name != name {
			p := figure.StationPanel{Name: name}
			q := quat.Number{Real: v[3], Imag: v[4], Jmag: v[5], Kmag: v[6]}
			for i, axis := range []r3.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
				p.Axes[i] = rigid.Rotate(q, axis)
			}
			panels = append(panels, p)
		}
		p := &panels[len(panels)-1]
		p.Number, p.Places = append(p.Number, text("station")), append(p.Places, r3.Vec{X: v[0], Y: v[1], Z: v[2]})
	}
}
