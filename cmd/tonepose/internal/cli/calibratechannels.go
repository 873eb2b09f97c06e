package cli

import (
	"context"
	"fmt"
	"io"
	"math"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/multitone/clock"
)

type channelsOptions struct {
	recording recordingFlags
	rig       string
	out       string
	force     bool
	reference string
	tones     []float64
	delay     time.Duration
	clock     string
	output    outputFlags
}

func newCalibrateChannels(s Streams) *cobra.Command {
	var o channelsOptions
	cmd := &cobra.Command{
		Use:   "channels RECORDING --rig RIG --reference CHANNEL --out NEW_RIG",
		Short: "Gain, delay and skew of all channels, from one signal that all of them saw",
		Long: `Channels compares every channel with one of them on a recording of a signal that
all inputs were given at once, and writes the gains and delays that this tells
into a new rig. The reference channel stays as RIG states it; so does a channel
that does not carry the signal.

The signal holds the rig's tones, or those of --tones. Two tones and more tell a
delay from a wrong phase; the further apart, the better. A gain that comes out
negative says that the input is wired the other way round.

Exit code: 0 done, 1 no channel but the reference carries the signal, 2 the call
or a file was wrong.`,
		Example: `  tonepose calibrate channels common.wav --rig bench.rig.yaml --reference rx1 --tones 2e3,5e3,11e3 --out matched.rig.yaml`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runCalibrateChannels(cmd.Context(), args[0], &o, s)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.rig, "rig", "", "rig file of the bench")
	f.StringVar(&o.out, "out", "", "rig file to write")
	f.BoolVar(&o.force, "force", false, "replace an existing NEW_RIG")
	f.StringVar(&o.reference, "reference", "", "channel that the others are compared with")
	f.Float64SliceVar(&o.tones, "tones", nil, "`frequencies` of the common signal in hertz (default the rig's tones)")
	noDefault(f, "tones")
	f.DurationVar(&o.delay, "max-delay", 50*time.Microsecond, "largest difference in delay; below half the inverse spacing of the tones")
	addClock(f, &o.clock)
	o.output.add(f)
	o.recording.add(f)
	return cmd
}

func runCalibrateChannels(ctx context.Context, name string, o *channelsOptions, s Streams) error {
	for flag, v := range map[string][2]string{"rig": {o.rig, "it names the channels"}, "out": {o.out, "name the rig file to write"},
		"reference": {o.reference, "name the channel that the others are compared with"}} {
		if err := needed(flag, v[0], v[1]); err != nil {
			return err
		}
	}
	run := calibrate.ChannelOptions{Recording: name, Reading: o.recording.options(s), Rig: o.rig, Out: o.out, Force: o.force,
		Reference: o.reference, Tones: o.tones, MaxDelay: o.delay.Seconds()}
	var err error
	if run.Clock, err = clock.ParseMode(o.clock); err != nil {
		return err
	}
	var clear func()
	run.Progress, clear = o.output.progress(s)
	defer clear()
	res, err := calibrate.Channels(ctx, run)
	clear()
	if err != nil {
		return err
	}
	warn(s, res.Info.Warnings...)
	for _, m := range res.Channels {
		switch {
		case m.Silent:
			fmt.Fprintf(s.Err, "tonepose: channel %s does not carry all of the tones and stays as it is\n", m.Name)
		case math.Abs(m.PhaseRad) > 5*m.SigmaPhase:
			warn(s, fmt.Sprintf("channel %s: a phase of %.3g rad is left at zero frequency: it is not a plain delay, a response table would suit it", m.Name, m.PhaseRad))
		}
	}
	return o.output.show(s, res, func(w io.Writer) error { return present.Channels(w, res) })
}
