package cli

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/live"
	"tonepose/cmd/tonepose/internal/pair"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/terminal"
	"tonepose/solver/trajectory"
)

type liveOptions struct {
	live.Options
	averaging averagingFlags
	pair      pair.Options
	rows      *present.Lines // nil: none
	output    outputFlags
}

func newLive(s Streams) *cobra.Command {
	var o liveOptions
	cmd := &cobra.Command{
		Use:   "live SOURCE (--rig RIG | --signal CHANNEL --reference CHANNEL)",
		Short: "From a stream to poses while the sensor moves",
		Long: `Live measures samples as they come, and gives the pose of each sensor for every
window. SOURCE is

  -                 standard input: raw samples (--format, and --rate and --channels
                    unless the rig says), WAV of unknown length, or CSV
  play:PATH         a recording at its own pace, or another --pace: 10, max
  growing:PATH      a file that still grows, or the data of a SigMF recording whose
                    metadata are there; it ends when nothing came for --idle
  tcp://HOST:PORT   what a server sends, connected to again where it ends
  tcp-listen://HOST:PORT    what a client sends; others than this machine with
                    --allow-remote alone
  instrument        one that answers text commands with blocks over TCP, as the part
                    source: of the rig file says
  bench:            a simulated bench in real time, or at another --pace; bench:RIG
                    that of a rig file; --path, --scene and --seed say what it does
  instrument        blocks of samples that an instrument is asked for over TCP, as the
                    rig's source: says (help rig)

With --rows each window is a line on standard output as soon as it is solved: an
object of JSON, or CSV. Without, a terminal shows one line that is written over:
pose, sigma, flags, latency, windows skipped.

--out writes the tables of poses and of what they are worth in parts of --part:
poses-000001.parquet and so on, each complete from the moment it has its name. A run
that is killed loses the part that is being filled, no more; one that goes on in the
same directory appends parts, its times going on too. assess and export read the
directory as one table. --record keeps the samples, with the gaps noted: in SigMF, or
as cue points of an RF64 file.

With --signal and --reference, rows and parts (demodulated-000001.parquet …) are of
amplitude and phase of one channel against the tone that another carries: a bridge,
chopped light, an acoustic path. The tone is sought in the first 0.5 s.

A pose rests on the samples up to the end of its window. With --trajectory filter
it rests on the windows before it, too; with --lag also on those that follow within
that time, for which it waits: about 2.5 times as accurate for 50 ms. Until 0.35 s of
the stream have shown how the sensor moves, poses are of single windows.

Where the machine or a reader of the rows does not keep up, whole windows are
skipped and counted: poses are late by a bounded time, never more and more.
Latency is from the arrival of a window's last sample to its row. It is in the
tables, and printed at the end with its histogram.

The first interrupt (or SIGTERM, or SIGHUP) completes the part at hand, drops the unfinished
window and prints the summary; the second ends at once.

Exit code: 0 done or interrupted, 1 no pose came out (the parts are there and say why), 2 the call
or a file was wrong.`,
		Example: liveExamples,
		Args:    one,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Recording = args[0]
			provenance(cmd.Flags(), &o.Job)
			return runLive(cmd.Context(), &o, s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.Rig, "rig", "", "rig file of the bench (that of bench: by default)")
	reads(f, "rig")
	f.StringVar(&o.pair.Signal, "signal", "", "channel to measure against a reference, without a rig")
	f.StringVar(&o.pair.Reference, "reference", "", "channel that carries the reference, by its name")
	addValue(f, &o.pair.NearHz, "near", "", "frequency", hertz.positive, "frequency in hertz near which the reference's tone is sought, within 5 % (default: its strongest line)")
	addFullScale(f, &o.Input)
	f.StringVar(&o.Out, "out", "", "directory for parts of tables; those of an earlier run there are continued")
	f.BoolVar(&o.Force, "force", false, "write into a directory that holds other files")
	addValue(f, &o.PartSeconds, "part", "10s", "duration", aboveZero(signedSeconds), "length of a part")
	addRows(f, &o.rows)
	f.StringVar(&o.Record, "record", "", "keep the samples in this file, to solve them again: SigMF, or RF64 for a name that ends in .wav")
	o.averaging.add(f, &o.Job)
	addClock(f, &o.Input)
	addReading(f, &o.Input, s)
	addBaseline(f, &o.Input)
	addSource(f, &o.Options)
	addValue(f, &o.Joined, "trajectory", "none", "kind", oneOf([]string{"none", "filter"}, false, true), "join the poses of successive windows: none or filter (by what came before)")
	addValue(f, &o.Lag, "lag", "", "duration", aboveZero(signedSeconds), "join them by what follows within this time, too")
	addValue(f, &o.Motion.Motion, "motion", "acceleration", "model", oneOf([]string{"acceleration", "velocity"}, trajectory.ConstantAcceleration, trajectory.ConstantVelocity),
		"motion model of a trajectory, constant but for white process noise: acceleration or velocity")
	alone(f, []string{"trajectory", "lag"}, "motion")
	addLoss(f, &o.Verdict.Robust, "loss that keeps a few wrong couplings from deciding a pose: huber, cauchy, tukey or none")
	f.BoolVar(&o.Verdict.LeaveOut, "leave-out", false, "solve without a coil or an emitter found wrong or disturbed, and with an exchanged pair in its right order")
	o.output.add(f)
	return cmd
}

const liveExamples = `  tonepose live bench: --window 10ms --scene metal.scene.yaml --record kept --out run
  tonepose live play:moving.sigmf-meta --rig bench.rig.yaml --window 10ms
  tonepose live play:moving.sigmf-meta --rig bench.rig.yaml --window 10ms --hop 5ms --lag 50ms --pace max --out run
  tonepose live - --format ri16_le --rig bench.rig.yaml --window 10ms --rows json < samples.raw
  tonepose live tcp://127.0.0.1:5000 --format ri16_le --rig bench.rig.yaml --window 10ms --out run --part 1m
  arecord -q -t raw -f S16_LE -r 48000 -c 4 | tonepose live - --format ri16_le --rig bench.rig.yaml --window 20ms
  sed -u 1d < /dev/ttyACM0 | tonepose live - --format csv --rig bench.rig.yaml --window 20ms
  tonepose live instrument --rig bench.rig.yaml --window 20ms --out run`

func addRows(f *pflag.FlagSet, to **present.Lines) {
	addValue(f, to, "rows", "", "form", func(text string) (*present.Lines, error) {
		l, err := oneOf([]string{"json", "csv"}, present.LinesJSON, present.LinesCSV)(text)
		return &l, err
	}, "write each window to standard output as it comes: json or csv")
}

// addSource adds the flags that say how a source is read.
func addSource(f *pflag.FlagSet, o *live.Options) {
	addValue(f, &o.Source.Pace, "pace", "", "factor", func(text string) (float64, error) {
		if text == "max" {
			return math.Inf(1), nil
		}
		return pureNumber.positive(text)
	}, "how many times faster than its own time a recording plays, or max: as fast as it is read (default 1)")
	addValue(f, &o.Source.Idle, "idle", "", "duration", func(text string) (time.Duration, error) {
		v, err := aboveZero(signedSeconds)(text)
		return time.Duration(v * float64(time.Second)), err
	}, "end when nothing came for so long (default: 5s for a growing file, else never)")
	f.StringVar(&o.Source.Bench.Path, "path", "", "of the simulated bench: sweep, stations, or a CSV of poses (default sweep)")
	f.StringVar(&o.Source.Bench.Scene, "scene", "", "file of metal near the simulated bench, and of what happens on it (help scene)")
	f.Uint64Var(&o.Source.Bench.Seed, "seed", 1, "seed of what is random on the simulated bench")
	f.BoolVar(&o.Source.AllowRemote, "allow-remote", false, "let other machines reach a port that is listened on")
}

func (o *liveOptions) check() error {
	if err := o.averaging.finish(&o.Job); err != nil {
		return err
	}
	paired := o.pair.Signal != "" || o.pair.Reference != ""
	switch {
	case paired && (o.pair.Signal == "" || o.pair.Reference == ""):
		return halfPair(o.pair)
	case paired && o.pair.Signal == o.pair.Reference:
		return fmt.Errorf("--signal %s --reference %s: both are one channel, which tells nothing about itself: name another as reference", o.pair.Signal, o.pair.Reference)
	case paired && o.Rig != "":
		return errors.New("--rig and --signal/--reference exclude each other")
	case paired && (o.Joined || o.Lag > 0 || o.Baseline != ""):
		return errors.New("--trajectory, --lag and --baseline are of poses: they exclude --signal and --reference")
	case !paired && o.pair.NearHz != 0:
		return errors.New("--near needs --signal and --reference")
	case !paired && o.Rig == "" && !strings.HasPrefix(o.Recording, "bench:"):
		return errors.New("solving needs the rig file of the bench: give --rig")
	case !o.Windows.Successive():
		return errors.New("a stream has no end that could be waited for: give --window or --lowpass")
	case (o.Joined || o.Lag > 0) && o.Windows.Length == 0:
		return errors.New("--trajectory and --lag need --window")
	case o.rows != nil && o.output.json:
		return errors.New("--rows and --json exclude each other: both go to standard output")
	case o.output.quiet && o.rows == nil && o.Out == "" && o.Record == "" && !o.output.json:
		return errors.New("--quiet leaves nothing to do: give --out, --record, --rows or --json")
	}
	return nil
}

func runLive(ctx context.Context, o *liveOptions, s Streams) error {
	if err := o.check(); err != nil {
		return err
	}
	follow := func() (*live.Result, error) { return live.Run(ctx, o.Options) }
	o.Tables = []string{tables.PosesName, tables.IntegrityName}
	if o.pair.Signal != "" {
		follow = func() (*live.Result, error) { return live.RunPair(ctx, o.Options, o.pair) }
		o.Tables = []string{tables.DemodulatedName}
	}
	finishFirst(ctx, finish{quiet: true})
	line := terminal.NewProgress(s.Err, o.output.quiet || o.output.json || o.rows != nil)
	if o.rows != nil {
		o.Rows, o.Stdout = *o.rows, terminal.Guard(s.Out)
	} else if line != nil {
		o.Look = func(now *live.State) { line.Line(func() string { return present.Now(now) }) }
	}
	if !o.output.quiet {
		o.Event = func(e engine.Event) {
			line.Clear()
			say(s.Err, "%.2f s: %s", e.Time, e.Text)
		}
	}
	res, err := follow()
	line.Clear()
	if err != nil && !errors.Is(err, solve.ErrNoPose) {
		return err
	}
	warn(s, res.Info.Warnings...)
	for _, v := range res.Verdicts {
		for _, text := range v.Lines() {
			say(s.Err, "%s", text)
		}
	}
	sum := present.FollowedOf(res, o.Out, o.Record)
	if o.rows != nil { // standard output is theirs
		if o.output.quiet {
			return err
		}
		return errors.Join(sum.Print(s.Err), err)
	}
	return errors.Join(o.output.show(s, sum, sum.Print), err)
}
