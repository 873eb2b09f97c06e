package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"

	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/terminal"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

// pairOutput is what demod prints of a signal and a reference: the result over
// the whole recording, and how the rows of a time series came about.
type pairOutput struct {
	*pipeline.Pair
	Rows      int                 `json:"rows,omitempty"`
	Out       string              `json:"out,omitempty"`
	Averaging *pipeline.Averaging `json:"averaging,omitempty"`
	Faults    []string            `json:"faults,omitempty"`
}

func runDemodPair(ctx context.Context, name string, o *demodOptions, windows pipeline.Windows, mode clock.Mode, meta tables.Metadata, s Streams) error {
	for _, h := range o.harmonics {
		if h < 1 || h > 64 {
			return fmt.Errorf("--harmonics %d: must lie in 1 to 64", h)
		}
	}
	if o.near < 0 || math.IsNaN(o.near) || math.IsInf(o.near, 0) {
		return fmt.Errorf("--near %g: must be positive", o.near)
	}
	rec, err := recording.Open(ctx, name, o.recording.options(s))
	if err != nil {
		return err
	}
	defer rec.Close()
	info := rec.Info()
	warnAll(s, info.Warnings)
	show, clear := progress(s, o.quiet || o.json)
	defer clear()
	bench, err := pipeline.PairBench(ctx, rec, pipeline.PairOptions{Signal: o.signal, Reference: o.reference, Harmonics: o.harmonics, NearHz: o.near})
	if err != nil {
		return err
	}
	out := pairOutput{Out: o.out}
	var faults []string
	if o.framing.series() {
		sum, err := pairSeries(ctx, rec, bench, o, windows, mode, meta, show)
		clear()
		if err != nil {
			return err
		}
		out.Rows, out.Averaging, faults = sum.Frames, sum.Averaging, sum.Faults()
	}
	var sum *pipeline.Summary
	out.Pair, sum, err = bench.MeasurePair(ctx, rec, show)
	clear()
	if err != nil {
		return err
	}
	if faults == nil {
		faults = sum.Faults()
	}
	reportFaults(s, faults)
	out.Faults = faults
	if o.out != "" && !o.framing.series() {
		if err := pairRow(bench, out.Pair, info, o, meta, sum.Survey.SHA256); err != nil {
			return err
		}
		out.Rows = 1
	}
	if o.json {
		return json.NewEncoder(s.Out).Encode(out)
	}
	if !o.quiet {
		printPair(s, o, out, info.Volts)
	}
	return nil
}

// pairSeries writes tables and figure of a time series.
func pairSeries(ctx context.Context, rec *recording.Reader, bench *pipeline.Bench, o *demodOptions, windows pipeline.Windows, mode clock.Mode, meta tables.Metadata, show pipeline.Progress) (*pipeline.Summary, error) {
	info := rec.Info()
	meta.Recording = tables.Recording{Name: info.Name, Size: info.SizeBytes, Start: info.Start}
	set, err := tables.Create(o.out, o.force, meta, tables.DemodulatedName, tables.PhasorsName)
	if err != nil {
		return nil, err
	}
	defer set.Abort()
	drawn := report.NewDemodulation(info.Volts)
	sum, err := bench.Solve(ctx, rec, pipeline.SolveOptions{Clock: mode, Windows: windows, Progress: show}, pipeline.Sink{
		Phasors: set.Phasors.Write,
		Demodulated: func(rows ...tables.Demodulated) error {
			drawn.Add(rows...)
			return set.Demodulated.Write(rows...)
		}})
	if err != nil {
		return nil, err
	}
	if sum.Frames == 0 {
		return nil, fmt.Errorf("%s: %w: the recording is shorter than a window", info.Name, errNoRow)
	}
	set.Metadata.Recording.SHA256 = sum.Survey.SHA256
	if err := set.Close(); err != nil {
		return nil, err
	}
	title := fmt.Sprintf("%s against %s", o.signal, o.reference)
	note := fmt.Sprintf("%s, %s, equivalent noise bandwidth %.4g Hz", info.Name, sum.Averaging.Kind, sum.Averaging.ENBWHz)
	return sum, drawn.Figure(title, note).Save(filepath.Join(o.out, tables.DemodulatedName+".png"))
}

// pairRow writes the result over the whole recording as a table of one row a
// harmonic.
func pairRow(bench *pipeline.Bench, p *pipeline.Pair, info recording.Info, o *demodOptions, meta tables.Metadata, sum string) error {
	meta.Recording = tables.Recording{Name: info.Name, Size: info.SizeBytes, Start: info.Start, SHA256: sum}
	set, err := tables.Create(o.out, o.force, meta, tables.DemodulatedName)
	if err != nil {
		return err
	}
	defer set.Abort()
	if err := set.Demodulated.Write(bench.PairRows(p)...); err != nil {
		return err
	}
	return set.Close()
}

func printPair(s Streams, o *demodOptions, p pairOutput, volts bool) {
	amplitude := func(v, sigma float64) string { return terminal.Estimate(v, sigma, "V") }
	if !volts {
		amplitude = func(v, sigma float64) string { return "(" + terminal.PlusMinus(v, sigma) + ") of full scale" }
	}
	fmt.Fprintf(s.Out, "%s against %s over %.4g s\n", o.signal, o.reference, p.DurationS)
	fmt.Fprintf(s.Out, "frequency  (%s) Hz\n", terminal.PlusMinus(p.FrequencyHz, p.SigmaFrequencyHz))
	if len(p.Harmonics) == 0 {
		fmt.Fprintf(s.Out, "amplitude  %s rms, %s peak\n", amplitude(p.AmplitudeRMSV, p.SigmaAmplitudeRMSV), amplitude(p.AmplitudePeakV, math.Sqrt2*p.SigmaAmplitudeRMSV))
		fmt.Fprintf(s.Out, "phase      (%s)°\n", terminal.PlusMinus(p.PhaseDeg, p.SigmaPhaseDeg))
	}
	for _, h := range p.Harmonics {
		fmt.Fprintf(s.Out, "harmonic %-2d %s rms, (%s)°\n", h.Number, amplitude(h.AmplitudeRMSV, h.SigmaAmplitudeRMSV), terminal.PlusMinus(h.PhaseDeg, h.SigmaPhaseDeg))
	}
	fmt.Fprintf(s.Out, "equivalent noise bandwidth %.4g Hz\n", p.ENBWHz)
	if p.Averaging != nil {
		fmt.Fprintf(s.Out, "time series: %d rows in %s\n", p.Rows, p.Out)
		printAveraging(s, p.Averaging)
	}
}
