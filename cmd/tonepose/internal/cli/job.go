package cli

import (
	"fmt"
	"io"
	"runtime/debug"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/figure/chart"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/terminal"
	"tonepose/multitone/clock"
)

// addReading adds the flags for recordings that do not describe themselves.
func addReading(f *pflag.FlagSet, in *measure.Input, s Streams) {
	in.Reading.Stdin = s.In
	f.StringVar(&in.Reading.Format, "format", "", "format of the recording: sigmf, wav, npy, csv, or raw samples as ri16_le, rf32_le … (default: by content)")
	addValue(f, &in.Reading.SampleRate, "rate", "", "frequency", sampleRate, "sample rate in hertz, where the recording does not state it")
	addValue(f, &in.Reading.Channels, "channels", "", "int", whole(1, 4096), "number of channels of raw samples")
	f.BoolVar(&in.Reading.IgnoreHash, "ignore-hash", false, "read a SigMF recording whose sha512 does not agree")
}

func addFullScale(f *pflag.FlagSet, in *measure.Input) {
	addValue(f, &in.Reading.FullScale, "full-scale", "", "volts", listOf(volts.positive), "volts at full scale of integer samples: one number, or one per channel")
}

func addClock(f *pflag.FlagSet, in *measure.Input) {
	addValue(f, &in.Clock, "clock", "common", "mode", oneOf([]string{"common", "each", "none"}, clock.Common, clock.Each, clock.None),
		"what is unknown of the tones' frequencies: common (one clock offset), each or none")
}

func addBaseline(f *pflag.FlagSet, in *measure.Input) {
	f.StringVar(&in.Baseline, "baseline", "", "recording with the sensor far away: crosstalk to subtract")
	reads(f, "baseline")
}

// addFigures adds the flag of the formats that figures are written in.
func addFigures(f *pflag.FlagSet, to *[]string, initial, help string) {
	addValue(f, to, "figures", initial, "formats", figureFormats, "formats of "+help+": png, svg, pdf, separated by commas, or none")
}

func figureFormats(text string) (formats []string, err error) {
	if text == "none" {
		return nil, nil
	}
	for format := range strings.SplitSeq(text, ",") {
		if format = strings.TrimSpace(format); !slices.Contains(chart.Formats, format) {
			return nil, fmt.Errorf("want png, svg or pdf, separated by commas, or none")
		}
		formats = append(formats, format)
	}
	return formats, nil
}

// addJob adds the flags of the commands that make tables of a recording.
func addJob(f *pflag.FlagSet, j *measure.Job, a *averagingFlags, s Streams) {
	f.StringVar(&j.Out, "out", "", "directory for the tables")
	f.BoolVar(&j.Force, "force", false, "write into a directory that is not empty")
	addMeasuring(f, j, a, s)
}

// addMeasuring adds the flags that say how recordings are read and averaged.
func addMeasuring(f *pflag.FlagSet, j *measure.Job, a *averagingFlags, s Streams) {
	a.add(f, j)
	f.StringVar(&j.Intervals, "intervals", "", "CSV with start_s, stop_s and, if wanted, sensor: one measurement a row")
	reads(f, "intervals")
	addClock(f, &j.Input)
	addReading(f, &j.Input, s)
}

// provenance notes the version of the tool and all options for the tables.
func provenance(f *pflag.FlagSet, j *measure.Job) {
	j.Tool, j.Options = version(), map[string]string{}
	f.VisitAll(func(f *pflag.Flag) {
		if f.Name != "help" {
			j.Options[f.Name] = f.Value.String()
		}
	})
}

// version names the build: the module's version, or the revision that it was built
// from and whether files differed from it.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "tonepose, of unknown version"
	}
	settings := map[string]string{}
	for _, s := range info.Settings {
		settings[s.Key] = s.Value
	}
	return "tonepose " + versionOf(info.Main.Version, settings["vcs.revision"], settings["vcs.time"], settings["vcs.modified"] == "true")
}

func versionOf(module, revision, time string, modified bool) string {
	if module != "" && module != "(devel)" {
		return module
	}
	if revision == "" {
		return "(devel)"
	}
	text := "revision " + revision[:min(len(revision), 12)]
	if day, _, ok := strings.Cut(time, "T"); ok {
		text += " of " + day
	}
	if modified {
		text += ", with changes"
	}
	return text
}

// run does a job while what it reports to progress shows on stderr: only on a
// terminal, never with --quiet or --json.
func run[R any](s Streams, f *outputFlags, progress *stream.Progress, job func() (R, error)) (R, error) {
	p := terminal.NewProgress(s.Err, f.quiet || f.json)
	defer p.Clear()
	*progress = p.Show
	return job()
}

// draw writes figures while stderr says so, as run does.
func draw(s Streams, f *outputFlags, figures func() error) error {
	var progress stream.Progress
	_, err := run(s, f, &progress, func() (any, error) {
		progress.Report("draw", 0, 0)
		return nil, figures()
	})
	return err
}

// outputFlags say what a command prints.
type outputFlags struct{ json, quiet bool }

func (f *outputFlags) add(flags *pflag.FlagSet) {
	flags.BoolVar(&f.json, "json", false, "print the result as JSON")
	flags.BoolVar(&f.quiet, "quiet", false, "no progress, no notes, no text: files, JSON, warnings and errors alone")
}

// say writes a message for people. What comes from files in it, as names, moves no cursor and
// begins no message of its own.
func say(w io.Writer, format string, values ...any) {
	text := terminal.Clean(fmt.Sprintf(format, values...))
	fmt.Fprintf(w, "tonepose: %s\n", strings.ReplaceAll(text, "\n", "\n  "))
}

// note says on stderr what was done.
func (f *outputFlags) note(s Streams, format string, values ...any) {
	if !f.quiet {
		say(s.Err, format, values...)
	}
}

// show prints a result to stdout: as JSON, in words, or not at all.
func (f *outputFlags) show(s Streams, v any, words func(io.Writer) error) error {
	switch {
	case f.json:
		return present.JSON(s.Out, v)
	case f.quiet:
		return nil
	}
	return words(s.Out)
}

// warn prints on stderr what is doubtful about the data.
func warn[T any](s Streams, all ...T) {
	for _, w := range all {
		say(s.Err, "warning: %v", w)
	}
}
