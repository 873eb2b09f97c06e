package cli

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/cmd/tonepose/internal/present"
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
	flags.Float64Var(&f.bandwidth, "bandwidth", 0, "of the low-pass in hertz, −3 dB")
	flags.DurationVar(&f.timeConstant, "time-constant", 0, "of the low-pass, of each stage of a cascade, as 3ms")
	flags.Float64Var(&f.enbw, "enbw", 0, "equivalent noise bandwidth of the low-pass in hertz, one-sided")
	flags.Float64Var(&f.stopFrom, "stop-from", 0, "hertz from which a fir suppresses (default: 2.5 times its bandwidth)")
	flags.Float64Var(&f.stopDepth, "stop-depth", 0, "decibels by which a fir suppresses (default 120)")
	flags.Float64Var(&f.output, "output-rate", 0, "rows a second of a low-pass, up to the sample rate (default: four times its bandwidth)")
}

// lowPass returns nil if continuous averaging is not asked for.
func (f *lowPassFlags) lowPass() (*pipeline.LowPass, error) {
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
	return &pipeline.LowPass{Spec: spec, OutputHz: f.output}, nil
}

// printAveraging says what the averaging does to signals and noise.
func printAveraging(s Streams, a *pipeline.Averaging) {
	q := present.Quantity
	kind := a.Kind
	if a.WindowS > 0 {
		kind += " of " + q(a.WindowS, "s")
	}
	if a.BandwidthHz > 0 {
		kind += ", −3 dB at " + q(a.BandwidthHz, "Hz")
	}
	fmt.Fprintf(s.Out, "averaging: %s, equivalent noise bandwidth %s\n", kind, q(a.ENBWHz, "Hz"))
	fmt.Fprintf(s.Out, "group delay %s (time stamps corrected), settles to 1 %% in %s, to 0.1 %% in %s\n", q(a.GroupDelayS, "s"), q(a.Settling1S, "s"), q(a.Settling01S, "s"))
	if a.Joint {
		fmt.Fprintln(s.Out, "other tones, their images and the mains lines found are estimated jointly")
	} else {
		var words []string
		for _, r := range []struct {
			what string
			*pipeline.Rejection
		}{{"next tone", a.NextTone}, {"image", a.Image}, {"mains", a.Mains}} {
			if r.Rejection != nil {
				words = append(words, fmt.Sprintf("%s −%.1f dB (%s beside %s)", r.what, r.DB, q(r.Hz, "Hz"), r.Tone))
			}
		}
		fmt.Fprintln(s.Out, "suppression at worst: "+strings.Join(words, ", "))
	}
	if a.DensityHigh > 0 {
		fmt.Fprintf(s.Out, "sigma per root hertz of an rms amplitude: %s to %s\n", q(a.DensityLow, "V/√Hz"), q(a.DensityHigh, "V/√Hz"))
	}
}
