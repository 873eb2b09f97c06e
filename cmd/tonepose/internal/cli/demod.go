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
	harmonics []int
	near      float64
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
		Long: `Demod measures the tones of a rig on every channel and writes phasors.parquet
to --out.

With --signal and --reference it needs no rig: one channel is measured against
the tone that another carries, whatever its frequency; a square wave does as
well as a sine. The result over the whole recording is printed. With --window
or --lowpass, in-phase and quadrature part, amplitude and phase against time go
to demodulated.parquet and demodulated.png in --out. Phases are those of the
signal minus those of the reference; of harmonic n, minus n times those of the
reference's tone.

Exit code: 0 done, 1 no phasor came out, 2 the call or a file was wrong.`,
		Example: `  tonepose demod bridge.csv --signal bridge --reference carrier
  tonepose demod bridge.csv --signal bridge --reference carrier --lowpass cascade4 --time-constant 30ms --out run
  tonepose demod chopped.wav --signal diode --reference chopper --harmonics 1,3,5 --window 100ms --out run`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runDemod(cmd.Context(), args[0], &o, record(cmd.Flags()), s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.rig, "rig", "", "rig file whose tones are measured")
	f.StringVar(&o.signal, "signal", "", "channel to measure, by its name")
	f.StringVar(&o.reference, "reference", "", "channel that carries the reference, by its name")
	f.IntSliceVar(&o.harmonics, "harmonics", nil, "multiples of the reference's frequency to measure, as 1,3,5 (default 1)")
	f.Float64Var(&o.near, "near", 0, "hertz about which the reference's tone is sought, within 5 % (default: its strongest line)")
	f.StringVar(&o.out, "out", "", "directory for the tables")
	f.BoolVar(&o.force, "force", false, "write into a directory that is not empty")
	o.framing.add(f)
	addClock(f, &o.clock)
	f.BoolVar(&o.json, "json", false, "print the result as JSON")
	f.BoolVar(&o.quiet, "quiet", false, "no progress, no summary")
	o.recording.add(f)
	o.recording.addFullScale(f)
	return cmd
}

func runDemod(ctx context.Context, name string, o *demodOptions, options map[string]string, s Streams) error {
	frugal()
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
	case !pair && (o.harmonics != nil || o.near != 0):
		return fmt.Errorf("--harmonics and --near need --signal and --reference")
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
		return fmt.Errorf("--out is missing: a time series goes to tables in a directory")
	}
	meta := tables.Metadata{Tool: version(), Options: options}
	if pair {
		return runDemodPair(ctx, name, o, windows, mode, meta, s)
	}
	show, clear := progress(s, o.quiet || o.json)
	defer clear()
	r, err := rig.Load(o.rig, rig.Options{})
	if err != nil {
		return err
	}
	meta.Rig = string(r.Text)
	bench := pipeline.NewBench(r)
	rec, err := bench.Open(ctx, name, o.recording.options(s))
	if err != nil {
		return err
	}
	defer rec.Close()
	info := rec.Info()
	warnAll(s, info.Warnings)
	meta.Recording = tables.Recording{Name: info.Name, Size: info.SizeBytes, Start: info.Start}
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
	if o.quiet {
		return nil
	}
	return printDemod(s, o, info, sum)
}

func printDemod(s Streams, o *demodOptions, info recording.Info, sum *pipeline.Summary) error {
	if o.json {
		return json.NewEncoder(s.Out).Encode(map[string]any{"recording": info.Name, "frames": sum.Frames, "mains_hz": sum.Survey.MainsHz, "out": o.out,
			"averaging": sum.Averaging, "faults": sum.Faults()})
	}
	fmt.Fprintf(s.Out, "%s: %.4g s, %d frames in %s, mains %s\n", info.Name, info.Duration(), sum.Frames, o.out, mainsWords(sum.Survey.MainsHz, len(sum.Survey.Lines)))
	printAveraging(s, sum.Averaging)
	return nil
}
