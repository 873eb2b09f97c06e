package present

import (
	"io"
	"math"

	"tonepose/cmd/tonepose/internal/pair"
)

// PairObject is the measurement of a signal against a reference in the form of its
// JSON.
type PairObject struct {
	*pair.Output
	Flags []Flagged `json:"flags"` // of the rows
}

// PairOf gives a measurement its form.
func PairOf(m *pair.Output) PairObject { return PairObject{m, FlagsOf(&m.Flags)} }

// Pair prints the measurement of a signal against a reference.
func Pair(w io.Writer, m *pair.Output, signal, reference string) error {
	p := newPage(w)
	amplitude := func(v, sigma float64) string { return Estimate(v, sigma, "V") }
	if !m.Info.Volts {
		amplitude = func(v, sigma float64) string { return "(" + PlusMinus(v, sigma) + ") of full scale" }
	}
	p.line("%s against %s over %.4g s", signal, reference, m.DurationS)
	p.line("frequency  (%s) Hz", PlusMinus(m.FrequencyHz, m.SigmaFrequencyHz))
	if len(m.Harmonics) == 0 {
		p.line("amplitude  %s rms, %s peak", amplitude(m.AmplitudeRMSV, m.SigmaAmplitudeRMSV), amplitude(m.AmplitudePeakV, math.Sqrt2*m.SigmaAmplitudeRMSV))
		p.line("phase      (%s)°", PlusMinus(m.PhaseDeg, m.SigmaPhaseDeg))
	}
	for _, h := range m.Harmonics {
		p.line("harmonic %-2d %s rms, (%s)°", h.Number, amplitude(h.AmplitudeRMSV, h.SigmaAmplitudeRMSV), PlusMinus(h.PhaseDeg, h.SigmaPhaseDeg))
	}
	switch {
	case m.Changes && m.Series != nil:
		p.line("the signal changes during the recording, as the time series shows: sigmas say how far it is from its mean")
	case m.Changes:
		p.line("the signal changes during the recording: use --window; sigmas say how far it is from its mean")
	}
	p.line("equivalent noise bandwidth %.4g Hz", m.ENBWHz)
	if m.Series != nil {
		p.line("time series: %d rows in %s", m.Rows, m.Out)
		p.averaging(m.Series.Averaging)
	}
	p.flags(&m.Flags, "rows")
	return p.err
}
