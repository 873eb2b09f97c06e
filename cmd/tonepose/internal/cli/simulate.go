package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/simulate"
)

type simulateOptions struct {
	path, out, start string
	duration, delay  time.Duration
	mains            int
	json             bool
	simulate.Options
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

Exit code: 0 done, 2 the call or a file was wrong.`,
		Example: `  tonepose simulate bench.rig.yaml --path stations --out run1.sigmf-meta
  tonepose simulate bench.rig.yaml --path sweep --duration 10s --out run2 --mains 60 --clock-ppm 25 --seed 4
  tonepose simulate bench.rig.yaml --path path.csv --out run3.wav --bits 24 --noise 3e-9 --flicker 200`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runSimulate(cmd.Context(), args[0], o, s)
		},
	}
	f := c.Flags()
	f.StringVar(&o.path, "path", "", `CSV of poses, "stations" or "sweep"`)
	f.StringVar(&o.out, "out", "", "recording to write")
	f.DurationVar(&o.duration, "duration", 0, "length of the recording (default the path's; sweep 3s)")
	f.Float64Var(&o.RateHz, "rate", 0, "sample rate in Hz (default the rig's, which solve insists on)")
	f.IntVar(&o.Bits, "bits", 16, "of the ADC: 8, 16 or 24; 0 for 32-bit float samples")
	f.Float64Var(&o.Noise, "noise", 5e-9, "white noise density in V/√Hz")
	f.Float64Var(&o.FlickerHz, "flicker", 0, "corner in Hz where flicker noise equals the white")
	f.IntVar(&o.mains, "mains", 0, "mains hum of 50 or 60 Hz with 80 harmonics; 0 for none")
	f.Float64Var(&o.MainsV, "mains-level", 10e-6, "peak of the mains fundamental in V")
	f.Float64Var(&o.ClockPPM, "clock-ppm", 0, "generator's clock against the ADC's, in ppm")
	f.Float64Var(&o.ClockDriftPPM, "clock-drift", 0, "drift of the generator's clock, in ppm a second")
	f.Float64Var(&o.OwnPPM, "own-ppm", 0, "one sigma of each tone's own clock offset, in ppm")
	f.Float64Var(&o.CurrentDrift, "drift", 0, "slow relative wander of each drive current, peak")
	f.DurationVar(&o.delay, "delay", 0, "delay of the pickups that the rig does not know of, such as 200ns")
	f.Float64Var(&o.CrosstalkOhm, "crosstalk", 0, "drive-to-pickup crosstalk in V per ampere")
	f.Uint64Var(&o.Seed, "seed", 1, "of everything random")
	f.StringVar(&o.start, "start", "2026-01-01T00:00:00Z", "time of the first sample, RFC 3339")
	f.BoolVar(&o.Force, "force", false, "replace existing files")
	f.BoolVar(&o.json, "json", false, "print the summary as JSON")
	return c
}

func (o *simulateOptions) check() error {
	if o.path == "" || o.out == "" {
		return fmt.Errorf("--path and --out must both be given")
	}
	if o.mains != 0 && o.mains != 50 && o.mains != 60 {
		return fmt.Errorf("--mains %d: must be 50, 60 or 0", o.mains)
	}
	if o.duration < 0 {
		return fmt.Errorf("--duration %v: must not be negative", o.duration)
	}
	for flag, v := range map[string]float64{"rate": o.RateHz, "noise": o.Noise, "flicker": o.FlickerHz,
		"mains-level": o.MainsV, "own-ppm": o.OwnPPM, "drift": o.CurrentDrift, "crosstalk": o.CrosstalkOhm} {
		if !(v >= 0) || math.IsInf(v, 1) {
			return fmt.Errorf("--%s %g: must be finite and not negative", flag, v)
		}
	}
	for flag, v := range map[string]float64{"clock-ppm": o.ClockPPM, "clock-drift": o.ClockDriftPPM} {
		if !(math.Abs(v) <= 1e4) {
			return fmt.Errorf("--%s %g: must be within ±10000 ppm", flag, v)
		}
	}
	var err error
	if o.Start, err = time.Parse(time.RFC3339, o.start); err != nil {
		return fmt.Errorf("--start %q: want a time such as 2026-01-01T00:00:00Z", o.start)
	}
	o.MainsHz, o.DurationS, o.PickupDelayS = float64(o.mains), o.duration.Seconds(), o.delay.Seconds()
	if o.mains == 0 {
		o.MainsV = 0
	}
	return nil
}

func runSimulate(ctx context.Context, file string, o simulateOptions, s Streams) error {
	if err := o.check(); err != nil {
		return err
	}
	r, err := rig.Load(file, rig.Options{})
	if err != nil {
		return err
	}
	var sensors []string
	for _, sensor := range r.Sensors {
		sensors = append(sensors, sensor.Name)
	}
	var p *simulate.Path
	if slices.Contains(simulate.BuiltinPaths, o.path) {
		p, err = simulate.BuiltinPath(o.path, sensors, r.WorkingVolume.Min, r.WorkingVolume.Max, o.DurationS, o.Seed)
	} else {
		p, err = simulate.ReadPath(o.path, sensors)
		if errors.Is(err, fs.ErrNotExist) {
			err = withHint(err, "built-in paths are %s", strings.Join(simulate.BuiltinPaths, " and "))
		}
	}
	if err != nil {
		return err
	}
	sum, err := simulate.Run(ctx, r, p, o.out, o.Options, nil)
	if err != nil {
		return err
	}
	for c, n := range sum.Clipped {
		if n > 0 {
			fmt.Fprintf(s.Err, "tonepose: warning: channel %s: %d of %d samples clipped at its full scale of %g V\n",
				r.Channels[c].Name, n, sum.Samples, r.Channels[c].FullScaleV)
		}
	}
	if o.json {
		return json.NewEncoder(s.Out).Encode(sum)
	}
	names := []string{sum.Recording, sum.Truth}
	if sum.Intervals != "" {
		names = append(names, sum.Intervals)
	}
	_, err = fmt.Fprintf(s.Out, "%s: %d channels, %g s at %g Hz\n", strings.Join(names, ", "), sum.Channels, sum.DurationS, sum.RateHz)
	return err
}
