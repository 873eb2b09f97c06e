package present

import (
	"fmt"
	"io"
	"math"

	"tonepose/cmd/tonepose/internal/pair"
)

// Pair prints the measurement of a signal against a reference.
func Pair(w io.Writer, p *pair.Output, signal, reference string) error {
	amplitude := func(v, sigma float64) string { return Estimate(v, sigma, "V") }
	if !p.Info.Volts {
		amplitude = func(v, sigma float64) string { return "(" + PlusMinus(v, sigma) + ") of full scale" }
	}
	fmt.Fprintf(w, "%s against %s over %.4g s\n", signal, reference, p.DurationS)
	fmt.Fprintf(w, "frequency  (%s) Hz\n", PlusMinus(p.FrequencyHz, p.SigmaFrequencyHz))
	if len(p.Harmonics) == 0 {
		fmt.Fprintf(w, "amplitude  %s rms, %s peak\n", amplitude(p.AmplitudeRMSV, p.SigmaAmplitudeRMSV), amplitude(p.AmplitudePeakV, math.Sqrt2*p.SigmaAmplitudeRMSV))
		fmt.Fprintf(w, "phase      (%s)°\n", PlusMinus(p.PhaseDeg, p.SigmaPhaseDeg))
	}
	for _, h := range p.Harmonics {
		fmt.Fprintf(w, "harmonic %-2d %s rms, (%s)°\n", h.Number, amplitude(h.AmplitudeRMSV, h.SigmaAmplitudeRMSV), PlusMinus(h.PhaseDeg, h.SigmaPhaseDeg))
	}
	_, err := fmt.Fprintf(w, "equivalent noise bandwidth %.4g Hz\n", p.ENBWHz)
	if p.Series == nil {
		return err
	}
	fmt.Fprintf(w, "time series: %d rows in %s\n", p.Rows, p.Out)
	return Averaging(w, p.Series.Averaging)
}
