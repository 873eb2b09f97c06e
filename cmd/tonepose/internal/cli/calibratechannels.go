package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/terminal"
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
	json      bool
	quiet     bool
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
	f.BoolVar(&o.json, "json", false, "print the summary as JSON")
	f.BoolVar(&o.quiet, "quiet", false, "no progress, no summary")
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
	mode, err := clock.ParseMode(o.clock)
	if err != nil {
		return err
	}
	if err := pipeline.NewRigFree(o.out, o.rig, o.force); err != nil {
		return err
	}
	r, err := rig.Load(o.rig, rig.Options{})
	if err != nil {
		return err
	}
	for _, hz := range o.tones {
		if !(hz > 0 && hz < r.NyquistHz()) {
			return fmt.Errorf("--tones %g: must lie between 0 and %g Hz", hz, r.NyquistHz())
		}
	}
	bench := pipeline.NewBench(r)
	rec, err := bench.Open(ctx, name, o.recording.options(s))
	if err != nil {
		return err
	}
	defer rec.Close()
	show, clear := progress(s, o.quiet || o.json)
	defer clear()
	matched, err := bench.MatchChannels(ctx, rec, pipeline.ChannelOptions{Reference: o.reference, Tones: o.tones, MaxDelay: o.delay.Seconds(), Clock: mode, Progress: show})
	clear()
	if err != nil {
		return err
	}
	warnAll(s, rec.Info().Warnings)
	carrying := 0
	for _, m := range matched {
		switch {
		case m.Silent:
			fmt.Fprintf(s.Err, "tonepose: channel %s does not carry all of the tones and stays as it is\n", m.Name)
			continue
		case m.SigmaPhase != nil && math.Abs(m.PhaseRad) > 5*(*m.SigmaPhase):
			fmt.Fprintf(s.Err, "tonepose: warning: channel %s: a phase of %.3g rad is left at zero frequency: it is not a plain delay, a response table would suit it\n", m.Name, m.PhaseRad)
		}
		carrying++
	}
	if carrying < 2 {
		return fmt.Errorf("%s: %w: only %s carries the tones", name, errNoRow, o.reference)
	}
	edit, err := pipeline.EditChannels(r, matched)
	if err != nil {
		return err
	}
	if _, err := edit.Save(o.out); err != nil {
		return err
	}
	if o.json {
		return json.NewEncoder(s.Out).Encode(struct {
			Recording string                    `json:"recording"`
			Reference string                    `json:"reference"`
			Out       string                    `json:"out"`
			Channels  []pipeline.MatchedChannel `json:"channels"`
		}{rec.Info().Name, o.reference, o.out, matched})
	}
	if o.quiet {
		return nil
	}
	t := terminal.NewTable(terminal.Column{Name: "channel", Left: true}, terminal.Column{Name: "gain"}, terminal.Column{Name: "sigma"},
		terminal.Column{Name: "delay", Unit: "ns"}, terminal.Column{Name: "sigma", Unit: "ns"})
	for _, m := range matched {
		if !m.Silent {
			t.Row(m.Name, terminal.Number(m.Gain, 6), terminal.Number(m.SigmaGain, 2), terminal.Number(m.DelayS*1e9, 4), terminal.Number(m.SigmaDelay*1e9, 2))
		}
	}
	if err := t.Write(s.Out, terminal.PaintFor(s.Out)); err != nil {
		return err
	}
	fmt.Fprintf(s.Out, "gains are factors on the nominal ones, delays beyond them, against %s; wrote %s\n", o.reference, o.out)
	return nil
}
