package calibration

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// The bench of testdata: its minimum as two independent programs found it (see
// testdata/README.md), and its truth within the stated sigmas.
func TestBundle(t *testing.T) {
	p, b := loadBundle(t, 1)
	res, err := Calibrate(p, Options{Free: bundleFree})
	if err != nil || res.Status != Converged {
		t.Fatal(err, res)
	}
	if math.Abs(res.Cost-2432.6323) > 1e-4 {
		t.Errorf("cost %.5f, want 2432.6323", res.Cost)
	}
	if n := len(res.Parameters); n != 51 || res.DOF != 4752 {
		t.Errorf("%d shared parameters, %d degrees of freedom, want 51 and 4752", n, res.DOF)
	}
	if len(res.Gauges) != 1 || res.Gauges[0].Words != "all strengths against all sensitivities" || res.Gauges[0].Default {
		t.Errorf("gauges %+v, want strengths against sensitivities, held by the stated tolerance", res.Gauges)
	}
	square, n := 0.0, 0.0
	for i := range p.Emitters {
		move := res.Emitter(i)
		place := r3.Add(p.Emitters[i].Center, move.Shift)
		off := r3.Sub(place, vecAt(b.TruePosition[i][:], 0))
		axis := rigid.Rotate(rigid.Exp(move.Tilt), p.Emitters[i].Axis)
		at := res.fit.layout.emitters[i]
		for k, v := range [3]float64{off.X, off.Y, off.Z} {
			s := res.Parameters[at.place+k].Sigma
			square, n = square+v*v/(s*s), n+1
		}
		s := res.Parameters[at.axis].Sigma + res.Parameters[at.axis+1].Sigma
		if angle := math.Acos(min(1, r3.Dot(axis, r3.Unit(vecAt(b.TrueAxis[i][:], 0))))); angle > 2*s {
			t.Errorf("%s: axis off by %.2e rad, sigma about %.1e", p.Emitters[i].Name, angle, s/2)
		}
		s = res.Parameters[at.strength].Sigma
		square, n = square+math.Pow((move.Strength-b.TrueMoment[i])/s, 2), n+1
	}
	// Four sigmas of a mean of 32 squares; strengths share one gauge, so that
	// fewer of them are independent: 25.
	if mean := square / n; math.Abs(mean-1) > 4*math.Sqrt(2./25) {
		t.Errorf("mean square of error over sigma %.2f, want 1", mean)
	}
	for i, g := range b.TrueGain {
		s := res.Parameters[res.fit.layout.coils[i].sensitivity].Sigma
		if got := res.Sensor(0).Coils[i].AreaTurns; math.Abs(got-g) > 4*s {
			t.Errorf("coil %d: sensitivity %.4f, want %.4f, sigma %.4f", i+1, got, g, s)
		}
	}
	// Told poses are 1 mm off along each axis; adjusted ones must be much nearer.
	if rms := stationRMS(t, res); rms > 0.7e-3 {
		t.Errorf("adjusted stations are off by %.2f mm rms", 1e3*rms)
	}
}

func stationRMS(t *testing.T, res *Result) float64 {
	t.Helper()
	rows := bundleStations(t)
	reports, err := res.Stations()
	if err != nil {
		t.Fatal(err)
	}
	sum, leverage := 0.0, 0.0
	for i, rep := range reports {
		dp, _ := rep.Pose.Minus(poseOf(rows[i][7:14]))
		sum += r3.Norm2(dp)
		leverage += rep.Leverage
		if rep.Outlier {
			t.Errorf("station %s counts as an outlier: χ² %.1f of %.1f", rep.Name, rep.ChiSquare+rep.ReferenceChiSquare, rep.DOF)
		}
	}
	// The stations determine all 51 parameters but the one of the gauge, which is
	// the tolerances': they hold less than one of the others.
	if leverage > 50+1e-6 || leverage < 49 {
		t.Errorf("leverages make up %.3f parameters, want just below 50", leverage)
	}
	return math.Sqrt(sum / float64(len(reports)))
}
