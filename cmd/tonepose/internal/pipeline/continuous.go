package pipeline

import (
	"context"
	"errors"
	"fmt"
	"math"

	"tonepose/multitone"
	"tonepose/multitone/recording"
	"tonepose/multitone/window"
)

// LowPass says how a recording is averaged continuously, in place of windows.
type LowPass struct {
	Spec     window.Spec
	OutputHz float64 // rows a second; 0: four times the bandwidth, at most the sample rate
}

// every is the whole number of samples from one row to the next.
func (l *LowPass) every(p *window.LowPass) int {
	hz := l.OutputHz
	if hz == 0 {
		hz = 4 * p.CutoffHz()
	}
	if math.IsNaN(hz) {
		return 1
	}
	return int(max(1, math.Round(p.SampleRateHz()/hz)))
}

// listenSamples bounds what is read ahead to know the noise of the first rows.
const listenSamples = 1 << 18

// measureContinuous hands out a frame at every output of the low-pass.
func (b *Bench) measureContinuous(ctx context.Context, r *recording.Reader, s *Survey, cfg multitone.Config, l *LowPass, use measured, progress Progress) error {
	info := r.Info()
	p, err := window.Design(l.Spec, info.SampleRate)
	if err != nil {
		return err
	}
	if p.SettlingS(1e-3) > info.Duration() {
		return fmt.Errorf("%s: the low-pass settles to 0.1 %% in %.4g s, longer than the recording, %g s: widen it", info.Name, p.SettlingS(1e-3), info.Duration())
	}
	tune(&cfg, s, 0, retuneSeconds)
	c, err := multitone.NewContinuous(cfg, multitone.Averaging{LowPass: l.Spec, Every: l.every(p), Samples: info.Samples})
	if err != nil {
		return err
	}
	err = blocks(ctx, r, func(x [][]float64, first int64) error {
		if first >= listenSamples {
			return errEnough
		}
		c.Listen(x)
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return err
	}
	emit := func(f *multitone.Frame) error { return use(f, nil) }
	tuned := 0.0
	return blocks(ctx, r, func(x [][]float64, first int64) error {
		progress.report("measure", first, info.Samples)
		if t := float64(first) / info.SampleRate; t > tuned+retuneSeconds {
			tuned = t
			if hz := s.Track.Hz(t, t+retuneSeconds); moved(cfg.Tones, hz, 2*p.GroupDelayS()) {
				for k := range hz {
					cfg.Tones[k].Hz = hz[k]
				}
				if err := c.Tune(hz); err != nil {
					return err
				}
			}
		}
		return c.Write(x, emit)
	})
}
