package document

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/inspect"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
)

// look inspects the run's recording: the one named, or one of its name and size beside
// the run. Without one there is nothing to
// show.
func (run *Run) look(ctx context.Context, o *RunOptions) error {
	from := &run.Metadata.Recording
	name := o.Recording
	if name == "" && from.Size > 0 {
		name = run.recording()
	}
	if !named(name) {
		return nil
	}
	temp, remove, err := files.Temporary("tonepose-report")
	if err != nil {
		return err
	}
	defer remove()
	rig := filepath.Join(temp, "rig.yaml")
	if err := os.WriteFile(rig, []byte(run.Metadata.Rig), 0o600); err != nil {
		return err
	}
	in, err := inspect.Run(ctx, measure.Input{Recording: name, Rig: rig, Reading: o.Reading, Progress: o.Progress}, "")
	switch {
	case err == nil && in.SHA256 == from.SHA256:
		run.Inspection = in
	case o.Recording == "" && ctx.Err() == nil: // nobody asked for it
	case err == nil && from.SHA256 == "":
		return fmt.Errorf("%s: %s was made of a stream, and does not say of which recording: leave it out, or solve the recording", name, run.Dir)
	case err == nil:
		return fmt.Errorf("%s: its sha256 is %s: %s was made of a recording whose sha256 is %s: name that one, or none", name, in.SHA256, run.Dir, from.SHA256)
	default:
		return errors.Join(err, ctx.Err())
	}
	return nil
}

// margin is the channel nearest to the end of the converter's range, in words; empty: not
// known.
func (run *Run) margin() string {
	if run.Inspection == nil {
		return ""
	}
	var most *inspect.Channel
	for i := range run.Inspection.Channels {
		if ch := &run.Inspection.Channels[i]; ch.FullScaleShare > 0 && (most == nil || ch.FullScaleShare > most.FullScaleShare) {
			most = ch
		}
	}
	if most == nil {
		return ""
	}
	return fmt.Sprintf("least margin: %s at %s %% of range", most.Name, present.Number(100*most.FullScaleShare, 3))
}

// samples are range, noise and spectrum of every channel.
func (c *chapter) samples() error {
	in := c.run.Inspection
	if in == nil {
		return nil
	}
	level := func(v float64) cell {
		if in.Unit != "V" {
			return cell{Dark: strings.Replace(present.Number(v, 3), "-", "−", 1)}
		}
		return cell{Dark: strings.Replace(quantity(v, "V"), "-", "−", 1)}
	}
	g := &grid{Head: []string{"channel", "least", "largest", "of range", "offset", "noise in 1 Hz", "clipped", "stuck"}}
	for _, ch := range in.Channels {
		share := cell{Dark: "–"}
		if ch.FullScaleShare > 0 {
			share = cell{Dark: present.Number(100*ch.FullScaleShare, 3) + " %"}
			if ch.FullScaleShare > 0.99 {
				share.Class = "alarm"
			}
		}
		count := func(n int64) cell {
			if n > 0 {
				return cell{Dark: fmt.Sprint(n), Class: "alarm"}
			}
			return cell{Dark: "0"}
		}
		noise := cell{Dark: "–"}
		if ch.WhiteDensity > 0 && !math.IsInf(ch.WhiteDensity, 0) {
			noise = level(ch.WhiteDensity)
		}
		g.Rows = append(g.Rows, []cell{{Dark: ch.Name}, level(ch.Min), level(ch.Max), share, level(ch.DC), noise, count(ch.Clipped), count(ch.Stuck)})
	}
	c.list("Range and noise of every channel", fmt.Sprintf("Of the whole recording, at the converter, in %s; noise: white density, rms.", map[bool]string{true: "volts", false: "shares of full scale"}[in.Unit == "V"]), g)
	f := report.Inspected(in)
	f.Title = "Spectrum of every channel"
	f.Alt = fmt.Sprintf("Spectral density of %d channels over frequency, one strip each, with the tones of the emitters; %s", len(in.Channels), f.Note)
	return c.show(f, true)
}
