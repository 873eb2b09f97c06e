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
	if info.Int16 {
		cfg.CountVolts = info.Scale
	}
	c, err := multitone.NewContinuous(cfg, multitone.Averaging{LowPass: l.Spec, Every: l.every(p), Samples: info.Samples})
	if err != nil {
		return err
	}
	if err := listen(ctx, r, c); err != nil {
		return err
	}
	out := newFrames(cfg.Channels*len(cfg.Tones), use)
	err = b.feed(ctx, r, s, c, cfg.Tones, 2*p.GroupDelayS(), out.emit, progress)
	if failed := out.wait(); failed != nil {
		return failed
	}
	return err
}

// framer is what feed runs a recording through: a Bank or a Continuous.
type framer interface {
	Tune(hz []float64) error
	Write(x [][]float64, emit func(*multitone.Frame) error) error
	WriteInt16(x []int16, emit func(*multitone.Frame) error) error
}

var errEnough = errors.New("enough samples")

// listen reads ahead for the noise of the first rows.
func listen(ctx context.Context, r *recording.Reader, c *multitone.Continuous) error {
	var err error
	if r.Info().Int16 {
		err = counts(ctx, r, func(x []int16, first int64) error {
			if first >= listenSamples {
				return errEnough
			}
			c.ListenInt16(x)
			return nil
		})
	} else {
		err = blocks(ctx, r, func(x [][]float64, first int64) error {
			if first >= listenSamples {
				return errEnough
			}
			c.Listen(x)
			return nil
		})
	}
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}
