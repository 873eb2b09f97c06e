package cli

import (
	"fmt"
	"math"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
)

// Without reference poses the array's own shape is found: distances between
// emitters, which no shift or turn of the whole changes, and one of which is
// given.
func TestCalibrateSelf(t *testing.T) {
	t.Parallel()
	b := newInventedBench(t, rigFile("pipe-bench.rig.yaml"), 4)
	recording, truth := b.stations(t, "free", 60, 0.03)
	built, err := rig.Load(b.built, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	length := func(r *rig.Rig, i, k int) float64 {
		e := r.Drawn()
		return r3.Norm(r3.Sub(e[i].Center, e[k].Center))
	}
	found := filepath.Join(b.dir, "found.rig.yaml")
	sum := calibrated(t, recording, "--rig", b.drawn, "--self", "--intervals", truth, "--out", found,
		"--length", "e1,e5,"+fmt.Sprintf("%.6fmm", 1e3*length(built, 0, 4))+",1um")
	if c := sum.Chi2 / float64(sum.DOF); math.Abs(c-1) > 3*math.Sqrt(2/float64(sum.DOF))+0.02 {
		t.Errorf("chi-square %.1f of %d", sum.Chi2, sum.DOF)
	}
	// The scale is known by the length. A turn of all coils in the sensor shows, if
	// weakly: their centres stay.
	want := map[string]bool{"all strengths against all sensitivities": true}
	for _, axis := range []string{"x", "y", "z"} {
		want["shift along "+axis+" of all emitters and stations together"] = true
		want["rotation about "+axis+" of all emitters and stations together"] = true
	}
	for _, g := range sum.Gauges {
		if !want[g.Words] {
			t.Errorf("gauge %q", g.Words)
		}
		delete(want, g.Words)
	}
	for words := range want {
		t.Errorf("gauge %q is not named", words)
	}
	after, err := rig.Load(found, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var before, rest float64
	for i := range 8 {
		for k := range i {
			true := length(built, i, k)
			before += math.Pow(length(b.rig, i, k)-true, 2) / 28
			rest += math.Pow(length(after, i, k)-true, 2) / 28
		}
	}
	if before, rest = math.Sqrt(before), math.Sqrt(rest); before < 1e-3 || rest > before/20 {
		t.Errorf("distances between emitters: off by %.4f mm before, %.4f mm after", before*1e3, rest*1e3)
	}
}
