package cli

import (
	"fmt"
	"time"

	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/multitone/window"
)

// framingFlags say how a recording is cut.
type framingFlags struct {
	window    time.Duration
	hop       time.Duration
	taper     string
	intervals string
	lowPass   lowPassFlags
}

func (f *framingFlags) add(flags *pflag.FlagSet) {
	flags.DurationVar(&f.window, "window", 0, "length of successive windows, as 10ms")
	flags.DurationVar(&f.hop, "hop", 0, "from one window's start to the next (default: the window's length)")
	flags.StringVar(&f.taper, "taper", "hann", "weighting of the windows, a sum of cosines: hann, rectangular, blackman-harris, hft95 (a flat-top) …")
	flags.StringVar(&f.intervals, "intervals", "", "CSV with start_s, stop_s and, if wanted, sensor: one measurement a row")
	f.lowPass.add(flags)
}

// series tells whether there is more than one measurement.
func (f *framingFlags) series() bool {
	return f.window > 0 || f.intervals != "" || f.lowPass.kind != ""
}

func (f *framingFlags) windows() (engine.Windows, error) {
	w := engine.Windows{Length: f.window.Seconds(), Hop: f.hop.Seconds()}
	switch {
	case f.window < 0 || f.hop < 0:
		return w, fmt.Errorf("--window %v --hop %v: must be positive", f.window, f.hop)
	case f.window > 0 && f.intervals != "":
		return w, fmt.Errorf("--window and --intervals exclude each other")
	case f.hop > 0 && f.window == 0:
		return w, fmt.Errorf("--hop %v needs --window", f.hop)
	}
	var err error
	if w.LowPass, err = f.lowPass.lowPass(); err != nil {
		return w, err
	}
	if w.LowPass != nil && (f.window > 0 || f.intervals != "") {
		return w, fmt.Errorf("--lowpass excludes --window and --intervals")
	}
	if f.window > 0 {
		if w.Hop == 0 {
			w.Hop = w.Length
		}
		t, err := window.ByName(f.taper)
		if err != nil {
			return w, err
		}
		w.Taper = f.taper
		if w.Cosine = t.Coefficients(); w.Cosine == nil {
			return w, fmt.Errorf("--taper %s: must be a sum of cosines, as hann or rectangular", f.taper)
		}
	}
	return w, nil
}
