package cli

import (
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
)

type simulateOptions struct {
	simulate.Options
	path, out string
	output    outputFlags
}

func newSimulate(s Streams) *cobra.Command {
	var o simulateOptions
	c := &cobra.Command{
		Use:   "simulate RIG --path CSV|stations|sweep --out RECORDING",
		Short: "Make the recording that a rig would make of a known path",
		Long: `Simulate writes the recording that the rig's ADC would make while its sensors
follow a path: the emitters' exact fields averaged over the pickups' discs, the
motional EMF of a moving pickup, noise, mains, clock offset, quantising. Equal
calls give equal files.

The path is a CSV with the columns x_m y_m z_m qw qx qy qz and either time_s (a
smooth motion through these poses: it starts at 0 s) or start_s and stop_s
(stations, with smooth moves in the gaps); a column sensor gives each sensor its
own. Built in are "stations", a grid of 27 rests inside the working volume, and
"sweep", a smooth free motion.

RECORDING is SigMF unless it ends in .wav, .npy or .csv. Beside it appear
STEM.truth.csv and, for stations, STEM.intervals.csv. All files appear, or none.

Noise and mains are at the amplifiers' inputs: a channel's gain multiplies them.

A scene puts a ball or a plate of metal near the bench, and tells what happens while
it is recorded: drives off and on, coils unplugged or reversed, metal brought near.
"tonepose help scene" explains its keys.

Nothing is driven here. On a real bench coils get hot and can burn, and disturb
implants: plan tells of which, before the first one is switched on.

Exit code: 0 done, 2 the call or a file was wrong.`,
		Example: `  tonepose simulate bench.rig.yaml --path stations --out run1.sigmf-meta
  tonepose simulate bench.rig.yaml --path sweep --duration 10s --out run2 --mains 60 --clock-ppm 25 --seed 4
  tonepose simulate bench.rig.yaml --path path.csv --out run3.wav --bits 24 --noise 3e-9 --flicker 200
  tonepose simulate bench.rig.yaml --path stations --out run4 --scene plate.scene.yaml
  tonepose simulate pair bridge --out bridge.csv`,
		Args: one,
		RunE: func(cmd *cobra.Command, args []string) error { return runSimulate(cmd.Context(), args[0], &o, s) },
	}
	f := c.Flags()
	f.StringVar(&o.path, "path", "", `CSV of poses, "stations" or "sweep"`)
	f.StringVar(&o.out, "out", "", "recording to write")
	addValue(f, &o.DurationS, "duration", "", "duration", seconds, "length of the recording (default the path's; sweep 3s)")
	addValue(f, &o.RateHz, "rate", "", "frequency", sampleRate, "sample rate in Hz (default the rig's, which solve insists on)")
	addValue(f, &o.Bits, "bits", "16", "int", sampleBits(8, 16, 24, 0), "resolution of the ADC in bits: 8, 16 or 24; 0 for 32-bit float samples")
	addValue(f, &o.Noise, "noise", "5e-9", "density", density.atLeast(0), "white noise density in V/√Hz")
	addValue(f, &o.FlickerHz, "flicker", "0", "frequency", hertz.atLeast(0), "corner in Hz where flicker noise equals the white")
	addValue(f, &o.MainsHz, "mains", "0", "frequency", hertz.oneOf(50, 60, 0), "mains hum of 50 or 60 Hz with 80 harmonics; 0 for none")
	addValue(f, &o.MainsV, "mains-level", "10e-6", "voltage", volts.atLeast(0), "peak of the mains fundamental in V")
	alone(f, []string{"mains"}, "mains-level")
	addValue(f, &o.ClockPPM, "clock-ppm", "0", "ppm", ppm.between(-1e4, 1e4), "generator's clock against the ADC's, in ppm")
	addValue(f, &o.ClockDriftPPM, "clock-drift", "0", "ppm/s", ppmASecond.between(-1e4, 1e4), "drift of the generator's clock, in ppm a second")
	addValue(f, &o.OwnPPM, "own-ppm", "0", "ppm", ppm.atLeast(0), "one sigma of each tone's own clock offset, in ppm")
	addValue(f, &o.CurrentDrift, "drift", "0", "share", share.atLeast(0), "slow relative wander of each drive current, peak")
	addValue(f, &o.PickupDelayS, "delay", "", "duration", signedSeconds, "delay of the pickups that the rig does not know of, such as 200ns")
	addValue(f, &o.CrosstalkOhm, "crosstalk", "0", "resistance", ohms.atLeast(0), "drive-to-pickup crosstalk in V per ampere")
	f.StringVar(&o.Scene, "scene", "", "file of metal near the bench, and of what happens while it is recorded (help scene)")
	reads(f, "path", "scene")
	f.Uint64Var(&o.Seed, "seed", 1, "seed of all that is random: noise, phases, the path's orientations")
	addValue(f, &o.Start, "start", "2026-01-01T00:00:00Z", "time", func(text string) (time.Time, error) {
		at, err := time.Parse(time.RFC3339, text)
		if err != nil {
			err = fmt.Errorf("want a time such as 2026-01-01T00:00:00Z")
		}
		return at, err
	}, "time of the first sample, RFC 3339")
	f.BoolVar(&o.Force, "force", false, "replace existing files")
	o.output.add(f)
	c.AddCommand(newSimulatePair(s))
	return c
}

func runSimulate(ctx context.Context, file string, o *simulateOptions, s Streams) error {
	if o.path == "" || o.out == "" {
		return fmt.Errorf("--path and --out must both be given")
	}
	var progress stream.Progress
	sum, err := run(s, &o.output, &progress, func() (*simulate.Summary, error) {
		return simulate.Run(ctx, file, o.path, o.out, o.Options, func(done, total int64) { progress("simulate", done, total) })
	})
	if err != nil {
		return err
	}
	warn(s, sum.Warnings...)
	return o.output.show(s, sum, func(w io.Writer) error { return present.Simulation(w, sum) })
}
