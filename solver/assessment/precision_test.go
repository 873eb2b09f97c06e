package assessment

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
)

// oneAxis is a sample whose error along x is e.
func oneAxis(e float64, station, visit int) Sample {
	return Sample{Estimate: rigid.Identity().Plus(r3.Vec{X: e}, r3.Vec{}), Truth: rigid.Identity(), Station: station, Visit: visit}
}

// NIST StRD, one-way analysis of variance, data set SiRstv (resistivity of
// silicon wafers, five instruments, five readings each). Certified: between
// instruments 5.11462616e-02 with 4 degrees of freedom, within 2.16636560e-01
// with 20, residual standard deviation 1.04076068334656e-01. Data and values
// from memory; that the sums of squares come out as certified to nine digits
// confirms them. Instruments are visits of one station here.
func TestAnalysisOfVariance(t *testing.T) {
	data := [5][5]float64{
		{196.3052, 196.1240, 196.1890, 196.2569, 196.3403},
		{196.3042, 196.3825, 196.1669, 196.3257, 196.0422},
		{196.1303, 196.2005, 196.2889, 196.0343, 196.1811},
		{196.2795, 196.1748, 196.1494, 196.1485, 195.9885},
		{196.2119, 196.1051, 196.1850, 196.0052, 196.2090},
	}
	var samples []Sample
	for v, row := range data {
		for _, x := range row {
			samples = append(samples, oneAxis(x, 1, v+1))
		}
	}
	r, _ := Summarise(samples)
	// 200 with a spread of 0.1 leaves 12 digits.
	if got := r.Precision.Repeatability.Position / 1.04076068334656e-01; math.Abs(got-1) > 1e-9 {
		t.Errorf("repeatability is %.12f of the certified", got)
	}
	// s_L² = (MS between − MS within)/n.
	between := math.Sqrt((5.11462616e-02/4 - 2.16636560e-01/20) / 5)
	if got := r.Precision.BetweenVisits.Position / between; math.Abs(got-1) > 1e-7 {
		t.Errorf("between visits %.9f of the certified", got)
	}
	p := r.Precision
	if d := math.Hypot(p.Repeatability.Position, p.BetweenVisits.Position) - p.Reproducibility.Position; math.Abs(d) > 1e-15 {
		t.Errorf("s_R² is not s_r² + s_L²: %g", d)
	}
}

// A nested design with windows of unequal number gives back the variances that
// it was drawn with, on average.
func TestSplitIsUnbiased(t *testing.T) {
	const runs, stations = 400, 12
	const sigmaWithin, sigmaBetween, sigmaPlace = 1.0, 0.7, 2.0
	rng := rand.New(rand.NewPCG(1, 1))
	var within, between, squares float64
	for range runs {
		var samples []Sample
		stay := 0
		for s := range stations {
			place := sigmaPlace * rng.NormFloat64()
			for range 2 + s%3 {
				stay++
				shift := sigmaBetween * rng.NormFloat64()
				for range 1 + stay%4 {
					samples = append(samples, oneAxis(place+shift+sigmaWithin*rng.NormFloat64(), s+1, stay))
				}
			}
		}
		all := make([]Errors, len(samples))
		for i := range all {
			all[i] = Of(samples[i])
		}
		// Before negative estimates of s_L² are cut off at zero the mean is right;
		// s_L² = 0.49 with some 24 degrees of freedom is rarely near zero.
		v := visitsOf(samples, all).analyse(0, func(s visit) float64 { return 1 })
		within += v.within / runs
		between += v.between / runs
		squares += v.between * v.between / runs
	}
	// Some 50 degrees of freedom a run within.
	if math.Abs(within-1) > 4*math.Sqrt(2.0/50/runs) {
		t.Errorf("within %.4f, want 1", within)
	}
	if d := 4 * math.Sqrt((squares-between*between)/runs); math.Abs(between-0.49) > d {
		t.Errorf("between %.4f, want 0.49 ± %.3f", between, d)
	}
}

// One window a visit shows within and between only together.
func TestOneWindowAVisit(t *testing.T) {
	var samples []Sample
	for i, x := range []float64{1, 3, 2, 6} {
		samples = append(samples, oneAxis(x, 1+i/2, i+1))
	}
	r, _ := Summarise(samples)
	p := r.Precision
	if !math.IsNaN(p.Repeatability.Position) || !math.IsNaN(p.BetweenVisits.Position) {
		t.Errorf("repeatability %g, between %g", p.Repeatability.Position, p.BetweenVisits.Position)
	}
	// Variances 2 and 8 of the two stations, one degree of freedom each.
	if want := math.Sqrt(5); math.Abs(p.Reproducibility.Position-want) > 1e-15 {
		t.Errorf("reproducibility %g, want %g", p.Reproducibility.Position, want)
	}
	// Means 2 and 4.
	if want := math.Sqrt(10); math.Abs(p.Trueness.Position-want) > 1e-15 {
		t.Errorf("trueness %g, want %g", p.Trueness.Position, want)
	}
	if p.ByStation[1].Visits != 2 || math.Abs(p.ByStation[1].Spread.Position-math.Sqrt(8)) > 1e-15 {
		t.Errorf("station %+v", p.ByStation[1])
	}
}
