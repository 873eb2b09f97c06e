package source

import (
	"context"
	"fmt"
	"math"
	"time"
)

// pacer lets samples pass when they are due.
type pacer struct {
	rate    float64 // samples a second by the wall clock; infinite: all are due
	began   time.Time
	timer   *time.Timer
	arrived time.Time // when the newest sample that passed was due
}

// tick is how much is handed out at a time at least [s], unless less is asked for or left.
const tick = 1e-3

// newPacer plays sampleRate pace times as fast; pace 0 is 1.
func newPacer(sampleRate, pace float64) (*pacer, error) {
	if pace == 0 {
		pace = 1
	}
	if !(pace > 0) {
		return nil, fmt.Errorf("pace %g: must be positive", pace)
	}
	return &pacer{rate: sampleRate * pace}, nil
}

// due waits until some of the n samples from pos on are due, and says how many. Time begins with the first call.
func (p *pacer) due(ctx context.Context, pos int64, n int) (int, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	now := time.Now()
	if p.began.IsZero() {
		p.began = now
	}
	if math.IsInf(p.rate, 1) {
		p.arrived = now
		return n, nil
	}
	least := min(n, int(math.Ceil(p.rate*tick)))
	if wait := p.at(pos + int64(least)).Sub(now); wait > 0 {
		if p.timer == nil {
			p.timer = time.NewTimer(wait)
		} else {
			p.timer.Reset(wait)
		}
		select {
		case <-ctx.Done():
			p.timer.Stop()
			return 0, ctx.Err()
		case now = <-p.timer.C:
		}
	}
	passed := int64(now.Sub(p.began).Seconds() * p.rate)
	n = int(min(int64(n), max(int64(least), passed-pos)))
	p.arrived = p.at(pos + int64(n))
	return n, nil
}

// at is when so many samples have come.
func (p *pacer) at(samples int64) time.Time {
	return p.began.Add(time.Duration(float64(samples) / p.rate * float64(time.Second)))
}
