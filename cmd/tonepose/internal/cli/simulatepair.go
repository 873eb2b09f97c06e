package cli

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/simulate"
	"tonepose/cmd/tonepose/internal/stream"
)

// pairKinds are what simulate pair can make, each with its defaults.
var pairKinds = []string{"bridge", "chopper", "acoustic"}

type simulatePairOptions struct {
	simulate.Pair
	levels, distances []float64
	phase, celsius    float64
	out               string
	flags             *pflag.FlagSet
	output            outputFlags
}

func newSimulatePair(s Streams) *cobra.Command {
	var o simulatePairOptions
	c := &cobra.Command{
		Use:   "pair bridge|chopper|acoustic --out RECORDING",
		Short: "Make a recording of one signal and its reference, for measure",
		Long: `Pair writes a recording of two channels, signal and reference, of invented data.

bridge: a bridge driven by a carrier, out of balance by a few microvolts. Each of
--level is the peak of its output in one part of the recording, all as long.
chopper: light through a chopper wheel. Each of --level is the detector's voltage
from dark to bright; the fundamental's peak is 2/π of it, harmonic n, odd, has
1/n of that. The reference is a square wave.
acoustic: a tone heard over each of --distance through air of --temperature; its
phase is −360° · frequency · distance / speed of sound (ISO 9613-1:1993).

A CSV keeps volts and the channels' names. Beside the recording appears
STEM.truth.csv: start_s, stop_s, amplitude_v (peak, of the fundamental) and
phase_deg of each part. Equal calls give equal files.

Exit code: 0 done, 2 the call or a file was wrong.`,
		Example: `  tonepose simulate pair bridge --level 5e-6,20e-6 --out bridge.csv
  tonepose simulate pair chopper --tone 400 --out light.csv
  tonepose simulate pair acoustic --distance 0.5m,0.51m --temperature 20 --out path.csv`,
		Args:      one,
		ValidArgs: pairKinds,
		RunE: func(cmd *cobra.Command, args []string) error {
			o.flags = cmd.Flags()
			return runSimulatePair(cmd.Context(), args[0], &o, s)
		},
	}
	f := c.Flags()
	addNeeded(f, &o.out, "out", "recording to write", "name the recording to write")
	addValue(f, &o.levels, "level", "", "volts", listOf(volts.atLeast(0)), "volts of the signal, one part each, separated by commas (default: bridge 5e-6,10e-6,20e-6,10e-6; chopper 1e-3,2e-3; acoustic 10e-3)")
	addValue(f, &o.distances, "distance", "500mm,510mm,520mm,500mm", "lengths", listOf(aboveZero(metres)), "acoustic: lengths of the path, one part each")
	addValue(f, &o.celsius, "temperature", "20", "temperature", celsius.between(-50, 100), "acoustic: of the air, in °C")
	addValue(f, &o.phase, "phase", "0", "degrees", degrees.number, "bridge, chopper: phase of the signal minus that of the reference, in degrees")
	addValue(f, &o.ToneHz, "tone", "", "frequency", hertz.positive, "frequency in Hz (default: bridge 1000, chopper 400, acoustic 2000)")
	addValue(f, &o.RateHz, "rate", "20000", "frequency", sampleRate, "sample rate in Hz")
	addValue(f, &o.DurationS, "duration", "4s", "duration", aboveZero(seconds), "length of the recording")
	addValue(f, &o.ReferenceV, "reference-level", "1", "voltage", volts.positive, "peak of the reference in V")
	addValue(f, &o.Noise, "noise", "20e-9", "density", density.atLeast(0), "white noise density of both channels in V/√Hz")
	addValue(f, &o.Bits, "bits", "24", "int", sampleBits(8, 16, 24, 0), "resolution in bits: 8, 16 or 24; 0 for 32-bit float samples; a CSV holds volts in any case")
	addValue(f, &o.FullScaleV, "full-scale", "2.5", "voltage", volts.positive, "volts at full scale")
	f.Uint64Var(&o.Seed, "seed", 1, "seed of noise and phase")
	f.BoolVar(&o.Force, "force", false, "replace existing files")
	o.output.add(f)
	return c
}

// finish turns the options into the parts of a kind.
func (o *simulatePairOptions) finish(kind string) error {
	if !slices.Contains(pairKinds, kind) {
		return fmt.Errorf("%s: must be %s", kind, strings.Join(pairKinds, " or "))
	}
	refused := map[string][]string{"acoustic": {"phase"}, "bridge": {"distance", "temperature"}, "chopper": {"distance", "temperature"}}
	for _, name := range refused[kind] {
		if o.flags.Changed(name) {
			return fmt.Errorf("--%s: has no part in a recording of kind %s: leave it out", name, kind)
		}
	}
	tone, levels := 1000.0, []float64{5e-6, 10e-6, 20e-6, 10e-6}
	switch kind {
	case "chopper":
		o.Shape, tone, levels = simulate.Square, 400, []float64{1e-3, 2e-3}
	case "acoustic":
		tone, levels = 2000, []float64{10e-3}
	}
	if o.ToneHz == 0 {
		o.ToneHz = tone
	}
	if o.levels == nil {
		o.levels = levels
	}
	if kind != "acoustic" {
		for _, level := range o.levels {
			o.Parts = append(o.Parts, simulate.Part{LevelV: level, PhaseRad: o.phase * math.Pi / 180})
		}
		return nil
	}
	if n := len(o.levels); n != 1 && n != len(o.distances) {
		return fmt.Errorf("%d of --level and %d of --distance: give one level, or one for each distance", n, len(o.distances))
	}
	for i, d := range o.distances {
		o.Parts = append(o.Parts, simulate.AcousticPath(o.levels[min(i, len(o.levels)-1)], o.ToneHz, d, o.celsius))
	}
	return nil
}

func runSimulatePair(ctx context.Context, kind string, o *simulatePairOptions, s Streams) error {
	if err := o.finish(kind); err != nil {
		return err
	}
	var progress stream.Progress
	sum, err := run(s, &o.output, &progress, func() (*simulate.Summary, error) {
		return simulate.WritePair(ctx, o.Pair, o.out, func(done, total int64) { progress("simulate", done, total) })
	})
	if err != nil {
		return err
	}
	warn(s, sum.Warnings...)
	return o.output.show(s, sum, func(w io.Writer) error { return present.Simulation(w, sum) })
}
