package present

import (
	"fmt"
	"io"
	"math"
	"strings"

	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/fieldmodels/correction"
)

// CalibrationObject is a calibration in the form of its JSON.
type CalibrationObject struct {
	*calibrate.Summary
	Flags []Flagged `json:"flags"` // of the couplings
}

// CalibrationOf gives a calibration its form.
func CalibrationOf(sum *calibrate.Summary) CalibrationObject {
	return CalibrationObject{sum, FlagsOf(&sum.Flags)}
}

// Calibration prints what a calibration found.
func Calibration(w io.Writer, sum *calibrate.Summary) error {
	p := newPage(w)
	p.line("%s: %d stations, chi-square %.1f of %d (%.3f), %d iterations", sum.Recording, len(sum.Stations), sum.Chi2, sum.DOF, sum.Chi2/float64(max(1, sum.DOF)), sum.Iterations)
	if st := sum.Stated; st != nil && len(sum.Contradictions) > 0 {
		p.line("as stated, all stations counted: chi-square %.1f of %d (%.3f)", st.Chi2, st.DOF, st.Chi2/float64(max(1, st.DOF)))
	}
	for _, in := range sum.Inputs {
		if in.Factor != 1 {
			p.line("%s: sigmas counted as %.3g times those stated", in.Name, in.Factor)
		}
	}
	for _, st := range sum.LeftOut {
		p.line("left out: station %s, sensor %s: chi-square %.1f of %.1f", st.Name, st.Sensor, st.Chi2+st.ReferenceChi2, st.DOF)
	}
	p.moves(sum.Parameters)
	for _, g := range sum.Gauges {
		p.line("not observable: %s; held by %s", g.Words, g.HeldBy)
	}
	for _, e := range sum.Emitters {
		p.line("%s: chi-square %.1f of %d couplings", e.Name, e.Chi2, e.Count)
	}
	p.stations(sum)
	if strings.Contains(sum.Free, "frame") {
		p.line("reference device in the rig frame: %v", PoseOf(sum.Frame))
	}
	if strings.Contains(sum.Free, "marker") {
		for _, m := range sum.Markers {
			p.line("sensor %s in its marker's frame: %v", m.Sensor, PoseOf(m.Pose))
		}
	}
	if cv := sum.Validation; cv != nil {
		p.line("held-out stations, %d folds, the reference's own error included: position %s RMS with the bench as drawn, %s as found; orientation %s, %s",
			cv.Folds, Quantity(cv.PositionDrawn, "m"), Quantity(cv.PositionRMS, "m"), Quantity(cv.RotationDrawn, "rad"), Quantity(cv.RotationRMS, "rad"))
	}
	if m := sum.Metal; m != nil {
		p.line("map of static metal, degree %d: squared residual of couplings left out %.4g before, %.4g after, in sigmas", m.Degree, m.Before, m.After)
		if m.Degree == correction.MaxDegree {
			p.line("no map is finer: metal as near as this may add detail that it lacks, and poses nearest to the metal can be less sure than stated")
		}
		if v := m.Validation; v != nil {
			p.line("held-out stations: position %s RMS without the map, %s with it, %.1f %% inside the stated 95 %% ellipsoids", Quantity(v.Without, "m"), Quantity(v.With, "m"), 100*v.Coverage)
		}
	}
	if g := sum.Suggestion; g != nil {
		p.line("a further station as %s of the suggestions: worst parameter from %.3g (%s) to %.3g (%s) of its tolerance",
			g.Name, g.Before, g.BeforeParameter, g.After, g.AfterParameter)
	}
	p.flags(&sum.Flags, "couplings")
	p.line("wrote %s", sum.Out)
	p.line("next, on stations that had no part in this: tonepose solve RECORDING --rig %s --intervals STATIONS.csv --out solved && tonepose assess solved --truth STATIONS.csv", sum.Out)
	return p.err
}

// beyond is how many of its stated tolerances a parameter may move before the drawing is in doubt.
const beyond = 3

// moves prints how far each parameter moved from the drawing, in the units of a drawing, beside
// the tolerance that the rig states.
func (p *page) moves(parameters []calibrate.Parameter) {
	t := tableOf(text("parameter"), number("moved", ""), number("sigma", ""), text("unit"), number("tolerance", ""), number("moved", "tolerances"))
	stated := false
	var far []string
	for _, v := range parameters {
		unit, name := drawingUnit(v.Unit)
		moved, tolerance, times := v.After-v.Before, "–", "–"
		if v.Stated > 0 {
			stated = true
			tolerance, times = Number(v.Stated/unit, 2), Number(math.Abs(moved)/v.Stated, 2)
			if math.Abs(moved) > beyond*v.Stated {
				far = append(far, fmt.Sprintf("%s by %s %s (%s tolerances)", v.Name, Number(moved/unit, 3), name, times))
			}
		}
		t.Row(v.Name, Number(moved/unit, 3), Number(v.Sigma/unit, 2), name, tolerance, times)
	}
	p.table(t)
	if !stated {
		p.line("the rig states no tolerance of these: write tolerance: {center_m, axis_rad, strength} beside each emitter, and moves are compared with it (help rig)")
	}
	if len(far) > 0 {
		p.line("moved by more than %d tolerances: %s: look for a mistake in the drawing, or a unit", beyond, strings.Join(far[:min(4, len(far))], "; "))
		if more := len(far) - 4; more > 0 {
			p.line("and %d more", more)
		}
	}
}

// drawingUnit is how a workshop reads a unit: millimetres, milliradians, per cent.
func drawingUnit(unit string) (float64, string) {
	switch unit {
	case "m":
		return 1e-3, "mm"
	case "rad":
		return 1e-3, "mrad"
	case "s":
		return 1e-9, "ns"
	case "":
		return 1e-2, "%"
	}
	return 1, unit
}

// mostOutliers bounds the list of stations that do not fit.
const mostOutliers = 10

func (p *page) stations(sum *calibrate.Summary) {
	outliers := 0
	for _, st := range sum.Stations {
		if st.Outlier {
			if outliers++; outliers <= mostOutliers {
				p.line("outlier: station %s, sensor %s: chi-square %.1f of %.1f", st.Name, st.Sensor, st.Chi2+st.ReferenceChi2, st.DOF)
			}
		}
	}
	if outliers > mostOutliers {
		p.line("outliers: %d of %d stations: it is rather the bench that does not fit; free more, or look for metal and for wrong channels", outliers, len(sum.Stations))
	}
	var leading []string
	for _, st := range sum.Stations {
		if st.Leading {
			leading = append(leading, fmt.Sprintf("%s (%.1f)", st.Name, st.Leverage))
		}
	}
	if leading != nil {
		p.line("leverage: each of these stations alone determines more than three times its share of the %d parameters (how many): %s", len(sum.Parameters), strings.Join(leading, ", "))
		p.line("an error of its reference goes into the bench unseen: measure it twice, and take the next stations near it, in other orientations")
	}
}

// Channels prints the differences of channels found from a common signal.
func Channels(w io.Writer, r *calibrate.ChannelResult) error {
	t := tableOf(text("channel"), number("gain", ""), number("sigma", ""), number("delay", "ns"), number("sigma", "ns"))
	for _, m := range r.Channels {
		if !m.Silent {
			t.Row(m.Name, Number(m.Gain, 6), Number(m.SigmaGain, 2), Number(m.DelayS*1e9, 4), Number(m.SigmaDelay*1e9, 2))
		}
	}
	p := newPage(w)
	p.table(t)
	p.line("gains are factors on the nominal ones, delays beyond them, against %s; wrote %s", r.Reference, r.Out)
	return p.err
}
