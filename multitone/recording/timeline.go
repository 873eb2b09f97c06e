package recording

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
)

const (
	// leadRows are looked at before the step is known.
	leadRows = 4096
	// lag over which the step is first measured: rounding of the stamps counts 1/lag, and a gap spoils only lag of the
	// differences, which the median ignores.
	lag = 32
	// maxGaps: more are no gaps but uneven sampling.
	maxGaps = 100_000
)

// timeline checks time stamps as they come and fits the sample rate to all of them, in bounded memory.
//
// Stamps are printed decimals, so single steps are rounded; the rate is the slope of a straight line through all stamps
// (one slope, an offset for each capture). A stamp more than half a step late against a slowly following prediction
// starts a new capture.
type timeline struct {
	name     string
	guess    bool // the column is not named as time: it must rise evenly
	lead     []float64
	leadLine []int64
	known    bool
	step     float64 // of the lead, for the prediction and as offset of the fit
	first    float64
	previous float64
	predict  float64
	rows     int64
	captures []Capture
	worst    float64 // largest deviation from the prediction [s]
	worstAt  int64   // its line
	warnings []error

	// Sums of the fit of y = t − k·step against x = k, k counted in each capture.
	n                      float64
	origin, mx, my         float64
	cxx, cxy, cyy          float64 // of this capture
	sumXX, sumXY, sumYY, m float64 // of all before
}

// errNotTime: a column that was only guessed to be time is not.
var errNotTime = errors.New("not a time column")

// even tells whether the stamps of the lead rise evenly: at least three, and all steps but 1 % within a tenth of their
// median. Noise does not pass; the stamps of a logger with a few gaps do.
func (c *timeline) even() bool {
	steps := differences(c.lead, 1)
	if len(steps) < 2 {
		return false
	}
	slices.Sort(steps)
	median := steps[len(steps)/2]
	uneven := 0
	for _, s := range steps {
		if math.Abs(s-median) > 0.1*median {
			uneven++
		}
	}
	return median > 0 && uneven*100 <= len(steps)
}

func differences(t []float64, lag int) []float64 {
	var d []float64
	for i := lag; i < len(t); i++ {
		d = append(d, t[i]-t[i-lag])
	}
	return d
}

// add takes the stamp t [s] of the next row.
func (c *timeline) add(t float64, line int64) error {
	if c.known {
		return c.follow(t, line)
	}
	if n := len(c.lead); c.guess && n > 0 && !(t > c.lead[n-1]) {
		return errNotTime
	}
	c.lead, c.leadLine = append(c.lead, t), append(c.leadLine, line)
	if len(c.lead) == leadRows {
		return c.begin()
	}
	return nil
}

// begin measures the step on the lead, then follows it.
func (c *timeline) begin() error {
	if c.known = true; c.guess && !c.even() {
		return errNotTime
	}
	if n := len(c.lead); n > 1 {
		l := max(1, min(lag, n/8))
		d := differences(c.lead, l)
		slices.Sort(d)
		c.step = d[len(d)/2] / float64(l)
		if !(c.step > 0) {
			return fmt.Errorf("%s:%d: time does not rise: %g s, then %g s; sort the rows, or leave the time column out and "+
				"give the sample rate", c.name, c.leadLine[1], c.lead[0], c.lead[1])
		}
	}
	for i, t := range c.lead {
		if err := c.follow(t, c.leadLine[i]); err != nil {
			return err
		}
	}
	return nil
}

