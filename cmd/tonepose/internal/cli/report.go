package cli

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/batch"
	"tonepose/cmd/tonepose/internal/document"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/terminal"
)

type reportOptions struct {
	truth             []string
	record            []string
	plan, calibration string
	out               string
	force             bool
	output            outputFlags
}

func newReport(s Streams) *cobra.Command {
	var o reportOptions
	c := &cobra.Command{
		Use:   "report DIR…",
		Short: "One HTML file about solved runs, to read, print and hand on",
		Long: `Report gathers the folders that solve or live wrote in one HTML file that needs no
network and no other file: what was recorded, five questions answered, path and
uncertainty, couplings and what does not fit, tones and noise, poses, flags with
their meaning and next step, calibration, provenance and cautions. Figures are
inside, and it prints to PDF from any browser.

Where the recording is at hand, range and noise of its channels and their spectrum are
in it. With --truth the errors are in it, as assess finds them; with --plan what was
planned; with --calibration its residuals. What is not named is looked for near DIR: in
it, above it, here, and beside the run's rig file; provenance says what was found, and
none leaves it out. Several runs make one file with a table on top, worst first;
--truth is then given once for each, in their order, empty to look for it. DIR may hold
the parts of a live stream, or be a data set of batch: its recordings are then drawn and
listed, worst first.

Exit code: 0 done, 1 no pose could be compared, 2 the call or a file was wrong.`,
		Example: `  tonepose report out/stations --truth stations.csv
  tonepose report out/stations --plan plan --calibration calibration.json --recording run.sigmf-meta
  tonepose report monday tuesday --out week.html`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return errors.New("no folder given: name those that solve or live wrote")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error { return runReport(cmd, args, &o, s) },
	}
	f := c.Flags()
	f.StringArrayVar(&o.truth, "truth", nil, "CSV of known poses, or the folder of another run, or none; once for each DIR (default: STEM.truth.csv of the recording's name near DIR, if there is one)")
	f.StringArrayVar(&o.record, "recording", nil, "the recording of each DIR, or none (default: a file of its name and size near DIR, if there is one)")
	f.StringVar(&o.plan, "plan", "", "directory that plan --out wrote, to compare with what came, or none (default: plan.json or plan/plan.json near each DIR, if it is of the same rig)")
	f.StringVar(&o.calibration, "calibration", "", "file that holds what calibrate --json printed: its residuals, and what it changed, or none (default: calibration.json near each DIR, if that calibration wrote the run's rig file)")
	reads(f, "truth", "recording", "plan", "calibration")
	f.StringVar(&o.out, "out", "", "the HTML file (default: DIR.html, beside a single DIR)")
	f.BoolVar(&o.force, "force", false, "replace a file that exists")
	f.BoolVar(&o.output.quiet, "quiet", false, "no progress, no notes: the file, warnings and errors alone")
	f.Lookup("truth").DefValue, f.Lookup("recording").DefValue = "", ""
	return c
}

func runReport(cmd *cobra.Command, dirs []string, o *reportOptions, s Streams) error {
	switch {
	case len(o.truth) > 0 && len(o.truth) != len(dirs):
		return fmt.Errorf("--truth is given %d times for %d folders: give it once for each, in their order, empty to look for it", len(o.truth), len(dirs))
	case len(o.record) > 0 && len(o.record) != len(dirs):
		return fmt.Errorf("--recording is given %d times for %d folders: give it once for each, in their order, none for none", len(o.record), len(dirs))
	case o.out == "" && len(dirs) > 1:
		return errors.New("--out is missing: name the HTML file about several runs")
	case o.out == "" && tables.InDataSet(dirs[0]):
		return errors.New("--out is missing: name the HTML file; among the tables of a data set it would be in their readers' way")
	case o.out == "":
		o.out = filepath.Clean(dirs[0]) + ".html"
	}
	if err := files.Refuse(o.out, o.force); err != nil {
		return err
	}
	switch ext := filepath.Ext(o.out); ext {
	case ".csv", ".json", ".parquet", ".yaml", ".svg", ".png", ".pdf": // there it would be taken for something else
		return fmt.Errorf("--out %s: a report is an HTML page: name a .html", o.out)
	}
	if slices.ContainsFunc(dirs, batch.IsDataSet) {
		return reportDataSet(dirs, o, s)
	}
	progress := terminal.NewProgress(s.Err, o.output.quiet)
	defer progress.Clear()
	var runs []*document.Run
	for i, dir := range dirs {
		progress.Show("report", int64(i), int64(len(dirs)))
		// The interval of an error needs many resamples, and a page shows none.
		options := document.RunOptions{Assess: assess.Options{Resamples: -1, Reach: 0.5, Confidence: 0.95, Seed: 1}, Plan: o.plan, Calibration: o.calibration, Progress: progress.Show}
		if len(o.truth) > 0 {
			options.Truth = o.truth[i]
		}
		if len(o.record) > 0 {
			options.Recording = o.record[i]
		}
		run, err := document.ReadRun(cmd.Context(), dir, options)
		if err != nil {
			return err
		}
		runs = append(runs, run)
	}
	progress.Show("draw", 0, 0)
	page := document.Document{Tool: version(), Command: func(m tables.Metadata) string { return commandLine(cmd.Root(), m) }}
	if err := o.save(func(w io.Writer) error { return page.Write(w, runs) }); err != nil {
		return err
	}
	progress.Clear()
	o.output.note(s, "%s: a report of %s", o.out, strings.Join(dirs, ", "))
	return nil
}

func (o *reportOptions) save(write func(io.Writer) error) error {
	b := files.Batch{Force: o.force}
	defer b.Abort()
	if err := b.Fill(o.out, write); err != nil {
		return err
	}
	return b.Commit()
}

func reportDataSet(dirs []string, o *reportOptions, s Streams) error {
	switch {
	case len(dirs) > 1:
		return fmt.Errorf("%d folders, one of them a data set of batch: it has a report of its own", len(dirs))
	case len(o.truth) > 0 || len(o.record) > 0 || o.plan != "" || o.calibration != "":
		return errors.New("--truth, --recording, --plan and --calibration are of single runs, and a data set has none: leave them out, or name the folder of a recording in it, as DIR/poses/recording=NAME")
	}
	sum, err := batch.Summarise(dirs[0])
	if err != nil {
		return err
	}
	page := document.Document{Tool: version()}
	if err := o.save(func(w io.Writer) error { return page.WriteCampaign(w, sum) }); err != nil {
		return err
	}
	o.output.note(s, "%s: a report of %d recordings in %s", o.out, len(sum.Recordings), dirs[0])
	return nil
}

// commandLine is the one that made a table: that of the command whose flags its
// options are, those at their defaults left out. Empty: none has them.
func commandLine(root *cobra.Command, m tables.Metadata) string {
	if _, ok := m.Options["demo"]; ok {
		return "tonepose demo"
	}
	for _, c := range root.Commands() {
		known, text := len(m.Options) > 0, "tonepose "+c.Name()
		for name := range m.Options {
			known = known && c.Flags().Lookup(name) != nil
		}
		if !known || c.Flags().Lookup("out") == nil || c.Name() == "batch" { // of one recording, what it did is solve's
			continue
		}
		text += " " + present.Quoted(m.Recording.Name)
		c.Flags().VisitAll(func(f *pflag.Flag) {
			switch v, ok := m.Options[f.Name]; {
			case !ok || v == f.DefValue || v == "" || v == "[]":
			case f.Value.Type() == "bool":
				text += " --" + f.Name
			default:
				text += " --" + f.Name + " " + present.Quoted(v)
			}
		})
		return text
	}
	return ""
}
