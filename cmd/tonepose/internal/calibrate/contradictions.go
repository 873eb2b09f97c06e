package calibrate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/solver"
	"tonepose/solver/calibration"
)

// Input is a kind of what the calibration was told, and how it agrees with the rest.
type Input struct {
	Name      string  `json:"input"`
	Residuals int     `json:"residuals"`
	Chi2      float64 `json:"chi2"`     // of these, with sigmas as counted
	Expected  float64 `json:"expected"` // of it
	Factor    float64 `json:"factor"`   // of the stated sigmas, as counted; 1: nothing contradicts them
}

// farVolumes is how far a reference may be from the working volume, in diagonals of
// it. Beyond, no coupling is above the noise, and no fit finds the way back.
const farVolumes = 10

// reasonable refuses reference poses that can't be of this bench: most are far from the
// working volume or, with the frame of the device free, from the first of them.
func (o *Options) reasonable(rows []tables.Station, v solver.Volume) error {
	if o.Self || len(rows) == 0 {
		return nil
	}
	diagonal, middle := r3.Norm(r3.Sub(v.Max, v.Min)), r3.Scale(0.5, r3.Add(v.Min, v.Max))
	of := "the working volume"
	if o.Adjust.Free&calibration.Frame != 0 {
		of, middle = "the first station", rows[0].Pose.Position
	}
	distance := func(p r3.Vec) float64 { return r3.Norm(r3.Sub(p, middle)) }
	var far []*tables.Station
	millimetres := 0
	for i := range rows {
		p := rows[i].Pose.Position
		if distance(p) > farVolumes*diagonal {
			far = append(far, &rows[i])
		}
		if distance(r3.Add(middle, r3.Scale(1e-3, r3.Sub(p, middle)))) < diagonal {
			millimetres++
		}
	}
	if 2*len(far) <= len(rows) {
		return nil
	}
	mend := "are these poses of this bench, in the frame of its rig?"
	if millimetres == len(rows) {
		mend = "they look like millimetres, and are to be metres: 120 mm is 0.12"
	}
	row, p := far[0], far[0].Pose.Position
	return fmt.Errorf("%s:%d: x_m, y_m, z_m = %g, %g, %g: is %.3g m from %s, more than ten times the %.3g m across the working volume, as are %d of %d stations: %s",
		row.File, row.Line, p.X, p.Y, p.Z, distance(p), of, diagonal, len(far), len(rows), mend)
}

// keep leaves the stations that the calibration kept.
func (s *Stations) keep(r *calibration.Reconciled) {
	var rows []tables.Station
	for _, k := range r.Kept {
		rows = append(rows, s.Rows[k])
	}
	s.Problem, s.Rows = *r.Problem, rows
}

// contradictions tells in words what of the inputs contradicts what, and what to do.
func contradictions(all []tables.Station, r *calibration.Reconciled) (words []string) {
	for _, o := range r.Omitted {
		row := &all[o.Station]
		words = append(words, fmt.Sprintf("station %s, sensor %s contradicts the other stations (chi-square %.4g of %.3g): %s: left out, %d stations are left",
			row.Name(), row.Sensor, o.ChiSquare+o.ReferenceChiSquare, o.DOF, apart(&o.StationReport), len(r.Kept)))
	}
	for _, c := range r.Components {
		if c.Factor == 1 {
			continue
		}
		switch c.Input {
		case calibration.Tolerance:
			words = append(words, fmt.Sprintf("%s: counted as %.3g times larger: state in the rig what the bench really keeps to, or look whether the rig file is that of this bench",
				strayed(r, &c), c.Factor))
		case calibration.CouplingNoise:
			words = append(words, fmt.Sprintf("couplings miss by %.3g times their noise at most stations: counted as that much noisier: look for metal nearby and for sensors that moved, or free what else can differ (--free)", c.Factor))
		default:
			words = append(words, references(all, r, &c))
		}
	}
	if t := r.Thin; t != nil {
		words = append(words, fmt.Sprintf("%d stations determine %.0f of %d parameters, the rest are known by their tolerances, and %.0f %% of what they say is left to contradict them: take more stations, at other places and in other orientations (--suggest tells which adds most)",
			len(r.Kept), t.Determined, t.Parameters, 100*t.Checked))
	}
	return words
}

// apart tells what at a station does not agree.
func apart(o *calibration.StationReport) string {
	position, rotation := &o.Parts[calibration.ReferencePosition], &o.Parts[calibration.ReferenceRotation]
	off := fmt.Sprintf("its reference and its couplings are %.3g mm and %.3g° apart", 1e3*r3.Norm(o.OffPosition), r3.Norm(o.OffRotation)*180/math.Pi)
	if position.ChiSquare+rotation.ChiSquare > o.ChiSquare {
		return off + ": look at its pose and its times"
	}
	return off + ", and its couplings fit no pose: look for metal, and whether the sensor rested"
}

// strayed names the parameters that moved most against their tolerances.
func strayed(r *calibration.Reconciled, c *calibration.Component) string {
	type move struct {
		name string
		k    float64
	}
	var moves []move
	square := 0.0
	for _, p := range r.Parameters {
		if p.Group == c.Group && p.Tolerance > 0 {
			k := (p.After - p.Before) / (p.Tolerance / c.Factor)
			moves = append(moves, move{p.Name, k})
			square += k * k
		}
	}
	slices.SortFunc(moves, func(a, b move) int { return cmp.Compare(math.Abs(b.k), math.Abs(a.k)) })
	var worst []string
	for _, m := range moves[:min(3, len(moves))] {
		worst = append(worst, fmt.Sprintf("%s moved %.3g", m.name, m.k))
	}
	return fmt.Sprintf("the couplings contradict the tolerances of %s: %s of its tolerances, all %d of them %.3g RMS",
		c.Group, strings.Join(worst, ", "), len(moves), math.Sqrt(square/float64(len(moves))))
}

// references tells of sigmas of reference poses.
func references(all []tables.Station, r *calibration.Reconciled, c *calibration.Component) string {
	what, column, unit := "positions", "sigma_position_m", "m"
	sigma := func(row *tables.Station) float64 { return row.SigmaPosition }
	if c.Input == calibration.ReferenceRotation {
		what, column, unit = "rotations", "sigma_rotation_rad", "rad"
		sigma = func(row *tables.Station) float64 { return row.SigmaRotation }
	}
	var stated []float64
	for _, k := range r.Kept {
		stated = append(stated, sigma(&all[k]))
	}
	slices.Sort(stated)
	found := fmt.Sprintf("state %s of about %.2g %s", column, c.Factor*stated[len(stated)/2], unit)
	if c.Factor > 1 {
		return fmt.Sprintf("reference %s miss by %.3g times their sigmas: counted as that much less sure: %s, or look at the reference device", what, c.Factor, found)
	}
	return fmt.Sprintf("reference %s agree to %.2g of their sigmas: counted as that much surer: %s; an error that all references share can not be seen and would have to be added", what, c.Factor, found)
}

// inputs are the components in the form of the summary.
func inputs(components []calibration.Component) (out []Input) {
	for _, c := range components {
		name := [...]string{"couplings", "reference positions", "reference rotations", "tolerances of "}[c.Input]
		if c.Input == calibration.Tolerance {
			name += c.Group.String()
		}
		out = append(out, Input{Name: name, Chi2: c.ChiSquare, Expected: c.Redundancy, Factor: c.Factor, Residuals: c.Count})
	}
	return out
}
