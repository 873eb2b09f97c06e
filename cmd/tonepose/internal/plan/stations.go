package plan

import (
	"bytes"
	"fmt"
	"math"
	"strconv"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/caution"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
)

// BoardOptions describes a test on a grid board.
type BoardOptions struct {
	SpacingM     float64 // between holes of the board
	Levels       int     // heights, spread over the working volume; 1: its middle
	Orientations int     // at each position, 1 to 6
	PaceS        float64 // from one station's start to the next; 0: times are left to be filled in
	HoldS        float64 // how long the sensor rests, with PaceS
	SigmaM       float64 // of each component of a station's position
	SigmaRad     float64 // of each component of its rotation
}

// orientations are those that a right-angled holder gives, in the order in which
// BoardOptions.Orientations takes them: three that rotate every axis of the sensor to
// another direction come first.
var orientations = []struct {
	name string
	q    quat.Number
}{
	{"upright", quat.Number{Real: 1}},
	{"rotated 90° about x", rigid.Exp(r3.Vec{X: math.Pi / 2})},
	{"rotated 90° about y", rigid.Exp(r3.Vec{Y: math.Pi / 2})},
	{"rotated 90° about z", rigid.Exp(r3.Vec{Z: math.Pi / 2})},
	{"rotated 180° about z", rigid.Exp(r3.Vec{Z: math.Pi})},
	{"rotated 270° about z", rigid.Exp(r3.Vec{Z: 3 * math.Pi / 2})},
}

const maxStations = 2000

// Stations is a test plan.
type Stations struct {
	Text []byte // a CSV, with the columns of assess --truth, calibrate --intervals and solve --intervals
	Rows int
	Left int // positions that are left out
}

// Stations is the test plan of a bench: for each orientation, each sensor and each level a
// grid of positions centred in the working volume, walked forth and back. Positions at which
// a channel can clip are left out.
func (p *Plan) Stations(o BoardOptions) (*Stations, error) {
	columns, rows, count, err := p.grid(o)
	if err != nil {
		return nil, err
	}
	clips, err := p.clipping()
	if err != nil {
		return nil, err
	}
	var text bytes.Buffer
	written := writeStations(&text, p.Bench, o, int(columns), int(rows), clips)
	if written == 0 {
		return nil, fmt.Errorf("no station is left: channels can clip at all of %.0f positions: lower the gains as suggested, or the currents", count)
	}
	return &Stations{Text: text.Bytes(), Rows: written, Left: int(count) - written}, nil
}

// CheckStations is the error that Stations would have for too many stations.
func (p *Plan) CheckStations(o BoardOptions) error {
	_, _, _, err := p.grid(o)
	return err
}

// grid is how many positions a board has at each height and attitude of a sensor, and in all.
func (p *Plan) grid(o BoardOptions) (columns, rows, count float64, err error) {
	v := p.Bench.WorkingVolume
	columns, rows = holes(v.Max.X-v.Min.X, o.SpacingM), holes(v.Max.Y-v.Min.Y, o.SpacingM)
	count = float64(o.Levels) * float64(o.Orientations) * float64(len(p.Bench.Sensors)) * columns * rows
	if count > maxStations {
		err = fmt.Errorf("a spacing of %g m makes %.0f stations, more than %d: choose a wider one", o.SpacingM, count, maxStations)
	}
	return columns, rows, count, err
}

// holes is how many positions of a spacing fit into a length, both ends counted.
func holes(length, spacing float64) float64 { return math.Floor(length/spacing+1e-9) + 1 }

func writeStations(w *bytes.Buffer, r *rig.Rig, o BoardOptions, columns, rows int, clips func(sensor int, at r3.Vec) bool) (station int) {
	fmt.Fprintln(w, "# "+caution.Standing)
	fmt.Fprintln(w, "start_s,stop_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz,sigma_position_m,sigma_rotation_rad,station,orientation")
	v := r.WorkingVolume
	middle := r3.Scale(0.5, r3.Add(v.Min, v.Max))
	number := func(x float64) string { return strconv.FormatFloat(math.Round(x*1e9)/1e9+0, 'g', -1, 64) }
	for _, orientation := range orientations[:o.Orientations] {
		q := orientation.q
		for sensor, s := range r.Sensors {
			for i := range o.Levels * columns * rows {
				x, y, level := i%columns, i/columns%rows, i/columns/rows
				if y%2 == 1 {
					x = columns - 1 - x
				}
				z := middle.Z
				if o.Levels > 1 {
					z = v.Min.Z + (v.Max.Z-v.Min.Z)*float64(level)/float64(o.Levels-1)
				}
				at := r3.Vec{X: middle.X + o.SpacingM*(float64(x)-float64(columns-1)/2), Y: middle.Y + o.SpacingM*(float64(y)-float64(rows-1)/2), Z: z}
				if clips(sensor, at) {
					continue
				}
				start, stop := "", ""
				if o.PaceS > 0 {
					start, stop = number(float64(station)*o.PaceS), number(float64(station)*o.PaceS+o.HoldS)
				}
				station++
				fmt.Fprintf(w, "%s,%s,%s,%s,%s,%s,%.9g,%.9g,%.9g,%.9g,%g,%g,%d,%s\n", start, stop, tables.Cell(s.Name),
					number(at.X), number(at.Y), number(at.Z),
					q.Real, q.Imag, q.Jmag, q.Kmag, o.SigmaM, o.SigmaRad, station, orientation.name)
			}
		}
	}
	return station
}
