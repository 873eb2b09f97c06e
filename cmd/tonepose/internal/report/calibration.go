package report

import (
	"fmt"

	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/solver/calibration"
)

// SaveCalibration adds the figures of a calibration to files, their names after prefix.
func SaveCalibration(to *files.Batch, prefix string, r *calibrate.Result, formats []string) error {
	sum, name := r.Summary, r.Rig.Name
	note := fmt.Sprintf("%s, chi-square %.1f of %d", sum.Recording, sum.Chi2, sum.DOF)
	return Save(to, prefix, map[string]*figure.Figure{
		"residuals":    CalibrationResiduals(sum, name+": residuals of the calibration", note),
		"parameters":   CalibrationParameters(sum, name+": what the calibration changed", note),
		"correlations": calibrationCorrelations(r.Adjustment, name+": correlations of the parameters", note),
	}, formats)
}

// CalibrationResiduals draws the couplings' residuals by station and emitter.
func CalibrationResiduals(sum *calibrate.Summary, title, note string) *figure.Figure {
	d := figure.ResidualData{Title: title, Note: note}
	for _, e := range sum.Emitters {
		d.Emitters = append(d.Emitters, e.Name)
	}
	for i, st := range sum.Stations {
		if st.Outlier {
			d.Outliers = append(d.Outliers, i+1)
		}
		// With phases free, the imaginary parts follow all real ones.
		for k, r := range st.Residuals {
			d.Station, d.Emitter, d.Value = append(d.Station, i+1), append(d.Emitter, k/st.Coils%len(d.Emitters)), append(d.Value, r)
		}
	}
	return figure.Residuals(d)
}

// CalibrationParameters draws what moved.
func CalibrationParameters(sum *calibrate.Summary, title, note string) *figure.Figure {
	d := figure.ParameterData{Title: title, Note: note}
	for _, p := range sum.Parameters {
		d.Names, d.Units = append(d.Names, p.Name), append(d.Units, p.Unit)
		d.Before, d.After, d.Sigma = append(d.Before, p.Before), append(d.After, p.After), append(d.Sigma, p.Sigma)
		d.Tolerance = append(d.Tolerance, p.Tolerance)
	}
	return figure.Parameters(d)
}

// calibrationCorrelations draws the correlation matrix of the parameters.
func calibrationCorrelations(res *calibration.Result, title, note string) *figure.Figure {
	d := figure.CorrelationData{Title: title, Note: note}
	c := res.Correlation()
	for i, p := range res.Parameters {
		d.Names = append(d.Names, p.Name)
		for k := range res.Parameters {
			d.Value = append(d.Value, c.At(i, k))
		}
	}
	return figure.Correlations(d)
}
