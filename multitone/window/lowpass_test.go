package window

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"tonepose/testdata/published"
)

func mustDesign(t testing.TB, s Spec, rateHz float64) *LowPass {
	t.Helper()
	l, err := Design(s, rateHz)
	if err != nil {
		t.Fatalf("%+v: %v", s, err)
	}
	return l
}

// Exact fractions and 30-digit settling times of n equal continuous stages. At
// fs·τ = 1e6 the sampled cascade differs by O((fs·τ)⁻²) = 1e-12 in bandwidth and,
// in time, by the n samples that the stages' own sampling and the whole number of
// samples can cost.
func TestCascadeMatchesPublishedTable(t *testing.T) {
	const rate, tau = 1e6, 1.0
	for _, row := range published.Table(t, "rc_cascade_enbw_settling.csv") {
		n := int(row.Number("order_n"))
		l := mustDesign(t, Spec{Kind: Cascade, Order: n, TimeConstantS: tau}, rate)
		name := fmt.Sprintf("cascade of %d: ", n)
		want, half := printed(row, "enbw_times_tau")
		near(t, name+"ENBW", l.ENBWHz(), want, half+1e-12)
		want, half = printed(row, "f_3dB_times_tau")
		near(t, name+"cutoff", l.CutoffHz(), want, half+1e-12)
		near(t, name+"group delay", l.GroupDelayS(), float64(n)*tau, float64(n)/rate)
		for column, remaining := range map[string]float64{
			"t_90pct_over_tau": 0.1, "t_99pct_over_tau": 0.01, "t_99.9pct_over_tau": 1e-3, "t_99.99pct_over_tau": 1e-4,
		} {
			near(t, name+column, l.SettlingS(remaining), row.Number(column), float64(n+1)/rate)
		}
	}
}

// ENBW/cutoff = (π/2n)/sin(π/2n); the bilinear image deviates by O((fc/fs)²).
func TestButterworthMatchesPublishedTable(t *testing.T) {
	for _, row := range published.Table(t, "butterworth_enbw.csv") {
		n := int(row.Number("order_n"))
		want, half := printed(row, "enbw_over_f_3dB")
		l := mustDesign(t, Spec{Kind: Butterworth, Order: n, CutoffHz: 1}, 1e7)
		// For n = 1 it is first order: g/(2(1+g)) instead of g/2, g = tan(π·1e-7), since
		// the image ends at half the rate where |H|² has fallen as f⁻² only.
		extra := 1e-11
		if n == 1 {
			extra = 1.01 * math.Pi / 2 * math.Pi * 1e-7
		}
		near(t, fmt.Sprintf("butterworth %d: ENBW/cutoff", n), l.ENBWHz()/l.CutoffHz(), want, half+extra)
	}
}

// Hogenauer's passband droop is that of n averages of R samples for R → ∞ at the
// cutoff 1/R·x; at R = 4096 the discrete sine differs by (πx/R)²/6 < 1e-8.
func TestAverageMatchesCICDroop(t *testing.T) {
	const r = 4096
	for _, row := range published.Table(t, "cic_passband_droop.csv") {
		bandwidth := row.Text("relative_bandwidth_M_fc")
		var a, b float64
		if _, err := fmt.Sscanf(bandwidth, "%g/%g", &a, &b); err != nil {
			t.Fatalf("%v: %q: %v", row, bandwidth, err)
		}
		n := int(row.Number("stages_N"))
		l := mustDesign(t, Spec{Kind: MovingAverage, Order: n, TimeConstantS: r}, 1)
		got := -decibels(cmplx.Abs(l.Response(a / b / r)))
		name := fmt.Sprintf("%d averages at %s", n, bandwidth)
		want, half := printed(row, "computed_large_R_dB")
		near(t, name, got, want, half+1e-6*want)
		want, half = printed(row, "published_passband_attenuation_dB")
		near(t, name+", printed", got, want, math.Max(half, 0.005)*1.01)
	}
}

func TestAverageMatchesCICResponse(t *testing.T) {
	for _, row := range published.Table(t, "cic_response.csv") {
		length := int(row.Number("R")) * int(row.Number("M"))
		n := int(row.Number("N"))
		l := mustDesign(t, Spec{Kind: MovingAverage, Order: n, TimeConstantS: float64(length)}, 1)
		f := row.Number("f_over_input_rate")
		gain := row.Number("dc_gain_exact")
		want, half := printed(row, "abs_H")
		name := fmt.Sprintf("N=%d, R·M=%d: ", n, length)
		// 14 digits printed; sin(πfL) near its zeros keeps 1e-16 absolute of gain.
		near(t, name+"|H|", gain*cmplx.Abs(l.Response(f)), want, half+1e-14*gain)
		enbw := row.Number("enbw_two_sided_over_input_rate")
		near(t, name+"ENBW", 2*l.ENBWHz(), enbw, 1e-13*enbw)
		if got, want := l.Taps(), directAverages(n, length); len(got) == len(want) {
			for i := range got {
				near(t, name+"tap", got[i], want[i]/gain, 1e-14)
			}
		} else {
			t.Errorf("%s%d taps, want %d", name, len(got), len(want))
		}
	}
}

