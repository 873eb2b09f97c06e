package report

import (
	"math"

	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/solver/calibration"
)

// CalibrationResiduals draws the couplings' residuals by station and emitter.
func CalibrationResiduals(sum *pipeline.CalibrationSummary, title, note string) *figure.Figure {
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
			v := math.NaN()
			if r != nil {
				v = *r
			}
			d.Station, d.Emitter, d.Value = append(d.Station, i+1), append(d.Emitter, k/st.Coils%len(d.Emitters)), append(d.Value, v)
		}
	}
	return figure.Residuals(d)
}

// CalibrationParameters draws what moved.
func CalibrationParameters(sum *pipeline.CalibrationSummary, title, note string) *figure.Figure {
	d := figure.ParameterData{Title: title, Note: note}
	for _, p := range sum.Parameters {
		d.Names, d.Units = append(d.Names, p.Name), append(d.Units, p.Unit)
		d.Before, d.After, d.Sigma = append(d.Before, p.Before), append(d.After, p.After), append(d.Sigma, p.Sigma)
	}
	return figure.Parameters(d)
}

// CalibrationCorrelations draws the correlation matrix of the parameters.
func CalibrationCorrelations(res *calibration.Result, title, note string) *figure.Figure {
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
