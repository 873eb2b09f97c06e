package cli

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/clock"
	"tonepose/multitone/recording"
)

type demodOptions struct {
	recording recordingFlags
	rig       string
	signal    string
	reference string
	out       string
	force     bool
	framing   framingFlags
	clock     string
	json      bool
	quiet     bool
}

func newDemod(s Streams) *cobra.Command {
	var o demodOptions
	cmd := &cobra.Command{
		Use:   "demod RECORDING (--rig RIG | --signal CHANNEL --reference CHANNEL)",
		Short: "Amplitude and phase of tones, with the sigma of each",
		Long: `Demod measures the tones of a rig on every channel, or the strongest tone of a
reference channel on a signal channel, and writes phasors.parquet to --out.

With --signal and --reference no frequency need be given. Without --window or
--intervals the whole recording is one measurement, and its result is printed.

Exit code: 0 done, 1 no phasor came out, 2 the call or a file was wrong.`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runDemod(cmd.Context(), args[0], &o, record(cmd.Flags()), s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.rig, "rig", "", "rig file whose tones are measured")
	f.StringVar(&o.signal, "signal", "", "channel to measure, by its name")
	f.StringVar(&o.reference, "reference", "", "channel that carries the reference, by its name")
	f.StringVar(&o.out, "out", "", "directory for phasors.parquet")
	f.BoolVar(&o.force, "force", false, "write into a directory that is not empty")
	o.framing.add(f)
	f.StringVar(&o.clock, "clock", "common", "what is unknown of the tones' frequencies: common (one clock offset), each or none")
	f.BoolVar(&o.json, "json", false, "print the result as JSON")
	f.BoolVar(&o.quiet, "quiet", false, "no progress, no summary")
	o.recording.add(f)
	o.recording.addFullScale(f)
	return cmd
}

func runDemod(ctx context.Context, name string, o *demodOptions, options map[string]string, s Streams) error {
	pair := o.signal != "" || o.reference != ""
	switch {
	case pair && o.rig != "":
		return fmt.Errorf("--rig and --signal/--reference exclude each other")
	case !pair && o.rig == "":
		return fmt.Errorf("nothing to measure: give --rig, or --signal and --reference")
	case pair && (o.signal == "" || o.reference == ""):
		return fmt.Errorf("--signal and --reference go together")
	case o.rig != "" && o.out == "":
		return fmt.Errorf("--out is missing: name the directory for phasors.parquet")
	}
	mode, err := clock.ParseMode(o.clock)
	if err != nil {
		return err
	}
	windows, err := o.framing.windows(nil)
	if err != nil {
		return err
	}
	if o.framing.series() && o.out == "" {
		return fmt.Errorf("--out is missing: a time series goes to phasors.parquet in a directory")
	}
	show, clear := progress(s, o.quiet || o.json)
	defer clear()
	meta := tables.Metadata{Tool: version(), Options: options}
	var bench *pipeline.Bench
	var rec *recording.Reader
	if pair {
		if rec, err = recording.Open(name, o.recording.options(s)); err != nil {
			return err
		}
		defer rec.Close()
		if bench, err = pipeline.PairBench(ctx, rec, o.signal, o.reference); err != nil {
			return err
		}
	} else {
		r, err := rig.Load(o.rig, rig.Options{})
		if err != nil {
			return err
		}
		meta.Rig = string(r.Text)
		bench = pipeline.NewBench(r)
		if rec, err = bench.Open(name, o.recording.options(s)); err != nil {
			return err
		}
		defer rec.Close()
	}
	info := rec.Info()
	warnAll(s, info.Warnings)
	meta.Recording = tables.Recording{Name: info.Name, Size: info.SizeBytes, Start: info.Start}
	if o.out != "" {
		set, err := tables.Create(o.out, o.force, meta, tables.PhasorsName)
		if err != nil {
			return err
		}
		defer set.Abort()
		sum, err := bench.Solve(ctx, rec, pipeline.SolveOptions{Clock: mode, Windows: windows, Progress: show}, pipeline.Sink{Phasors: set.Phasors.Write})
		clear()
		if err != nil {
			return err
		}
		reportFaults(s, sum.Faults())
		if sum.Frames == 0 {
			return fmt.Errorf("%s: %w: the recording is shorter than a window", name, errNoRow)
		}
		set.Metadata.Recording.SHA256 = sum.Survey.SHA256
		if err := set.Close(); err != nil {
			return err
		}
		if !o.quiet && !pair {
			return printDemod(s, o, info, sum)
		}
	}
	if !pair {
		return nil
	}
	result, err := bench.MeasurePair(ctx, rec, o.signal, show)
	clear()
	if err != nil {
		return err
	}
	if o.json {
		return json.NewEncoder(s.Out).Encode(result)
	}
	if o.quiet {
		return nil
	}
	unit := "V"
	if !info.Volts {
		unit = "full scale"
	}
	fmt.Fprintf(s.Out, "%s against %s over %.4g s\n", o.signal, o.reference, result.DurationS)
	fmt.Fprintf(s.Out, "frequency  %.6f Hz ± %.2g\n", result.FrequencyHz, result.SigmaFrequencyHz)
	fmt.Fprintf(s.Out, "amplitude  %.6g %s rms ± %.2g (peak %.6g)\n", result.AmplitudeRMSV, unit, result.SigmaAmplitudeRMSV, result.AmplitudePeakV)
	fmt.Fprintf(s.Out, "phase      %.4f° ± %.2g\n", result.PhaseDeg, result.SigmaPhaseDeg)
	fmt.Fprintf(s.Out, "equivalent noise bandwidth %.4g Hz\n", result.ENBWHz)
	return nil
}

func printDemod(s Streams, o *demodOptions, info recording.Info, sum *pipeline.Summary) error {
	if o.json {
		return json.NewEncoder(s.Out).Encode(map[string]any{"recording": info.Name, "frames": sum.Frames, "mains_hz": sum.Survey.MainsHz, "out": o.out})
	}
	_, err := fmt.Fprintf(s.Out, "%s: %.4g s, %d frames in %s, mains %s\n", info.Name, info.Duration(), sum.Frames, o.out, mainsWords(sum.Survey.MainsHz, len(sum.Survey.Lines)))
	return err
}
