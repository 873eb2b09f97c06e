package cli

import (
	"encoding/json"
	"fmt"
	"strings"

	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/terminal"
	"tonepose/fieldmodels/correction"
	"tonepose/solver/calibration"
)

func saveCalibrationFigures(dir, rig string, sum *pipeline.CalibrationSummary, res *calibration.Result) error {
	to, err := files.Into(dir, true)
	if err != nil {
		return err
	}
	defer to.Abort()
	note := fmt.Sprintf("%s, chi-square %.1f of %d", sum.Recording, sum.Chi2, sum.DOF)
	for name, f := range map[string]*figure.Figure{
		"calibration-residuals.png":    report.CalibrationResiduals(sum, rig+": residuals of the calibration", note),
		"calibration-parameters.png":   report.CalibrationParameters(sum, rig+": what the calibration moved", note),
		"calibration-correlations.png": report.CalibrationCorrelations(res, rig+": correlations of the parameters", note),
	} {
		if err := f.Save(to, name); err != nil {
			return err
		}
	}
	return to.Commit()
}

func printCalibration(s Streams, sum *pipeline.CalibrationSummary, asJSON, quiet bool) error {
	if asJSON {
		return json.NewEncoder(s.Out).Encode(sum)
	}
	if quiet {
		return nil
	}
	fmt.Fprintf(s.Out, "%s: %d stations, chi-square %.1f of %d (%.3f), %d iterations\n", sum.Recording, len(sum.Stations), sum.Chi2, sum.DOF, sum.Chi2/float64(max(1, sum.DOF)), sum.Iterations)
	t := terminal.NewTable(terminal.Column{Name: "parameter", Left: true}, terminal.Column{Name: "unit", Left: true}, terminal.Column{Name: "before"},
		terminal.Column{Name: "after"}, terminal.Column{Name: "sigma"}, terminal.Column{Name: "moved", Unit: "sigmas"})
	for _, p := range sum.Parameters {
		t.Row(p.Name, p.Unit, present.Number(p.Before, 6), present.Number(p.After, 6), present.Number(p.Sigma, 2), present.Number(moved(p.Moved), 3))
	}
	err := t.Write(s.Out, terminal.PaintFor(s.Out))
	for _, g := range sum.Gauges {
		fmt.Fprintf(s.Out, "not observable: %s; held by %s\n", g.Words, g.HeldBy)
	}
	for _, e := range sum.Emitters {
		fmt.Fprintf(s.Out, "%s: chi-square %.1f of %d couplings\n", e.Name, e.Chi2, e.Count)
	}
	printStations(s, sum)
	if strings.Contains(sum.Free, "frame") {
		fmt.Fprintf(s.Out, "reference device in the rig frame: %s\n", poseWords(sum.Frame))
	}
	if strings.Contains(sum.Free, "marker") {
		for _, m := range sum.Markers {
			fmt.Fprintf(s.Out, "sensor %s in its marker's frame: %s\n", m.Sensor, poseWords(m))
		}
	}
	if cv := sum.Validation; cv != nil {
		fmt.Fprintf(s.Out, "held-out stations, %d folds: position %s RMS, orientation %s RMS, the reference's own error included\n",
			cv.Folds, present.Quantity(cv.PositionRMS, "m"), present.Quantity(cv.RotationRMS, "rad"))
	}
	if m := sum.Metal; m != nil {
		fmt.Fprintf(s.Out, "map of static metal, degree %d: squared residual of couplings left out %.4g before, %.4g after, in sigmas\n", m.Degree, m.Before, m.After)
		if m.Degree == correction.MaxDegree {
			fmt.Fprintf(s.Out, "no map is finer: metal as near as this may add detail that it lacks, and poses nearest to the metal can be less sure than stated\n")
		}
		if v := m.Validation; v != nil {
			fmt.Fprintf(s.Out, "held-out stations: position %s RMS without the map, %s with it, %.1f %% inside the stated 95 %% ellipsoids\n", present.Quantity(v.Without, "m"), present.Quantity(v.With, "m"), 100*v.Coverage)
		}
	}
	if g := sum.Suggestion; g != nil {
		fmt.Fprintf(s.Out, "a further station as in line %d of the suggestions: worst parameter from %.3g (%s) to %.3g (%s) of its tolerance\n",
			g.Line, g.Before, g.BeforeParameter, g.After, g.AfterParameter)
	}
	fmt.Fprintf(s.Out, "wrote %s\n", sum.Out)
	return err
}

// mostOutliers bounds the list of stations that do not fit.
const mostOutliers = 10

func printStations(s Streams, sum *pipeline.CalibrationSummary) {
	outliers := 0
	for _, st := range sum.Stations {
		if st.Outlier {
			if outliers++; outliers <= mostOutliers {
				fmt.Fprintf(s.Out, "outlier: line %d, sensor %s: chi-square %.1f of %.1f\n", st.Line, st.Sensor, st.Chi2+st.ReferenceChi2, st.DOF)
			}
		}
	}
	if outliers > mostOutliers {
		fmt.Fprintf(s.Out, "outliers: %d of %d stations: it is rather the bench that does not fit; free more, or look for metal and for wrong channels\n", outliers, len(sum.Stations))
	}
	for _, st := range sum.Stations {
		if st.Leading {
			fmt.Fprintf(s.Out, "leverage: line %d, sensor %s: this station determines %.2f of %d parameters\n", st.Line, st.Sensor, st.Leverage, len(sum.Parameters))
		}
	}
}

func poseWords(p pipeline.PoseSummary) string {
	return fmt.Sprintf("x %.6f, y %.6f, z %.6f m, quaternion %.6f %.6f %.6f %.6f",
		p.PositionM[0], p.PositionM[1], p.PositionM[2], p.Quaternion[0], p.Quaternion[1], p.Quaternion[2], p.Quaternion[3])
}
