package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/batch"
	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/terminal"
)

type batchOptions struct {
	batch.Options
	averaging averagingFlags
	shards    int
	script    string
	summary   bool
	figures   []string
	output    outputFlags
}

func newBatch(s Streams) *cobra.Command {
	var o batchOptions
	cmd := &cobra.Command{
		Use:   "batch LIST|FOLDER… --rig RIG --out DATASET",
		Short: "From many recordings to one data set, with what each is worth",
		Long: `Batch solves many recordings, each as solve does. A LIST is a CSV with the
column recording and, where wanted, name, rig, intervals, baseline and truth; all
further columns are labels, which become columns of the tables. File names in it
are relative to the list. A truth is a CSV of known poses, as for assess. A FOLDER stands for the recordings in it and below it;
a CSV must be listed.

Each recording becomes a partition of the data set, as
DATASET/poses/recording=NAME/part-0.parquet, and so on for phasors, couplings and
integrity; each appears whole or not at all. DATASET/outcomes/NAME.json then says
what the tables were made from and what they are worth, or why there are none.

What is finished is passed over: the same files, rig, options and labels. What
failed is listed and does not stop the others; --retry tries it again. A batch that
was ended or killed is gone on with by the same command.

Several machines share a list. With --shard I/N each takes every N-th recording.
Tasks of a Slurm array and pods of an indexed Kubernetes job know theirs, and take
the processors that they are given; --script writes such a job. Without shards,
any number of processes may be started on one list and one data set: each takes
what none of the others works on, and goes on with what a dead one has left.

--summary tells of a data set, by all shards, how accurate, flagged and noisy each
recording is, the worst first: by its errors where a truth was listed; with --out as recordings.csv, summary.json and the
figure recordings.

Exit code: 0 all recordings are solved, 1 some failed or have no pose, a rig changed meanwhile, the data set can't be written
or, with --summary, a shard has not ended or what is told of a recording is no longer
so, 2 the call, the list or a rig was wrong.`,
		Example: `  tonepose batch recordings.csv --rig bench.rig.yaml --window 10ms --out campaign
  tonepose batch monday tuesday --rig bench.rig.yaml --window 10ms --out campaign --jobs 4
  tonepose batch recordings.csv --rig bench.rig.yaml --window 10ms --out campaign --shards 8 --script slurm > job.sh
  tonepose batch campaign --summary --out campaign-summary`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return fmt.Errorf("nothing to solve: name a CSV that lists recordings, or a folder of them: %s", cmd.UseLine())
			}
			return nil
		},
	}
	f := cmd.Flags()
	// What changes numbers is noted in the tables; the rest is not.
	solving := pflag.NewFlagSet("", pflag.ContinueOnError)
	solving.StringVar(&o.Rig, "rig", "", "rig file of the bench, of recordings whose list states none")
	reads(solving, "rig")
	addMeasuring(solving, &o.Job, &o.averaging, s)
	o.Reading.Stdin = nil // a batch reads files
	addSolving(solving, &o.Options.Options)
	f.AddFlagSet(solving)
	f.StringVar(&o.Out, "out", "", "directory of the data set; with --summary of its CSV, JSON and figure")
	addValue(f, &o.Jobs, "jobs", "", "int", whole(1, 1<<16), "recordings to be solved side by side, each on a processor (default: one a processor)")
	f.BoolVar(&o.Force, "force", false, "write what --summary tells into a directory that is not empty")
	f.BoolVar(&o.Retry, "retry", false, "solve again what failed before")
	addValue(f, &o.Shard, "shard", "", "I/N", shard, "solve this part of the list alone: every N-th recording, from the I-th on (default: as the scheduler says)")
	addValue(f, &o.shards, "shards", "", "int", whole(1, 1<<20), "how many shards there are, where the scheduler says only which this one is, from 0")
	addValue(f, &o.script, "script", "", "kind", oneOf([]string{"slurm", "kubernetes"}, "slurm", "kubernetes"), "solve nothing, print a job of --shards tasks with --jobs processors each: slurm or kubernetes")
	f.BoolVar(&o.summary, "summary", false, "solve nothing: what the recordings of a data set are worth, worst first")
	addFigures(f, &o.figures, "svg", "the figure of --summary in --out")
	o.output.add(f)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if o.summary {
			return runSummary(args, &o, s)
		}
		if o.Out == "" {
			return errors.New("--out is missing: name the directory of the data set")
		}
		provenance(solving, &o.Job)
		if o.script != "" {
			return writeScript(f, args, &o, s)
		}
		return runBatch(cmd.Context(), args, &o, s)
	}
	return cmd
}

