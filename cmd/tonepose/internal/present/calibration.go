package present

import (
	"io"
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
		p.line("left out: line %d, sensor %s: chi-square %.1f of %.1f", st.Line, st.Sensor, st.Chi2+st.ReferenceChi2, st.DOF)
	}
	t := tableOf(text("parameter"), text("unit"), number("before", ""), number("after", ""), number("sigma", ""), number("moved", "sigmas"))
	for _, v := range sum.Parameters {
		t.Row(v.Name, v.Unit, Number(v.Before, 6), Number(v.After, 6), Number(v.Sigma, 2), Number(v.Moved, 3))
	}
	p.table(t)
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
		p.line("held-out stations, %d folds: position %s RMS, orientation %s RMS, the reference's own error included",
			cv.Folds, Quantity(cv.PositionRMS, "m"), Quantity(cv.RotationRMS, "rad"))
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
		p.line("a further station as in line %d of the suggestions: worst parameter from %.3g (%s) to %.3g (%s) of its tolerance",
			g.Line, g.Before, g.BeforeParameter, g.After, g.AfterParameter)
	}
	p.flags(&sum.Flags, "couplings")
	p.line("wrote %s", sum.Out)
	return p.err
}

// mostOutliers bounds the list of stations that do not fit.
const mostOutliers = 10

func (p *page) stations(sum *calibrate.Summary) {
	outliers := 0
	for _, st := range sum.Stations {
		if st.Outlier {
			if outliers++; outliers <= mostOutliers {
				p.line("outlier: line %d, sensor %s: chi-square %.1f of %.1f", st.Line, st.Sensor, st.Chi2+st.ReferenceChi2, st.DOF)
			}
		}
	}
	if outliers > mostOutliers {
		p.line("outliers: %d of %d stations: it is rather the bench that does not fit; free more, or look for metal and for wrong channels", outliers, len(sum.Stations))
	}
	for _, st := range sum.Stations {
		if st.Leading {
			p.line("leverage: line %d, sensor %s: this station determines %.2f of %d parameters", st.Line, st.Sensor, st.Leverage, len(sum.Parameters))
		}
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
