package assessment

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/rigid"
	"tonepose/testdata/published"
)

// oneAxis is a sample whose error along x is e.
func oneAxis(e float64, station, visit int) Sample {
	return Sample{Estimate: rigid.Identity().Plus(r3.Vec{X: e}, r3.Vec{}), Truth: rigid.Identity(), Station: station, Visit: visit}
}

// NIST StRD, one-way analysis of variance: treatments are visits of one station here.
// Certified are the sums of squares between and within. Errors as large as 10¹² with a
// spread of 0.1 are rounded themselves: by ε of their size each.
func TestAnalysisOfVariance(t *testing.T) {
	var file struct {
		Sets map[string]struct {
			Certified map[string]json.RawMessage
			Data      json.RawMessage
		}
	}
	published.JSON(t, "nist_strd_anova.json", &file)
	if len(file.Sets) < 5 {
		t.Fatalf("%d sets", len(file.Sets))
	}
	for name, set := range file.Sets {
		number := func(key string) float64 {
			v, err := strconv.ParseFloat(strings.Trim(string(set.Certified[key]), `"`), 64)
			if err != nil {
				t.Fatalf("%s: %s: %v", name, key, err)
			}
			return v
		}
		var data [][]float64
		shift := 0.0
		if err := json.Unmarshal(set.Data, &data); err != nil {
			// "SmLs01 plus …"
			of, added, _ := strings.Cut(strings.Trim(string(set.Data), `"`), " plus ")
			if shift, err = strconv.ParseFloat(added, 64); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if err := json.Unmarshal(file.Sets[of].Data, &data); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
		var samples []Sample
		largest := 0.0
		for v, row := range data {
			for _, x := range row {
				samples = append(samples, oneAxis(x+shift, 1, v+1))
				largest = math.Max(largest, math.Abs(x+shift))
			}
		}
		within := math.Sqrt(number("within_sum_of_squares") / number("within_df"))
		betweenMean := number("between_sum_of_squares") / number("between_df")
		each := float64(len(samples)) / float64(len(data))
		between := math.Sqrt((betweenMean - within*within) / each) // s_L² = (MS between − MS within)/n
		r, _ := Summarise(samples)
		p := r.Precision
		tolerance := 1e-9 + 0x1p-52*largest/within
		if got := p.Repeatability.Position / within; math.Abs(got-1) > tolerance {
			t.Errorf("%s: repeatability is %.12f of the certified, tolerance %.1g", name, got, tolerance)
		}
		if got := p.BetweenVisits.Position / between; math.Abs(got-1) > tolerance*betweenMean/(each*between*between) {
			t.Errorf("%s: between visits %.9f of the certified, tolerance %.1g", name, got, tolerance)
		}
		// Two results differ by 1.96·√2 deviations in 5 of 100 cases, which ISO 5725-6
		// rounds to 2.8; all errors lie along one axis here.
		for _, limit := range [][2]float64{{p.RepeatabilityLimit, p.Repeatability.Position}, {p.ReproducibilityLimit, p.Reproducibility.Position}} {
			if got := limit[0] / limit[1]; math.Abs(got-1.959964*math.Sqrt2) > 0.05 {
				t.Errorf("%s: a limit of %.4f deviations", name, got)
			}
		}
		if d := math.Hypot(p.Repeatability.Position, p.BetweenVisits.Position)/p.Reproducibility.Position - 1; math.Abs(d) > 1e-14 {
			t.Errorf("%s: s_R² is not s_r² + s_L²: %g", name, d)
		}
	}
}

// JCGM 100:2008, Annex H.5: ten days of five readings. Readings with the days' means and
// standard deviations stand for those that the standard does not print.
func TestVisitsOfTenDays(t *testing.T) {
	var h5 struct {
		Readings  int       `json:"readings_a_day"`
		Mean      []float64 `json:"daily_mean_V"`
		Deviation []float64 `json:"daily_standard_deviation_uV"`
		Published struct {
			OfMeans float64 `json:"standard_deviation_of_daily_means_uV"`
			Within  float64 `json:"pooled_within_uV"`
			F       float64
		}
		Recomputed struct {
			Between float64 `json:"between_days_uV"`
			F       float64
		}
	}
	published.JSON(t, "gum_h5_visits.json", &h5)
	var samples []Sample
	for day, mean := range h5.Mean {
		for _, z := range []float64{-2, -1, 0, 1, 2} {
			// of variance 1
			samples = append(samples, oneAxis(1e6*(mean-10)+h5.Deviation[day]*z/math.Sqrt(2.5), 1, day+1))
		}
	}
	r, _ := Summarise(samples)
	within, between := r.Precision.Repeatability.Position, r.Precision.BetweenVisits.Position
	n := float64(h5.Readings)
	ofMeans := math.Sqrt(between*between + within*within/n)
	if math.Abs(within-h5.Published.Within) > 0.5 || math.Abs(ofMeans-h5.Published.OfMeans) > 0.5 {
		t.Errorf("within %.2f, of means %.2f µV, printed %g and %g", within, ofMeans, h5.Published.Within, h5.Published.OfMeans)
	}
	// 2.25 in print is from readings; the days' rounded values give 2.26.
	f := n * ofMeans * ofMeans / (within * within)
	if math.Abs(f-h5.Recomputed.F) > 1e-9*f || math.Abs(f-h5.Published.F) > 0.015 {
		t.Errorf("F = %.4f, printed %g, recomputed %.4f", f, h5.Published.F, h5.Recomputed.F)
	}
	if math.Abs(between/h5.Recomputed.Between-1) > 1e-9 {
		t.Errorf("between days %.6f µV, want %.6f", between, h5.Recomputed.Between)
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