func runBatch(ctx context.Context, from []string, o *batchOptions, s Streams) error {
	begin := time.Now()
	if err := o.averaging.finish(&o.Job); err != nil {
		return err
	}
	list, err := batch.Gather(from)
	if err != nil {
		return err
	}
	if err := o.allot(s); err != nil {
		return err
	}
	// A recording keeps one processor busy, in several goroutines. More jobs than processors wait
	// for the disk.
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(min(o.Jobs, runtime.GOMAXPROCS(0))))
	p := terminal.NewProgress(s.Err, o.output.quiet || o.output.json)
	defer p.Clear()
	o.Progress = p.Show
	o.Failed = func(f *batch.Outcome) {
		p.Clear()
		if f.Error == "" {
			say(s.Err, "%s has no pose: %s", f.Recording, f.NoPose)
			return
		}
		say(s.Err, "%s failed: %s", f.Recording, f.Error)
	}
	res, err := batch.Run(ctx, list, o.Options)
	if err != nil {
		return err
	}
	p.Clear()
	sum := present.BatchedOf(res, o.Out, time.Since(begin))
	if err := o.output.show(s, sum, sum.Print); err != nil {
		return err
	}
	var failed []error
	if n := len(res.Failed); n > 0 {
		failed = append(failed, fmt.Errorf("%d of %d %w; mend what hinders them and add --retry", n, res.Recordings, batch.ErrFailed))
	}
	failed = append(failed, poseless(len(res.Poseless), res.Recordings)...)
	if len(res.Changed) > 0 {
		failed = append(failed, fmt.Errorf("%s %w: run it again, for what was solved before that", strings.Join(res.Changed, ", "), batch.ErrMixed))
	}
	return together(failed)
}

// poseless is the error of so many recordings without any pose.
func poseless(n, all int) []error {
	if n == 0 {
		return nil
	}
	return []error{fmt.Errorf("%d of %d recordings: %w", n, all, solve.ErrNoPose)}
}

// together joins errors in one line.
func together(all []error) error {
	switch len(all) {
	case 0:
		return nil
	case 1:
		return all[0]
	}
	return fmt.Errorf("%w; %w", all[0], together(all[1:]))
}

// allot takes the shard and the processors that a scheduler gives, where none are stated.
func (o *batchOptions) allot(s Streams) error {
	if o.Jobs == 0 {
		o.Jobs = batch.Processors(runtime.GOMAXPROCS(0), os.Getenv)
	}
	if o.Shard.Count > 0 {
		if o.shards > 0 {
			return errors.New("--shard and --shards exclude each other: --shard I/N says both")
		}
		return nil
	}
	var from string
	var err error
	if o.Shard, from, err = batch.ShardOf(o.shards, os.Getenv); from != "" && err == nil {
		o.output.note(s, "shard %v of the list, by %s; %d at a time", o.Shard, from, o.Jobs)
	}
	return err
}

// shard reads I/N, the I-th of N.
func shard(text string) (batch.Shard, error) {
	i, n, ok := strings.Cut(text, "/")
	index, bad := strconv.Atoi(i)
	count, worse := strconv.Atoi(n)
	if !ok || bad != nil || worse != nil || index < 1 || index > count {
		return batch.Shard{}, errors.New("must be I/N, the I-th of N shards, as 1/8 to 8/8")
	}
	return batch.Shard{Index: index - 1, Count: count}, nil
}

func writeScript(f *pflag.FlagSet, from []string, o *batchOptions, s Streams) error {
	if o.shards == 0 {
		return errors.New("--script needs --shards: how many tasks the job has")
	}
	script, err := newBatchScript(f, from, o)
	if err != nil {
		return err
	}
	if o.script == "slurm" {
		return script.slurm(s.Out)
	}
	return script.kubernetes(s.Out)
}

func runSummary(from []string, o *batchOptions, s Streams) error {
	if len(from) != 1 {
		return fmt.Errorf("%d names given, with --summary one is needed: that of the data set", len(from))
	}
	sum, err := batch.Summarise(from[0])
	if err != nil {
		return err
	}
	c := present.CampaignOf(sum)
	if o.Out != "" {
		if err := saveSummary(sum, c, o); err != nil {
			return err
		}
	}
	if err := o.output.show(s, c, c.Print); err != nil {
		return err
	}
	var failed []error
	if sum.Failed > 0 {
		failed = append(failed, fmt.Errorf("%d of %d %w", sum.Failed, len(sum.Recordings), batch.ErrFailed))
	}
	failed = append(failed, poseless(sum.Poseless, len(sum.Recordings))...)
	if sum.Stale > 0 {
		failed = append(failed, fmt.Errorf("%d of %d %w: run the batch again", sum.Stale, len(sum.Recordings), batch.ErrStale))
	}
	if len(sum.Missing) > 0 {
		failed = append(failed, fmt.Errorf("%w: %s", batch.ErrMissing, present.Several(sum.Missing)))
	}
	return together(failed)
}

func saveSummary(sum *batch.Summary, c present.Campaign, o *batchOptions) error {
	b, err := files.Into(o.Out, o.Force)
	if err != nil {
		return err
	}
	defer b.Abort()
	if err := b.Fill("recordings.csv", c.CSV); err != nil {
		return err
	}
	if err := b.Fill("summary.json", func(w io.Writer) error { return present.JSON(w, c) }); err != nil {
		return err
	}
	if err := report.Save(b, "", map[string]*figure.Figure{"recordings": sum.Figure()}, o.figures); err != nil {
		return err
	}
	return b.Commit()
}
