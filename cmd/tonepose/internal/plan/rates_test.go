package plan

import (
	"math"
	"testing"

	"tonepose/solver/prediction"
)

// Of a calibrated rig no window lessens what the calibration leaves: errors fall from
// those of noise, as the root of the window, to that. The window for a wanted error
// gives it.
func TestRatesOfCalibratedRig(t *testing.T) {
	p, err := begin(calibrated(t), Options{WindowS: 40e-3, Taper: "hann", NoiseV: 8e-9, Bits: 16})
	if err != nil {
		t.Fatal(err)
	}
	predictor := predictorOf(t, p.Bench, p.Options)
	of := func(wanted float64) *Sensor {
		p.Options.AccuracyM, p.Cautions = wanted, nil
		try := &trade{plan: p, predictor: predictor}
		sum, err := try.survey(t.Context(), 1)
		if err != nil {
			t.Fatal(err)
		}
		s := &Sensor{Sensor: "probe", Position: sum.Position, Rotation: sum.Rotation}
		if err := p.rates(t.Context(), s, predictor); err != nil {
			t.Fatal(err)
		}
		return s
	}
	s := of(0)
	if len(s.Rates) != len(rateWindows) || !(s.Left > 0) || s.Left > s.Position.P95/2 {
		t.Fatalf("%d rates, %.3g m left of %.3g m", len(s.Rates), s.Left, s.Position.P95)
	}
	for i, r := range s.Rates {
		if i == 0 {
			continue
		}
		shorter := s.Rates[i-1]
		// Weights go with the noise, so the errors fall no faster than it and no lower
		// than to what is left.
		if root := math.Sqrt(shorter.WindowS / r.WindowS); r.PositionP95 < shorter.PositionP95*root*(1-1e-9) || r.PositionP95 > shorter.PositionP95 || r.PositionP95 < s.Left || r.PositionMedian >= shorter.PositionMedian {
			t.Errorf("%g s: %.4g m after %.4g m with %g s, %.4g m left", r.WindowS, r.PositionP95, shorter.PositionP95, shorter.WindowS, s.Left)
		}
	}
	wanted := (s.Left + s.Position.P95) / 2
	s = of(wanted)
	if !s.Wanted.Reached == (s.Wanted.WindowS <= p.Options.WindowS) || len(p.Cautions) != 1 {
		t.Errorf("wanted %+v, cautions %q", s.Wanted, p.Cautions)
	}
	r, err := (&trade{plan: p, sensor: s, predictor: predictor, coarse: coarseOf(s)}).at(t.Context(), s.Wanted.WindowS)
	if err != nil || math.Abs(r.PositionP95/wanted-1) > 2e-3 {
		t.Errorf("%g s gives %.4g m, wanted is %.4g m (%v)", s.Wanted.WindowS, r.PositionP95, wanted, err)
	}
	if s = of(s.Left / 2); !math.IsInf(s.Wanted.WindowS, 1) || s.Wanted.Reached || len(p.Cautions) != 1 {
		t.Errorf("wanted %+v, cautions %q", s.Wanted, p.Cautions)
	}
}

func coarseOf(s *Sensor) (sum prediction.Summary) {
	sum.Position, sum.Rotation = s.Position, s.Rotation
	return sum
}
