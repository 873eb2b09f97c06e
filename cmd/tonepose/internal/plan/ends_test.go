package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// randomTones are those that a rig may state: on a grid, beside it, in kilohertz by
// mistake, far too exact, crowded, or left open (0).
func randomTones(random *rand.Rand) []float64 {
	n := 1 + random.IntN(10)
	if random.IntN(8) == 0 {
		n = 24
	}
	grid := []float64{25, 25, 12.5, 100, 1, 0.5, 0.001}[random.IntN(7)]
	open := []float64{0, 0, 0.3, 1}[random.IntN(4)]
	taken, tones := map[float64]bool{}, []float64(nil)
	for len(tones) < n {
		hz := grid * math.Round((500+20000*random.Float64())/grid)
		switch random.IntN(20) {
		case 0:
			hz /= 1000
		case 1:
			hz += 0.5
		case 2:
			hz += random.Float64()
		}
		hz = math.Round(hz*1e6) / 1e6
		if random.Float64() < open {
			hz = 0
		} else if taken[hz] {
			continue
		}
		taken[hz] = true
		tones = append(tones, hz)
	}
	return tones
}

// planRandomSets plans so many benches of random tones and names the slowest.
func planRandomSets(t *testing.T, count int) {
	var worst time.Duration
	random := rand.New(rand.NewPCG(7, 0x706c616e))
	var of string
	for i := range count {
		tones := randomTones(random)
		o := planDefaults
		switch random.IntN(6) {
		case 0:
			o.OrthogonalS = 1
		case 1:
			o.MarginHz = 10
		}
		begun := time.Now()
		p, err := Make(t.Context(), planRigOf(t, tones...), o)
		if took := time.Since(begun); took > worst {
			worst, of = took, fmt.Sprintf("set %d: %v, %g s, margin %g Hz", i, tones, o.OrthogonalS, o.MarginHz)
		}
		if err != nil {
			if !strings.Contains(err.Error(), "no set of") && !strings.Contains(err.Error(), "no tone on the grid") {
				t.Errorf("%v: %v", tones, err)
			}
			continue
		}
		if d := p.Drives[0]; !(d.Crest <= d.InPhase*(1+1e-9)) || len(d.PhasesDeg) != len(tones) {
			t.Errorf("%v: crest factor %g, in phase %g", tones, d.Crest, d.InPhase)
		}
	}
	t.Logf("slowest of %d: %v, %s", count, worst, of)
}

func TestPlanEndsForRandomTones(t *testing.T) { planRandomSets(t, 8) }

// A tone off the others' grid makes a long period, and one of a few hertz an endless one:
// both end with a plan, which says what is the matter.
func TestPlanOfToneOffTheGrid(t *testing.T) {
	p, err := Make(t.Context(), planRigOf(t, 5125, 6325, 7575, 11675.5), planDefaults)
	if err != nil {
		t.Fatal(err)
	}
	if d := p.Drives[0]; d.PeriodS != 2 || d.Explanation != "" || !(d.Crest < d.InPhase) {
		t.Errorf("%+v", d)
	}
	p, err = Make(t.Context(), planRigOf(t, 5125, 6325, 7575, 11.675), planDefaults)
	if err != nil {
		t.Fatal(err)
	}
	if d := p.Drives[0]; d.PeriodS != 40 || !strings.Contains(d.Explanation, "repeat after 40 s only") || d.Crest != d.InPhase {
		t.Errorf("%+v", d)
	}
	if all := strings.Join(p.Cautions, "\n"); !strings.Contains(all, "e4: tone_hz = 11.675 lies far under the band from 2000 Hz on: is this kHz? Then write tone_hz: 11675") {
		t.Errorf("cautions %s", all)
	}
}
