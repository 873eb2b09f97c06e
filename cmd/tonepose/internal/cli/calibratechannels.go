package cli

import (
	"context"
	"fmt"
	"io"
	"math"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/cmd/tonepose/internal/present"
)

func newCalibrateChannels(s Streams) *cobra.Command {
	var o calibrate.ChannelOptions
	var output outputFlags
	cmd := &cobra.Command{
		Use:   "channels RECORDING --rig RIG --reference CHANNEL --out NEW_RIG",
		Short: "Gain, delay and skew of all channels, from one signal that all of them received",
		Long: `Channels compares every channel with one of them on a recording of a signal that
all inputs received at once, and writes the gains and delays found into a new
rig. The reference channel stays as RIG states it; so does a channel
that does not carry the signal.

The signal holds the rig's tones, or those of --tones. Two tones and more separate
a delay from a wrong phase; the further apart, the better. A negative gain means
that the input is wired the other way round.

Exit code: 0 done, 1 no channel but the reference carries the signal, 2 the call
or a file was wrong.`,
		Example: `  tonepose calibrate channels common.wav --rig bench.rig.yaml --reference rx1 --tones 2e3,5e3,11e3 --out matched.rig.yaml`,
		Args:    one,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Recording = args[0]
			return runCalibrateChannels(cmd.Context(), &o, &output, s)
		},
	}
	f := cmd.Flags()
	addNeeded(f, &o.Rig, "rig", "rig file of the bench", "it names the channels")
	reads(f, "rig")
	addNeeded(f, &o.Out, "out", "rig file to write", "name the rig file to write")
	f.BoolVar(&o.Force, "force", false, "replace an existing NEW_RIG")
	addNeeded(f, &o.Reference, "reference", "channel that the others are compared with", "name the channel that the others are compared with")
	addValue(f, &o.Tones, "tones", "", "frequencies", listOf(hertz.positive), "tones of the common signal in hertz, separated by commas (default the rig's tones)")
	addValue(f, &o.MaxDelay, "max-delay", "50µs", "duration", aboveZero(signedSeconds), "largest difference in delay; below half the inverse spacing of the tones")
	addClock(f, &o.Input)
	output.add(f)
	addReading(f, &o.Input, s)
	return cmd
}

func runCalibrateChannels(ctx context.Context, o *calibrate.ChannelOptions, output *outputFlags, s Streams) error {
	res, err := run(s, output, &o.Progress, func() (*calibrate.ChannelResult, error) { return calibrate.Channels(ctx, *o) })
	if err != nil {
		return err
	}
	warn(s, res.Info.Warnings...)
	for _, m := range res.Channels {
		switch {
		case m.Silent:
			say(s.Err, "channel %s does not carry all of the tones and stays as it is", m.Name)
		case math.Abs(m.PhaseRad) > 5*m.SigmaPhase:
			warn(s, fmt.Sprintf("channel %s: a phase of %.3g rad is left at zero frequency: it is not a plain delay, a response table would suit it", m.Name, m.PhaseRad))
		}
	}
	return output.show(s, res, func(w io.Writer) error { return present.Channels(w, res) })
}
