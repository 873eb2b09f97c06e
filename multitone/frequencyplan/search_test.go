package frequencyplan_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"tonepose/multitone/frequencyplan"
)

// verify checks tones against a spec directly in hertz, with its own list of
// products: every sum of up to three signed tones (a tone and its own negative
// left out) and every harmonic, folded.
func verify(s frequencyplan.Spec, tones []float64, harmonics int, margin, spacing, top float64) error {
	step := 1 / s.WindowS
	const tiny = 1e-6
	fold := func(f float64) float64 {
		f = math.Mod(math.Abs(f), s.RateHz)
		return math.Min(f, s.RateHz-f)
	}
	clear := func(f float64, what string, parts ...float64) error {
		for _, t := range tones {
			if math.Abs(fold(f)-t) < margin-tiny {
				return fmt.Errorf("%g Hz is within %g Hz of %s of %v", t, margin, what, parts)
			}
		}
		return nil
	}
	for i, f := range tones {
		if math.Abs(f/step-math.Round(f/step)) > tiny || f < s.LowHz-tiny || f > top+tiny {
			return fmt.Errorf("%g Hz is off the grid or the band", f)
		}
		if i > 0 && f-tones[i-1] < spacing-tiny {
			return fmt.Errorf("%g and %g Hz are too close", tones[i-1], f)
		}
		for _, m := range s.MainsHz {
			for h := m; h <= s.RateHz; h += m {
				if err := clear(h, "mains", m, h); err != nil {
					return err
				}
			}
		}
		for n := 2; n <= harmonics; n++ {
			if err := clear(float64(n)*f, "a harmonic", f, float64(n)); err != nil {
				return err
			}
		}
	}
	signed := slices.Clone(tones)
	for _, f := range tones {
		signed = append(signed, -f)
	}
	for _, a := range signed {
		for _, b := range signed {
			if a == -b {
				continue
			}
			if err := clear(a+b, "an order of 2", a, b); err != nil {
				return err
			}
			for _, c := range signed {
				if a == -c || b == -c {
					continue
				}
				if err := clear(a+b+c, "an order of 3", a, b, c); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

func TestChosenTonesHoldWhatTheSpecAsks(t *testing.T) {
	both := []float64{50, 60}
	for _, c := range []struct {
		spec         frequencyplan.Spec
		spacing, top float64
	}{
		{frequencyplan.Spec{Tones: 8, LowHz: 5000, HighHz: 15000, RateHz: 100e3, WindowS: 0.04, MainsHz: []float64{50}, MarginHz: 20}, 1000, 15000},
		{frequencyplan.Spec{Tones: 12, LowHz: 3000, RateHz: 250e3, WindowS: 0.1, MainsHz: []float64{60}, MarginHz: 20, SpacingHz: 1200}, 1200, 62500},
		{frequencyplan.Spec{Tones: 1, LowHz: 1000, HighHz: 1200, RateHz: 48e3, WindowS: 0.1, MainsHz: both, MarginHz: 15}, 0, 1200},
		{frequencyplan.Spec{Tones: 32, LowHz: 2000, RateHz: 250e3, WindowS: 0.1, MainsHz: both, MarginHz: 10}, 500, 62500},
		{frequencyplan.Spec{Tones: 32, LowHz: 2000, RateHz: 100e3, WindowS: 1, MainsHz: both, MarginHz: 5}, 100, 25000},
		// Crowded: rising order comes to no end here.
		{frequencyplan.Spec{Tones: 32, LowHz: 2000, RateHz: 100e3, WindowS: 0.1, MainsHz: both, MarginHz: 10}, 10, 25000},
		// More so: 32 tones below 20 kHz, for windows of 100 ms and of 1 s.
		{frequencyplan.Spec{Tones: 32, LowHz: 2000, HighHz: 20000, RateHz: 96e3, WindowS: 0.1, MainsHz: both, MarginHz: 10, SpacingHz: 40}, 40, 20000},
		{frequencyplan.Spec{Tones: 32, LowHz: 2000, HighHz: 20000, RateHz: 96e3, WindowS: 1, MainsHz: both, MarginHz: 10}, 10, 20000},
	} {
		s := c.spec
		hz, err := frequencyplan.Choose(context.Background(), s)
		if err != nil {
			t.Errorf("%+v: %v", s, err)
			continue
		}
		if len(hz) != s.Tones {
			t.Errorf("%d tones, want %d", len(hz), s.Tones)
		}
		if err := verify(s, hz, 5, s.MarginHz, c.spacing, c.top); err != nil {
			t.Errorf("%+v: %v", s, err)
		}
		conflicts, err := frequencyplan.Check(s, hz)
		if err != nil || len(conflicts) > 0 {
			t.Errorf("Check of chosen tones: %v, %v", conflicts, err)
		}
		again, err := frequencyplan.Choose(context.Background(), s)
		if err != nil || !slices.Equal(again, hz) {
			t.Errorf("a second call gives %v, %v", again, err)
		}
	}
}

func TestNoSolutionNamesWhatBinds(t *testing.T) {
	for _, c := range []struct {
		spec   frequencyplan.Spec
		proven bool
		want   string // a binding constraint
	}{
		// Every multiple of 100 Hz is a harmonic of 50 Hz.
		{frequencyplan.Spec{Tones: 4, LowHz: 5000, HighHz: 15000, RateHz: 100e3, WindowS: 0.01, MainsHz: []float64{50}}, true, "mains"},
		{frequencyplan.Spec{Tones: 4, LowHz: 5000, HighHz: 15000, RateHz: 100e3, WindowS: 0.01, MainsHz: []float64{50}}, true, "the window of 0.01 s"},
		// No frequency is 30 Hz from every multiple of 50 Hz.
		{frequencyplan.Spec{Tones: 1, LowHz: 5000, HighHz: 15000, RateHz: 100e3, WindowS: 0.1, MainsHz: []float64{50}, MarginHz: 30}, true, "mains"},
		// 11 tones 1 kHz apart fill 10 kHz; 12 don't fit.
		{frequencyplan.Spec{Tones: 12, LowHz: 5000, HighHz: 15000, RateHz: 100e3, WindowS: 0.1, SpacingHz: 1000}, true, "spacing of 1000 Hz"},
		{frequencyplan.Spec{Tones: 2, LowHz: 30e3, HighHz: 40e3, RateHz: 100e3, WindowS: 0.1}, true, "band of 30000 to 25000 Hz"},
		// Of three neighbours 2b − a = c.
		{frequencyplan.Spec{Tones: 3, LowHz: 5000, HighHz: 5020, RateHz: 100e3, WindowS: 0.1}, true, "3rd-order"},
		// f, 2f and 3f = f + 2f: harmonics and both orders bind at once.
		{frequencyplan.Spec{Tones: 3, LowHz: 1000, HighHz: 3000, RateHz: 100e3, WindowS: 0.001}, true, "window"},
	} {
		_, err := frequencyplan.Choose(context.Background(), c.spec)
		var e *frequencyplan.Infeasible
		if !errors.As(err, &e) {
			t.Errorf("%+v: %v, want Infeasible", c.spec, err)
			continue
		}
		if e.Proven != c.proven || !strings.Contains(strings.Join(e.Binding, "\n"), c.want) {
			t.Errorf("%+v: proven %v, %v; want %v, %q", c.spec, e.Proven, e, c.proven, c.want)
		}
	}
}

func TestCheckNamesEveryConflict(t *testing.T) {
	s := frequencyplan.Spec{RateHz: 100e3, WindowS: 0.04, MainsHz: []float64{50}, MarginHz: 20, LowHz: 1000, SpacingHz: 100}
	for _, c := range []struct {
		tones []float64
		want  []string
	}{
		{[]float64{5025, 6175, 7375}, nil},
		{[]float64{5130}, []string{"tone 5130 Hz: not a multiple of 1/0.04 s = 25 Hz; the nearest is 5125 Hz"}},
		{[]float64{26025}, []string{"tone 26025 Hz: above 25000 Hz, 0.5 of Nyquist"}},
		{[]float64{975}, []string{"outside the band of 1000 to 25000 Hz"}},
		{[]float64{5000}, []string{"tone 5000 Hz: 0 Hz from mains harmonic 100 × 50 Hz = 5000 Hz, less than the margin of 20 Hz"}},
		{[]float64{5025, 5075}, []string{"tone 5075 Hz: 50 Hz from the tone at 5025 Hz, less than the spacing of 100 Hz"}},
		{[]float64{3025, 9075}, []string{"tone 9075 Hz: 0 Hz from harmonic 3 × 3025 Hz = 9075 Hz"}},
		// 5 × 19025 = 95125 folds to 4875.
		{[]float64{4875, 19025}, []string{"tone 4875 Hz: 0 Hz from harmonic 5 × 19025 Hz = 95125 Hz, an alias at 4875 Hz"}},
		{[]float64{5025, 6175, 7325}, []string{
			"tone 7325 Hz: 0 Hz from 3rd-order intermodulation 2 × 6175 − 5025 Hz = 7325 Hz",
			"tone 5025 Hz: 0 Hz from 3rd-order intermodulation 2 × 6175 − 7325 Hz = 5025 Hz",
			"tone 6175 Hz: 0 Hz from 3rd-order intermodulation"}},
		{[]float64{5010, 6010, 11020}, []string{"tone 11020 Hz: 0 Hz from 2nd-order intermodulation 6010 + 5010 Hz = 11020 Hz"}},
	} {
		got, err := frequencyplan.Check(s, c.tones)
		if err != nil {
			t.Fatal(err)
		}
		var text []string
		for _, g := range got {
			text = append(text, g.String())
		}
		all := strings.Join(text, "\n")
		if len(c.want) == 0 && len(got) > 0 {
			t.Errorf("%v: %s", c.tones, all)
		}
		for _, w := range c.want {
			if !strings.Contains(all, w) {
				t.Errorf("%v: no %q in:\n%s", c.tones, w, all)
			}
		}
	}
}

func TestBadSpecsNameTheField(t *testing.T) {
	good := frequencyplan.Spec{Tones: 4, RateHz: 100e3, WindowS: 0.1}
	for want, spoil := range map[string]func(*frequencyplan.Spec){
		"RateHz = 0: must be positive":         func(s *frequencyplan.Spec) { s.RateHz = 0 },
		"WindowS = 0.100004: holds 10000.4000": func(s *frequencyplan.Spec) { s.WindowS = 0.100004 },
		"Tones = 65: must be 1 to 64":          func(s *frequencyplan.Spec) { s.Tones = 65 },
		"MarginHz = -1: must be positive":      func(s *frequencyplan.Spec) { s.MarginHz = -1 },
		"MainsHz = -50: must be positive":      func(s *frequencyplan.Spec) { s.MainsHz = []float64{-50} },
	} {
		s := good
		spoil(&s)
		if _, err := frequencyplan.Choose(context.Background(), s); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}

// A search whose context ends stops there: this one takes seconds.
func TestChooseEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	s := frequencyplan.Spec{Tones: 60, LowHz: 2000, RateHz: 100e3, WindowS: 0.1, MainsHz: []float64{50, 60}, MarginHz: 10}
	time.AfterFunc(20*time.Millisecond, cancel)
	if tones, err := frequencyplan.Choose(ctx, s); !errors.Is(err, context.Canceled) || tones != nil {
		t.Errorf("%v, error %v", tones, err)
	}
	f, a := make([]float64, 64), make([]float64, 64)
	for k := range f {
		f[k], a[k] = float64(100_000+97*k), 1
	}
	if _, _, err := frequencyplan.LowCrest(ctx, f, a, 1); !errors.Is(err, context.Canceled) {
		t.Errorf("phases: %v", err)
	}
}

func BenchmarkChoose(b *testing.B) {
	for _, s := range []frequencyplan.Spec{
		{Tones: 8, LowHz: 5000, HighHz: 15000, RateHz: 100e3, WindowS: 0.04, MainsHz: []float64{50}, MarginHz: 20},
		{Tones: 32, LowHz: 2000, RateHz: 250e3, WindowS: 0.1, MainsHz: []float64{50, 60}, MarginHz: 10},
		{Tones: 32, LowHz: 2000, RateHz: 100e3, WindowS: 0.1, MainsHz: []float64{50, 60}, MarginHz: 10},
	} {
		b.Run(fmt.Sprintf("tones=%d/rate=%g", s.Tones, s.RateHz), func(b *testing.B) {
			for b.Loop() {
				if _, err := frequencyplan.Choose(context.Background(), s); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
