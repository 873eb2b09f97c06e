package cli

import (
	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/multitone/clock"
)

// jobFlags are those of the commands that make tables of a recording.
type jobFlags struct {
	recording recordingFlags
	out       string
	force     bool
	framing   framingFlags
	clock     string
	output    outputFlags
}

func (f *jobFlags) add(flags *pflag.FlagSet) {
	flags.StringVar(&f.out, "out", "", "directory for the tables")
	flags.BoolVar(&f.force, "force", false, "write into a directory that is not empty")
	f.framing.add(flags)
	addClock(flags, &f.clock)
	f.output.add(flags)
	f.recording.add(flags)
}

// job is what the flags ask for. clear takes the line of its progress away.
func (f *jobFlags) job(name string, options map[string]string, s Streams) (j measure.Job, clear func(), err error) {
	j = measure.Job{Recording: name, Reading: f.recording.options(s), Out: f.out, Force: f.force,
		Intervals: f.framing.intervals, Tool: version(), Options: options}
	if j.Clock, err = clock.ParseMode(f.clock); err != nil {
		return j, nil, err
	}
	if j.Windows, err = f.framing.windows(); err != nil {
		return j, nil, err
	}
	j.Progress, clear = f.output.progress(s)
	return j, clear, nil
}
