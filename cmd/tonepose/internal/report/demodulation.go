package report

import (
	"fmt"

	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/tables"
)

// Demodulation gathers a time series for its figure, in bounded memory: of a
// long one, every second, fourth, … row.
type Demodulation struct {
	every int
	count int // rows seen
	data  figure.DemodulationData
}

// drawnRows is how many rows are kept at most: some hundred a printed dot.
const drawnRows = 1 << 17

// NewDemodulation returns an empty series, in volts or in full scale.
func NewDemodulation(volts bool) *Demodulation {
	d := &Demodulation{every: 1, data: figure.DemodulationData{Unit: "V"}}
	if !volts {
		d.data.Quantity, d.data.Unit = "amplitude, peak, of full scale", ""
	}
	return d
}

// Add takes the rows of one window, one a harmonic, always the same harmonics.
func (d *Demodulation) Add(rows ...tables.Demodulated) {
	if d.data.Tones == nil {
		for _, r := range rows {
			name := r.Signal
			if r.Harmonic > 1 || len(rows) > 1 {
				name = fmt.Sprintf("%s, harmonic %d", r.Signal, r.Harmonic)
			}
			d.data.Tones = append(d.data.Tones, figure.ToneSeries{Name: name})
		}
	}
	d.count++
	if (d.count-1)%d.every != 0 {
		return
	}
	d.data.Time = append(d.data.Time, rows[0].Time)
	for i, r := range rows {
		t := &d.data.Tones[i]
		t.Amplitude, t.Phase = append(t.Amplitude, r.Amplitude), append(t.Phase, r.Unwrapped)
		t.Sigma, t.SigmaPhase = append(t.Sigma, r.Sigma), append(t.SigmaPhase, r.SigmaPhase)
	}
	if len(d.data.Time) > drawnRows {
		d.every *= 2
		d.data.Time = halved(d.data.Time)
		for i := range d.data.Tones {
			t := &d.data.Tones[i]
			t.Amplitude, t.Phase = halved(t.Amplitude), halved(t.Phase)
			t.Sigma, t.SigmaPhase = halved(t.Sigma), halved(t.SigmaPhase)
		}
	}
}

func halved(x []float64) []float64 {
	n := 0
	for i := 0; i < len(x); i += 2 {
		x[n] = x[i]
		n++
	}
	return x[:n]
}

// Figure draws what was gathered.
func (d *Demodulation) Figure(title, note string) *figure.Figure {
	data := d.data
	data.Title, data.Note = title, note
	return figure.Demodulation(data)
}