// directAverages convolves n boxcars of the length by the definition.
func directAverages(n, length int) []float64 {
	h := []float64{1}
	for range n {
		next := make([]float64, len(h)+length-1)
		for i, x := range h {
			for j := range length {
				next[i+j] += x
			}
		}
		h = next
	}
	return h
}

// A plain average over T has ENBW 1/(2T), one stage 1/(4τ) (derived; common
// practice): the anchors of the one-sided convention.
func TestOneSidedConvention(t *testing.T) {
	l := mustDesign(t, Spec{Kind: MovingAverage, Order: 1, TimeConstantS: 0.1}, 1e4)
	near(t, "plain average", l.ENBWHz(), 1/(2*0.1), 1e-12)
	l = mustDesign(t, Spec{Kind: Cascade, Order: 1, TimeConstantS: 0.1}, 1e6)
	near(t, "one stage", l.ENBWHz(), 1/(4*0.1), 1e-9) // sampled: (fs·τ)⁻²/12 relative
}

func everySpec() []Spec {
	var specs []Spec
	for n := 1; n <= 8; n++ {
		for _, k := range []Kind{Cascade, Butterworth, MovingAverage} {
			specs = append(specs, Spec{Kind: k, Order: n, CutoffHz: 20}, Spec{Kind: k, Order: n, ENBWHz: 20},
				Spec{Kind: k, Order: n, TimeConstantS: 0.01}, Spec{Kind: k, Order: n, ENBWHz: 180})
		}
	}
	for _, db := range []float64{20, 40, 80, 120, 160} {
		for _, ratio := range []float64{0, 1.2, 4, 9} {
			specs = append(specs, Spec{Kind: FIR, CutoffHz: 20, StopDB: db, StopHz: 20 * ratio},
				Spec{Kind: FIR, ENBWHz: 20, StopDB: db, StopHz: 20 * ratio})
		}
	}
	return append(specs, Spec{Kind: FIR, TimeConstantS: 0.01}, Spec{Kind: FIR, CutoffHz: 180})
}

// Every figure against the running filter's own impulse response: energy, first
// moment, transform and step.
func TestFiguresMatchTheRunningFilter(t *testing.T) {
	const rate = 1000.0
	for _, s := range everySpec() {
		l := mustDesign(t, s, rate)
		name := fmt.Sprintf("%v %d %+v: ", s.Kind, s.Order, s)
		f := l.NewFilter(1)
		x := []complex128{1}
		var h []float64
		var sum, energy, moment float64
		for k := 0; k < 4000; k++ {
			f.Process(x, x)
			v := real(x[0])
			h = append(h, v)
			sum += v
			energy += v * v
			moment += float64(k) * v
			x[0] = 0
		}
		// The slowest of these decays to e⁻³⁰ within the record; what is left are
		// some 10⁴ roundings of 2⁻⁵³, weighted by up to 4000 in the moment.
		near(t, name+"DC gain", sum, 1, 1e-11)
		near(t, name+"ENBW", l.ENBWHz(), rate/2*energy/(sum*sum), 1e-9*l.ENBWHz())
		near(t, name+"group delay", l.GroupDelayS()*rate, moment/sum, 1e-8*(1+moment))
		for _, hz := range []float64{0, 1, 20, 77, 333, 500} {
			var direct complex128
			for k, v := range h {
				direct += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*hz*float64(k)/rate)
			}
			if d := cmplx.Abs(direct - l.Response(hz)); !(d < 1e-11) {
				t.Errorf("%sH(%g Hz) = %v, transform of the impulse response %v", name, hz, l.Response(hz), direct)
			}
		}
		if fc := l.CutoffHz(); !math.IsNaN(fc) {
			near(t, name+"|H(cutoff)|²", math.Pow(cmplx.Abs(l.Response(fc)), 2), 0.5, 1e-9)
		}
		// No round shares: a plain average meets those exactly, and rounding decides.
		for _, remaining := range []float64{0.0973, 0.0103, 0.00107} {
			last, step := 0, 0.0
			for k, v := range h {
				if step += v; math.Abs(1-step) > remaining {
					last = k + 1
				}
			}
			near(t, name+"settling", l.SettlingS(remaining)*rate, float64(last+1), 0.5)
		}
		if s.Kind == MovingAverage {
			continue // takes the nearest whole length
		}
		for _, c := range [][2]float64{{s.CutoffHz, l.CutoffHz()}, {s.ENBWHz, l.ENBWHz()}, {s.TimeConstantS, l.TimeConstantS()}} {
			if c[0] != 0 {
				near(t, name+"wanted figure", c[1], c[0], 1e-9*c[0])
			}
		}
	}
}

