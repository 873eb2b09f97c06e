package cli

import (
	"fmt"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/plausible"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/skeleton"
)

func newRig(s Streams) *cobra.Command {
	c := &cobra.Command{
		Use:   "rig",
		Short: "The rig file: a skeleton to begin with, what is understood or hardly meant, a schema for editors",
		Long: `A rig file says what a bench is: its channels, emitters and sensors. Rig new
writes one to begin with, rig check reads one and says what is wrong with it or
hardly meant, rig schema writes a JSON Schema that editors check and complete by.
tonepose help rig explains every key.

Exit code: 0 done, 2 the call or the file was wrong.`,
		Example: `  tonepose rig new --layout ring --emitters 8 --coils 3 --out bench.rig.yaml
  tonepose rig check bench.rig.yaml --out drawing`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return withHint(fmt.Errorf("rig %s: is no command of rig", args[0]), "tonepose rig check %s reads a rig file", args[0])
			}
			return nil
		},
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(newRigNew(s), newRigCheck(s), newRigSchema(s))
	return c
}

func newRigNew(s Streams) *cobra.Command {
	var o skeleton.Options
	var channels, out string
	var force bool
	c := &cobra.Command{
		Use:   "new",
		Short: "Write a commented rig file to begin with",
		Long: `New writes a rig file with a comment on every part: invented values, to be
replaced by the bench's own. Tones are left out, for plan to choose.

Exit code: 0 done, 2 the call was wrong.`,
		Example: `  tonepose rig new --layout plate --emitters 9 --coils 1 --out board.rig.yaml
  tonepose rig new --channels sound-card --emitters 6 --coils 2 --out card.rig.yaml`,
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return withHint(none(c, args), "--out %s writes it there", args[0])
			}
			return nil
		},
		RunE: func(*cobra.Command, []string) error {
			o.SoundCard = channels == "sound-card"
			if o.RateHz == 0 {
				o.RateHz = map[bool]float64{false: 100e3, true: 48e3}[o.SoundCard]
			}
			o.Name = "bench"
			if out == "" {
				_, err := io.WriteString(s.Out, skeleton.Rig(o))
				return err
			}
			o.Name = filepath.Base(rigStem(out))
			batch := &files.Batch{Force: force}
			defer batch.Abort()
			if err := batch.Write(out, []byte(skeleton.Rig(o))); err != nil {
				return err
			}
			return batch.Commit()
		},
	}
	f := c.Flags()
	addValue(f, &o.Layout, "layout", skeleton.Ring, "layout", oneOf(skeleton.Layouts, skeleton.Layouts...), "of the emitters: loops on a ring or in a grid, or flat windings on a plate")
	addValue(f, &o.Emitters, "emitters", "8", "int", whole(1, 64), "how many emitters")
	addValue(f, &o.SizeM, "size", "300mm", "length", aboveZero(metres), "diameter of the ring, side of the grid or plate")
	addValue(f, &o.Coils, "coils", "3", "int", whole(1, 3), "pickup coils of the sensor, at right angles")
	addValue(f, &channels, "channels", "adc", "recorder", oneOf([]string{"adc", "sound-card"}, "adc", "sound-card"), "adc: the drive current is digitised on a channel; sound-card: it plays the drives and records the pickups alone")
	addValue(f, &o.RateHz, "rate", "", "frequency", sampleRate, "sample rate in Hz (default 100000, of a sound card 48000)")
	f.StringVar(&out, "out", "", "rig file to write (default: standard output)")
	f.BoolVar(&force, "force", false, "replace an existing file")
	return c
}

func newRigCheck(s Streams) *cobra.Command {
	var dir string
	var formats []string
	var force bool
	var output outputFlags
	c := &cobra.Command{
		Use:   "check RIG",
		Short: "Say what is wrong with a rig file or hardly meant, and what is understood",
		Long: `Check reads a rig file, tells every mistake with its line and mend, warns of what
can be but is hardly meant (millimetres for metres, kilohertz for hertz), and
prints what is understood. tone_hz and current_a_peak may be missing, for plan to
choose. --out draws the bench.

Exit code: 0 it can be used (warnings too), 2 the call or the file was wrong.`,
		Example: "  tonepose rig check bench.rig.yaml --out drawing",
		Args:    one,
		RunE: func(_ *cobra.Command, args []string) error {
			r, err := rig.Load(args[0], rig.Options{AllowMissingTones: true})
			if err != nil {
				return err
			}
			u := present.Understood{Rig: r, Warnings: plausible.Doubts(r)}
			warn(s, u.Warnings...)
			if dir != "" {
				out, err := files.Into(dir, force)
				if err != nil {
					return err
				}
				defer out.Abort()
				if err := report.SaveBench(out, r, formats); err != nil {
					return err
				}
				if err := out.Commit(); err != nil {
					return err
				}
				output.note(s, "drawing in %s", dir)
			}
			return output.show(s, u.Summary(), func(w io.Writer) error { return u.Print(w) })
		},
	}
	f := c.Flags()
	f.StringVar(&dir, "out", "", "directory for a drawing of the bench")
	addFigures(f, &formats, "png,svg", "the drawing")
	f.BoolVar(&force, "force", false, "write into a directory that is not empty")
	output.add(f)
	return c
}

func newRigSchema(s Streams) *cobra.Command {
	return &cobra.Command{
		Use:   "schema",
		Short: "Write a JSON Schema of the rig file, for editors",
		Long: `Schema writes a JSON Schema (draft 2020-12) of the rig file to standard output. An
editor that is told of it completes keys, shows what they mean, and marks what
can not be. Relations between values, as a channel that must be there, it does not
know: rig check does.

Exit code: 0 done.`,
		Example: "  tonepose rig schema > rig.schema.json",
		Args:    none,
		RunE: func(*cobra.Command, []string) error {
			text, err := rig.Schema()
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(s.Out, "%s", text)
			return err
		},
	}
}
