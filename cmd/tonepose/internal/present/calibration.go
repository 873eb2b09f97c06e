package present

import (
	"fmt"
	"io"
	"strings"

	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/cmd/tonepose/internal/terminal"
	"tonepose/fieldmodels/correction"
	"tonepose/fieldmodels/rigid"
)

// Calibration prints what a calibration found.
func Calibration(w io.Writer, sum *calibrate.Summary) error {
	fmt.Fprintf(w, "%s: %d stations, chi-square %.1f of %d (%.3f), %d iterations\n", sum.Recording, len(sum.Stations), sum.Chi2, sum.DOF, sum.Chi2/float64(max(1, sum.DOF)), sum.Iterations)
	t := terminal.NewTable(terminal.Column{Name: "parameter", Left: true}, terminal.Column{Name: "unit", Left: true}, terminal.Column{Name: "before"},
		terminal.Column{Name: "after"}, terminal.Column{Name: "sigma"}, terminal.Column{Name: "moved", Unit: "sigmas"})
	for _, p := range sum.Parameters {
		t.Row(p.Name, p.Unit, Number(p.Before, 6), Number(p.After, 6), Number(p.Sigma, 2), Number(p.Moved, 3))
	}
	err := t.Write(w, terminal.PaintFor(w))
	for _, g := range sum.Gauges {
		fmt.Fprintf(w, "not observable: %s; held by %s\n", g.Words, g.HeldBy)
	}
	for _, e := range sum.Emitters {
		fmt.Fprintf(w, "%s: chi-square %.1f of %d couplings\n", e.Name, e.Chi2, e.Count)
	}
	stations(w, sum)
	if strings.Contains(sum.Free, "frame") {
		fmt.Fprintf(w, "reference device in the rig frame: %s\n", poseWords(sum.Frame))
	}
	if strings.Contains(sum.Free, "marker") {
		for _, m := range sum.Markers {
			fmt.Fprintf(w, "sensor %s in its marker's frame: %s\n", m.Sensor, poseWords(m.Pose))
		}
	}
	if cv := sum.Validation; cv != nil {
		fmt.Fprintf(w, "held-out stations, %d folds: position %s RMS, orientation %s RMS, the reference's own error included\n",
			cv.Folds, Quantity(cv.PositionRMS, "m"), Quantity(cv.RotationRMS, "rad"))
	}
	if m := sum.Metal; m != nil {
		fmt.Fprintf(w, "map of static metal, degree %d: squared residual of couplings left out %.4g before, %.4g after, in sigmas\n", m.Degree, m.Before, m.After)
		if m.Degree == correction.MaxDegree {
			fmt.Fprintf(w, "no map is finer: metal as near as this may add detail that it lacks, and poses nearest to the metal can be less sure than stated\n")
		}
		if v := m.Validation; v != nil {
			fmt.Fprintf(w, "held-out stations: position %s RMS without the map, %s with it, %.1f %% inside the stated 95 %% ellipsoids\n", Quantity(v.Without, "m"), Quantity(v.With, "m"), 100*v.Coverage)
		}
	}
	if g := sum.Suggestion; g != nil {
		fmt.Fprintf(w, "a further station as in line %d of the suggestions: worst parameter from %.3g (%s) to %.3g (%s) of its tolerance\n",
			g.Line, g.Before, g.BeforeParameter, g.After, g.AfterParameter)
	}
	fmt.Fprintf(w, "wrote %s\n", sum.Out)
	return err
}

// mostOutliers bounds the list of stations that do not fit.
const mostOutliers = 10

func stations(w io.Writer, sum *calibrate.Summary) {
	outliers := 0
	for _, st := range sum.Stations {
		if st.Outlier {
			if outliers++; outliers <= mostOutliers {
				fmt.Fprintf(w, "outlier: line %d, sensor %s: chi-square %.1f of %.1f\n", st.Line, st.Sensor, st.Chi2+st.ReferenceChi2, st.DOF)
			}
		}
	}
	if outliers > mostOutliers {
		fmt.Fprintf(w, "outliers: %d of %d stations: it is rather the bench that does not fit; free more, or look for metal and for wrong channels\n", outliers, len(sum.Stations))
	}
	for _, st := range sum.Stations {
		if st.Leading {
			fmt.Fprintf(w, "leverage: line %d, sensor %s: this station determines %.2f of %d parameters\n", st.Line, st.Sensor, st.Leverage, len(sum.Parameters))
		}
	}
}

func poseWords(p rigid.Pose) string {
	at, q := p.Position, p.Rotation
	return fmt.Sprintf("x %.6f, y %.6f, z %.6f m, quaternion %.6f %.6f %.6f %.6f", at.X, at.Y, at.Z, q.Real, q.Imag, q.Jmag, q.Kmag)
}

// Channels prints what a common signal told of the channels.
func Channels(w io.Writer, r *calibrate.ChannelResult) error {
	t := terminal.NewTable(terminal.Column{Name: "channel", Left: true}, terminal.Column{Name: "gain"}, terminal.Column{Name: "sigma"},
		terminal.Column{Name: "delay", Unit: "ns"}, terminal.Column{Name: "sigma", Unit: "ns"})
	for _, m := range r.Channels {
		if !m.Silent {
			t.Row(m.Name, Number(m.Gain, 6), Number(m.SigmaGain, 2), Number(m.DelayS*1e9, 4), Number(m.SigmaDelay*1e9, 2))
		}
	}
	if err := t.Write(w, terminal.PaintFor(w)); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "gains are factors on the nominal ones, delays beyond them, against %s; wrote %s\n", r.Reference, r.Out)
	return err
}
