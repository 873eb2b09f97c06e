package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone/recording"
)

type inspectOptions struct {
	recording recordingFlags
	rig       string
	out       string
	force     bool
	json      bool
	quiet     bool
}

func newInspect(s Streams) *cobra.Command {
	var o inspectOptions
	cmd := &cobra.Command{
		Use:   "inspect RECORDING [--rig RIG]",
		Short: "What a recording is, and what is wrong with it",
		Long: `Inspect reads a recording once or twice and tells what it is: range, offset,
noise and faults of every channel, the mains, and the strongest lines. With the
rig it tells the level and the noise of every tone on every channel, which lines
are harmonics, intermodulation products or aliases of the tones, and what turns
the phases of the couplings.

--out receives spectrum.png and spectrum.svg, and with a rig stability.png and
stability.svg, the Allan deviation of the drives.

Exit code: 0 done, whatever was found; 2 the call or a file was wrong.`,
		Example: `  tonepose inspect run.sigmf-meta --rig bench.rig.yaml --out look
  tonepose inspect noise.wav --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runInspect(cmd.Context(), args[0], &o, s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.rig, "rig", "", "rig file of the bench")
	f.StringVar(&o.out, "out", "", "directory for the figures")
	f.BoolVar(&o.force, "force", false, "write into a directory that is not empty")
	f.BoolVar(&o.json, "json", false, "print everything as JSON")
	f.BoolVar(&o.quiet, "quiet", false, "no progress")
	o.recording.add(f)
	o.recording.addFullScale(f)
	return cmd
}

func runInspect(ctx context.Context, name string, o *inspectOptions, s Streams) error {
	var bench *pipeline.Bench
	var rec *recording.Reader
	if o.rig != "" {
		r, err := rig.Load(o.rig, rig.Options{})
		if err != nil {
			return err
		}
		bench = pipeline.NewBench(r)
		if rec, err = bench.Open(ctx, name, o.recording.options(s)); err != nil {
			return err
		}
	} else {
		var err error
		if rec, err = recording.Open(ctx, name, o.recording.options(s)); err != nil {
			return err
		}
	}
	defer rec.Close()
	if err := figureDir(o.out, o.force); err != nil {
		return err
	}
	warnAll(s, rec.Info().Warnings)
	show, clear := progress(s, o.quiet || o.json)
	defer clear()
	in, err := pipeline.Inspect(ctx, rec, bench, show)
	clear()
	if err != nil {
		return err
	}
	if o.out != "" {
		if err := inspectFigures(in, o.out); err != nil {
			return err
		}
	}
	if o.json {
		encoder := json.NewEncoder(s.Out)
		encoder.SetIndent("", "  ")
		encoder.SetEscapeHTML(false)
		return encoder.Encode(in)
	}
	return printInspection(s, in)
}

// figureDir makes a directory for figures, or refuses one that is not empty.
func figureDir(dir string, force bool) error {
	if dir == "" {
		return nil
	}
	entries, err := os.ReadDir(dir)
	if err == nil && len(entries) > 0 && !force {
		return fmt.Errorf("%s: not empty (it holds %s): name another directory, or add --force", dir, entries[0].Name())
	}
	if err == nil {
		return nil
	}
	return os.MkdirAll(dir, 0o755)
}

func inspectFigures(in *pipeline.Inspection, dir string) error {
	for name, f := range map[string]*figure.Figure{"spectrum": report.Inspected(in), "stability": report.Drives(in)} {
		if f == nil {
			continue
		}
		for _, format := range []string{".png", ".svg"} {
			if err := f.Save(filepath.Join(dir, name+format)); err != nil {
				return err
			}
		}
	}
	return nil
}