func (c *timeline) follow(t float64, line int64) error {
	if c.rows == 0 {
		c.first, c.predict = t, t
		c.open(t, 0)
	} else {
		if !(t > c.previous) {
			return fmt.Errorf("%s:%d: time %.12g s after %.12g s: must rise with every row; sort the rows, print more decimals, "+
				"or leave the time column out and give the sample rate", c.name, line, t, c.previous)
		}
		late := t - c.predict
		switch {
		case late > 0.5*c.step:
			if len(c.captures) > maxGaps {
				return fmt.Errorf("%s:%d: more than %d gaps: the time column is not evenly spaced; resample it", c.name, line,
					maxGaps)
			}
			c.open(t, max(1, int64(math.Round(min(late/c.step, 1e15)))))
			c.predict = t
		case late < -0.5*c.step:
			return fmt.Errorf("%s:%d: time %.12g s is %.3g s early for steps of %.6g s; the time column is not evenly "+
				"spaced: resample it, or leave it out and give the sample rate", c.name, line, t, -late, c.step)
		default:
			if a := math.Abs(late); a > c.worst {
				c.worst, c.worstAt = a, line
			}
			c.predict += late / 8 // follows an error of the first step, averages over rounding
		}
	}
	c.fit(t)
	c.previous = t
	c.predict += c.step
	c.rows++
	return nil
}

// open starts a capture at stamp t.
func (c *timeline) open(t float64, missing int64) {
	c.close()
	c.origin, c.n, c.mx, c.my, c.cxx, c.cxy, c.cyy = t, 0, 0, 0, 0, 0, 0
	c.captures = append(c.captures, Capture{Start: c.rows, Time: t - c.first, Missing: missing})
}

func (c *timeline) close() {
	c.sumXX += c.cxx
	c.sumXY += c.cxy
	c.sumYY += c.cyy
	c.m += max(0, c.n-1)
}

// fit updates the sums about the running means.
func (c *timeline) fit(t float64) {
	x := c.n
	y := (t - c.origin) - x*c.step
	c.n++
	dx, dy := x-c.mx, y-c.my
	c.mx += dx / c.n
	c.my += dy / c.n
	c.cxx += dx * (x - c.mx)
	c.cxy += dx * (y - c.my)
	c.cyy += dy * (y - c.my)
}

// end tells that all rows have been added.
func (c *timeline) end() error {
	if !c.known {
		if err := c.begin(); err != nil {
			return err
		}
	}
	c.close()
	return nil
}

// counts tells whether a guessed column numbers the samples, 0, 1, 2, … or 1, 2, 3, …, rather than telling the time.
func (c *timeline) counts() bool {
	return c.guess && c.step == 1 && (c.first == 0 || c.first == 1) && c.sumYY == 0
}

// sampleRate that all stamps together give [Hz]; 0 if one row gives none.
func (c *timeline) sampleRate() float64 {
	if c.sumXX == 0 {
		return 0
	}
	slope := c.sumXY / c.sumXX
	step := c.step + slope
	sigma := math.Sqrt(max(0, c.sumYY-slope*c.sumXY) / max(1, c.m-1) / c.sumXX)
	if c.worst > 0.1*step {
		c.warnings = append(c.warnings, fmt.Errorf("%s:%d: time stamps are up to %.2g s (%.0f %% of a step) off even spacing: "+
			"read as evenly spaced", c.name, c.worstAt, c.worst, 100*c.worst/step))
	}
	// Five sigma of the fit, and what float64 leaves of stamps of this size, spread over the recording.
	tolerance := 5*sigma/step + 0x1p-52*math.Max(math.Abs(c.first), math.Abs(c.previous))/(step*math.Sqrt(c.sumXX)) + 1e-14
	return plainest(step, tolerance)
}

// plainest is the rate 1/step; among the rates within the relative tolerance the one with the fewest digits in either
// the rate or the step, as instruments are set to round numbers.
func plainest(step, tolerance float64) float64 {
	round := func(x float64, digits int) (rounded float64, within bool) {
		rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', digits, 64), 64)
		return rounded, err == nil && math.Abs(rounded-x) <= tolerance*x
	}
	for digits := 1; digits <= 16; digits++ {
		if rate, ok := round(1/step, digits); ok {
			return rate
		}
		if step, ok := round(step, digits); ok {
			return 1 / step
		}
	}
	return 1 / step
}
