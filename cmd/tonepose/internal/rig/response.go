package rig

import (
	"fmt"
	"math"
	"math/cmplx"
	"sort"
)

// tableMargin is how far beyond its ends a response table still serves,
// relative: a tone listed in the table is measured in the ADC's clock, up to
// 200 ppm off.
const tableMargin = 1e-3

// Response returns the channel's transfer V_adc/V_coil at hz, to divide a
// measured phasor by: gain·e^{-jω·delay}, or the table's.
//
// Between the rows of a table ln(gain) is linear in ln(hz), which is exact for
// a slope of constant decibels per octave, and the phase is linear in hz, which
// is exact for a delay. The phase is taken to change by less than 180° from
// row to row. Beyond its ends by more than 0.1 % a table is an error
// (*Error); within, the outermost segment goes on.
func (c *Channel) Response(hz float64) (complex128, error) {
	if len(c.Table) == 0 {
		return cmplx.Rect(c.Gain, -2*math.Pi*hz*c.DelayS), nil
	}
	t := c.Table
	last := len(t) - 1
	if !(hz >= t[0].Hz*(1-tableMargin) && hz <= t[last].Hz*(1+tableMargin)) {
		return 0, &Error{File: c.file, Line: c.line, Path: c.path + ".response",
			Message: fmt.Sprintf("covers %s to %s Hz, not %s Hz", format(t[0].Hz), format(t[last].Hz), format(hz)),
			Hint:    "measure the response there and add a row"}
	}
	if last == 0 {
		return cmplx.Rect(t[0].Gain, t[0].PhaseDeg*math.Pi/180), nil
	}
	k := sort.Search(last, func(i int) bool { return t[i].Hz > hz })
	k = min(max(k, 1), last)
	a, b := t[k-1], t[k]
	inLog := math.Log(hz/a.Hz) / math.Log(b.Hz/a.Hz)
	change := math.Remainder(b.PhaseDeg-a.PhaseDeg, 360)
	phase := a.PhaseDeg + change*(hz-a.Hz)/(b.Hz-a.Hz)
	gain := a.Gain * math.Pow(b.Gain/a.Gain, inLog)
	return cmplx.Rect(gain, phase*math.Pi/180), nil
}
