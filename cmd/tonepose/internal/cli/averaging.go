package cli

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/window"
)

// averagingFlags say how a recording is cut and averaged.
type averagingFlags struct {
	flags   *pflag.FlagSet
	kind    window.Spec // kind and order
	lowPass stream.LowPass
}

// lowPassFlags are those that need --lowpass.
var lowPassFlags = []string{"bandwidth", "time-constant", "enbw", "stop-from", "stop-depth", "output-rate"}

func (a *averagingFlags) add(f *pflag.FlagSet, j *measure.Job) {
	a.flags = f
	w, spec := &j.Windows, &a.lowPass.Spec
	addValue(f, &w.Length, "window", "", "duration", aboveZero(signedSeconds), "length of successive windows, as 10ms")
	addValue(f, &w.Hop, "hop", "", "duration", aboveZero(signedSeconds), "from one window's start to the next (default: the window's length)")
	addValue(f, &w.Taper, "taper", "hann", "name", taper, "weighting of the windows, a sum of cosines: hann, rectangular, blackman-harris …")
	addValue(f, &a.kind, "lowpass", "", "kind", lowPass, "average continuously instead of in windows: cascade1 … cascade8, butterworth1 … butterworth8 or fir")
	addValue(f, &spec.CutoffHz, "bandwidth", "", "frequency", hertz.positive, "−3 dB bandwidth of the low-pass in hertz")
	addValue(f, &spec.TimeConstantS, "time-constant", "", "duration", aboveZero(signedSeconds), "time constant of the low-pass, for a cascade of each stage, as 3ms")
	addValue(f, &spec.ENBWHz, "enbw", "", "frequency", hertz.positive, "equivalent noise bandwidth of the low-pass in hertz, one-sided")
	addValue(f, &spec.StopHz, "stop-from", "", "frequency", hertz.positive, "hertz from which a fir suppresses (default: 2.5 times its bandwidth)")
	addValue(f, &spec.StopDB, "stop-depth", "", "decibels", decibels.positive, "decibels by which a fir suppresses (default 120)")
	addValue(f, &a.lowPass.OutputHz, "output-rate", "", "frequency", hertz.positive, "rows a second of a low-pass, up to the sample rate (default: four times its bandwidth)")
}

func taper(text string) (stream.Taper, error) {
	t, err := window.ForFit(text)
	return stream.Taper{Name: text, Cosine: t.Coefficients()}, err
}

// lowPass reads the kind of a low-pass with its order.
func lowPass(text string) (spec window.Spec, err error) {
	name := strings.TrimRight(text, "0123456789")
	order := text[len(name):]
	spec.Kind, err = window.KindByName(name)
	switch {
	case err != nil || spec.Kind == window.MovingAverage:
		return spec, errors.New("must be cascade1 to cascade8, butterworth1 to butterworth8 or fir")
	case spec.Kind == window.FIR && order != "":
		return spec, errors.New("a fir has no order, its length follows from --bandwidth, --stop-from and --stop-depth")
	case spec.Kind == window.FIR:
		return spec, nil
	case order == "":
		return spec, fmt.Errorf("give the order, as in %s4", name)
	}
	if spec.Order, err = strconv.Atoi(order); err != nil || spec.Order < 1 || spec.Order > 8 {
		err = errors.New("the order must lie in 1 to 8")
	}
	return spec, err
}

// finish completes the windows of a job.
func (a *averagingFlags) finish(j *measure.Job) error {
	w := &j.Windows
	switch {
	case w.Length > 0 && j.Intervals != "":
		return errors.New("--window and --intervals exclude each other")
	case w.Length == 0 && w.Hop > 0:
		return fmt.Errorf("--hop %gs needs --window", w.Hop)
	case w.Hop == 0:
		w.Hop = w.Length
	}
	if a.kind.Kind == 0 {
		for _, name := range lowPassFlags {
			if a.flags.Changed(name) {
				return fmt.Errorf("--%s needs --lowpass", name)
			}
		}
		return nil
	}
	if w.Length > 0 || j.Intervals != "" {
		return errors.New("--lowpass excludes --window and --intervals")
	}
	given := 0
	for _, name := range lowPassFlags[:3] {
		if a.flags.Changed(name) {
			given++
		}
	}
	if given != 1 {
		return fmt.Errorf("--lowpass: give one of --bandwidth, --time-constant and --enbw, not %d of them", given)
	}
	w.LowPass = &a.lowPass
	w.LowPass.Spec.Kind, w.LowPass.Spec.Order = a.kind.Kind, a.kind.Order
	return nil
}
