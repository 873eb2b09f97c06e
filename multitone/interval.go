package multitone

import (
	"fmt"
	"slices"
)

// Interval measures all tones on all channels once, over a stretch of any
// length with equal weights: the efficient estimate for what keeps still. It
// holds no more than a chunk of the samples.
type Interval struct {
	cfg         Config
	start, stop int64
	at          int64 // the next sample expected
	analysis    *analysis
	meter       *meter
	chunk       [][]float64
	filled      int
	done        int // chunks projected
}

// NewInterval prepares the measurement of samples start to stop (excluded).
func NewInterval(c Config, start, stop int64) (*Interval, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	if stop-start < 8 {
		return nil, fmt.Errorf("multitone: interval of %d samples: at least 8 are needed", stop-start)
	}
	c.Tones = slices.Clone(c.Tones)
	v := &Interval{cfg: c, start: start, stop: stop, at: start}
	length := int(stop - start)
	var err error
	if v.analysis, err = newAnalysis(&v.cfg, shape{length, []float64{1}}); err != nil {
		return nil, err
	}
	if v.meter, err = newMeter(&v.cfg, v.cfg.meterLength(length), false); err != nil {
		return nil, err
	}
	v.chunk = make([][]float64, c.Channels)
	for i := range v.chunk {
		v.chunk[i] = make([]float64, v.analysis.projection.chunk)
	}
	return v, nil
}

// Write feeds samples of which the first is number first of the recording;
// what lies outside of the interval is passed over. It reports whether the
// interval is complete.
func (v *Interval) Write(x [][]float64, first int64) (complete bool) {
	from := int(max(v.at-first, 0))
	to := int(min(v.stop-first, int64(len(x[0]))))
	if from >= to {
		return v.at >= v.stop
	}
	v.meter.write(x, from, to)
	v.at += int64(to - from)
	for from < to {
		n := min(to-from, len(v.chunk[0])-v.filled)
		for c := range v.chunk {
			copy(v.chunk[c][v.filled:], x[c][from:from+n])
		}
		v.filled += n
		from += n
		if v.filled == len(v.chunk[0]) {
			v.project()
		}
	}
	return v.at >= v.stop
}

func (v *Interval) project() {
	for c := range v.chunk {
		clear(v.chunk[c][v.filled:])
	}
	v.analysis.projection.add(v.done, v.chunk)
	v.done++
	v.filled = 0
}

// Frame finishes the estimate. It is an error if the samples ended before the
// interval did.
func (v *Interval) Frame() (*Frame, error) {
	if v.at < v.stop {
		return nil, fmt.Errorf("multitone: samples end at %d, before the interval's end at %d", v.at, v.stop)
	}
	if v.filled > 0 {
		v.project()
	}
	f := v.cfg.newFrame()
	f.Start, f.Stop = v.start, v.stop
	v.analysis.estimate(&f)
	v.analysis.weigh(&f, v.meter)
	return &f, nil
}