// The stop-band is held everywhere beyond its edge, off any grid of the design.
func TestFIRHoldsItsStopBand(t *testing.T) {
	for _, s := range everySpec() {
		if s.Kind != FIR {
			continue
		}
		l := mustDesign(t, s, 1000)
		stop, want := s.StopHz, s.StopDB
		if stop == 0 {
			stop = 2.5 * math.Max(math.Max(s.CutoffHz, s.ENBWHz), 1/(2*math.Pi*0.01))
			if s.CutoffHz == 180 {
				stop = (180.0 + 500) / 2
			}
			if s.TimeConstantS != 0 {
				stop = 2.5 / (2 * math.Pi * s.TimeConstantS)
			}
		}
		if want == 0 {
			want = 120
		}
		for hz := stop; hz < 500; hz += 0.0931 {
			if got := -decibels(cmplx.Abs(l.Response(hz))); got < want {
				t.Fatalf("%+v, %d taps: %.2f dB at %g Hz, want %g", s, len(l.Taps()), got, hz, want)
			}
		}
	}
}

func TestDesignErrors(t *testing.T) {
	for _, c := range []struct {
		s    Spec
		rate float64
		want string
	}{
		{Spec{Kind: Cascade, Order: 1, CutoffHz: 1}, 0, "sample rate 0 Hz"},
		{Spec{Order: 1, CutoffHz: 1}, 1e3, "want one of cascade"},
		{Spec{Kind: Cascade, Order: 9, CutoffHz: 1}, 1e3, "cascade order 9: must lie in 1..8"},
		{Spec{Kind: FIR, Order: 2, CutoffHz: 1}, 1e3, "leave it 0"},
		{Spec{Kind: Cascade, Order: 1, CutoffHz: 1, StopDB: 120}, 1e3, "belong to fir"},
		{Spec{Kind: Cascade, Order: 1}, 1e3, "given 0 times"},
		{Spec{Kind: Cascade, Order: 1, CutoffHz: 1, ENBWHz: 1}, 1e3, "given 2 times"},
		{Spec{Kind: Cascade, Order: 1, CutoffHz: -1}, 1e3, "cutoff = -1 Hz: must be positive"},
		{Spec{Kind: Cascade, Order: 1, ENBWHz: math.NaN()}, 1e3, "enbw = NaN Hz"},
		{Spec{Kind: Butterworth, Order: 2, CutoffHz: 250}, 1e3, "below a quarter"},
		{Spec{Kind: Butterworth, Order: 2, TimeConstantS: 1e-4}, 1e3, "must be at least 0.637 samples"},
		{Spec{Kind: FIR, CutoffHz: 10, StopHz: 10.1}, 1e3, "1.05 times the cutoff"},
		{Spec{Kind: FIR, CutoffHz: 10, StopDB: 300}, 1e3, "must lie in 20..200"},
		{Spec{Kind: FIR, CutoffHz: 1e-4}, 1e5, "lower the sample rate"},
		{Spec{Kind: MovingAverage, Order: 2, ENBWHz: 1e-4}, 1e5, "lower the sample rate"},
	} {
		_, err := Design(c.s, c.rate)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("Design(%+v, %g): error %v, want one with %q", c.s, c.rate, err, c.want)
		}
	}
	if k, err := KindByName(" Butterworth"); k != Butterworth || err != nil {
		t.Errorf("KindByName: %v, %v", k, err)
	}
	if _, err := KindByName("elliptic"); err == nil || !strings.Contains(err.Error(), "want one of cascade, butterworth, fir, average") {
		t.Errorf("KindByName: %v", err)
	}
}

// As slow as they may be, low-passes have the figures of the table and settle within
// finite time; slower ones are refused, and none is designed for ever.
func TestTheNarrowestLowPasses(t *testing.T) {
	const rate = 1e5
	for _, row := range published.Table(t, "rc_cascade_enbw_settling.csv") {
		n, tau := int(row.Number("order_n")), 1e9/rate
		l := mustDesign(t, Spec{Kind: Cascade, Order: n, TimeConstantS: tau}, rate)
		want, half := printed(row, "enbw_times_tau")
		near(t, fmt.Sprintf("cascade of %d: ENBW", n), l.ENBWHz()*tau, want, half+1e-6)
		near(t, fmt.Sprintf("cascade of %d: settling", n), l.SettlingS(0.01)/tau, row.Number("t_99pct_over_tau"), 1e-6)
	}
	for _, row := range published.Table(t, "butterworth_enbw.csv") {
		n := int(row.Number("order_n"))
		want, half := printed(row, "enbw_over_f_3dB")
		l := mustDesign(t, Spec{Kind: Butterworth, Order: n, CutoffHz: 1e-9 * rate}, rate)
		near(t, fmt.Sprintf("butterworth %d: ENBW/cutoff", n), l.ENBWHz()/l.CutoffHz(), want, half+1e-6)
	}
	for _, s := range []Spec{
		{Kind: Cascade, Order: 8, TimeConstantS: 2e6 * 3600}, {Kind: Butterworth, Order: 8, CutoffHz: 1e-9},
		{Kind: Cascade, Order: 1, ENBWHz: 1e-300}, {Kind: FIR, CutoffHz: 1e-300}, {Kind: MovingAverage, Order: 8, TimeConstantS: 1e300},
	} {
		if _, err := Design(s, rate); err == nil || !strings.Contains(err.Error(), "must not be narrower than 1e-09 of the rate") {
			t.Errorf("%+v: %v", s, err)
		}
	}
}
