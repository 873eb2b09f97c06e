package cli

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/multitone/window"
)

// lowPassFlags describe continuous averaging.
type lowPassFlags struct {
	kind         string
	bandwidth    float64
	timeConstant time.Duration
	enbw         float64
	stopFrom     float64
	stopDepth    float64
	output       float64
}

func (f *lowPassFlags) add(flags *pflag.FlagSet) {
	flags.StringVar(&f.kind, "lowpass", "", "average continuously in place of windows: cascade1 … cascade8, butterworth1 … butterworth8 or fir")
	flags.Float64Var(&f.bandwidth, "bandwidth", 0, "−3 dB bandwidth of the low-pass in hertz")
	flags.DurationVar(&f.timeConstant, "time-constant", 0, "time constant of the low-pass, for a cascade of each stage, as 3ms")
	flags.Float64Var(&f.enbw, "enbw", 0, "equivalent noise bandwidth of the low-pass in hertz, one-sided")
	flags.Float64Var(&f.stopFrom, "stop-from", 0, "hertz from which a fir suppresses (default: 2.5 times its bandwidth)")
	flags.Float64Var(&f.stopDepth, "stop-depth", 0, "decibels by which a fir suppresses (default 120)")
	flags.Float64Var(&f.output, "output-rate", 0, "rows a second of a low-pass, up to the sample rate (default: four times its bandwidth)")
}

// lowPass returns nil if continuous averaging is not asked for.
func (f *lowPassFlags) lowPass() (*engine.LowPass, error) {
	if f.kind == "" {
		for _, v := range []struct {
			name string
			set  bool
		}{{"bandwidth", f.bandwidth != 0}, {"time-constant", f.timeConstant != 0}, {"enbw", f.enbw != 0},
			{"stop-from", f.stopFrom != 0}, {"stop-depth", f.stopDepth != 0}, {"output-rate", f.output != 0}} {
			if v.set {
				return nil, fmt.Errorf("--%s needs --lowpass", v.name)
			}
		}
		return nil, nil
	}
	name := strings.TrimRight(f.kind, "0123456789")
	kind, err := window.KindByName(name)
	if err != nil || kind == window.MovingAverage {
		return nil, fmt.Errorf("--lowpass %s: must be cascade1 to cascade8, butterworth1 to butterworth8 or fir", f.kind)
	}
	spec := window.Spec{Kind: kind, CutoffHz: f.bandwidth, TimeConstantS: f.timeConstant.Seconds(), ENBWHz: f.enbw, StopHz: f.stopFrom, StopDB: f.stopDepth}
	switch order := f.kind[len(name):]; {
	case order != "":
		if spec.Order, err = strconv.Atoi(order); err != nil || kind != window.FIR && (spec.Order < 1 || spec.Order > 8) {
			return nil, fmt.Errorf("--lowpass %s: the order must lie in 1 to 8", f.kind)
		}
		if kind == window.FIR {
			return nil, fmt.Errorf("--lowpass %s: a fir has no order, its length follows from --bandwidth, --stop-from and --stop-depth", f.kind)
		}
	case kind != window.FIR:
		return nil, fmt.Errorf("--lowpass %s: give the order, as in %s4", f.kind, name)
	}
	given := 0
	for _, v := range []float64{f.bandwidth, f.timeConstant.Seconds(), f.enbw} {
		if v < 0 || math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("--bandwidth %g --time-constant %v --enbw %g: must be positive", f.bandwidth, f.timeConstant, f.enbw)
		}
		if v > 0 {
			given++
		}
	}
	if given != 1 {
		return nil, fmt.Errorf("--lowpass %s: give one of --bandwidth, --time-constant and --enbw, not %d of them", f.kind, given)
	}
	if f.output < 0 || math.IsNaN(f.output) || math.IsInf(f.output, 0) {
		return nil, fmt.Errorf("--output-rate %g: must be positive", f.output)
	}
	return &engine.LowPass{Spec: spec, OutputHz: f.output}, nil
}
