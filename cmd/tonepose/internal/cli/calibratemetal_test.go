package cli

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/fieldmodels"
	"tonepose/fieldmodels/rigid"
)

// overPlate writes a rig whose loops stand over a large plate at height plate
// [m]: each in series with its image. share is −1 for a perfect conductor, where
// the field across the surface vanishes, and (μr − 1)/(μr + 1) for a thick
// permeable plate.
func overPlate(t *testing.T, r *rig.Rig, plate, share float64) string {
	t.Helper()
	var text strings.Builder
	head, rest, _ := strings.Cut(string(r.Text), "emitters:")
	_, tail, _ := strings.Cut(rest, "sensors:")
	text.WriteString(head + "emitters:\n")
	for _, e := range r.Emitters {
		m := e.Model
		image := r3.Scale(-1, r3.Vec{X: m.Axis.X, Y: m.Axis.Y, Z: -m.Axis.Z})
		turns := m.Turns * share
		if turns < 0 {
			image, turns = r3.Scale(-1, image), -turns
		}
		fmt.Fprintf(&text, "- {name: %s, tone_hz: %g, current_a_peak: %g, reference: {channel: %s, transimpedance_ohm: %g}, model: {type: sum, parts: [\n",
			e.Name, e.ToneHz, e.CurrentPeakA, r.Channels[e.Reference.Channel].Name, e.Reference.TransimpedanceOhm)
		fmt.Fprintf(&text, "  {type: loop, center_m: [%g, %g, %g], axis: [%g, %g, %g], radius_m: %g, turns: %g},\n", m.CenterM.X, m.CenterM.Y, m.CenterM.Z, m.Axis.X, m.Axis.Y, m.Axis.Z, m.RadiusM, m.Turns)
		fmt.Fprintf(&text, "  {type: loop, center_m: [%g, %g, %g], axis: [%g, %g, %g], radius_m: %g, turns: %g}]}}\n", m.CenterM.X, m.CenterM.Y, 2*plate-m.CenterM.Z, image.X, image.Y, image.Z, m.RadiusM, turns)
	}
	text.WriteString("sensors:" + tail)
	name := filepath.Join(t.TempDir(), "over-plate.rig.yaml")
	if err := os.WriteFile(name, []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

// half_space_vertical_dipole.csv (Wait, Geo-Electromagnetism, 1982): a vertical
// dipole of 1 A·m² 0.2 m above a perfect conductor adds B_ρ = −1.9641855033e-6 T
// and B_z = −6.54728501099e-7 T at ρ = 0.3 m, z = 0.1 m.
func TestPlateImageIsTheLimit(t *testing.T) {
	image := fieldmodels.Place(fieldmodels.Dipole{Moment: r3.Vec{Z: -1}}, rigid.Pose{Position: r3.Vec{Z: -0.2}, Rotation: rigid.Identity().Rotation})
	b, err := image.Field(r3.Vec{X: 0.3, Z: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	// The table has μ0 = 4π·1e-7, 6e-10 off CODATA 2022.
	want := r3.Vec{X: -1.9641855033e-6, Z: -6.54728501099e-7}
	if r3.Norm(r3.Sub(b, want)) > 1e-8*r3.Norm(want) {
		t.Errorf("image adds %v, want %v", b, want)
	}
}

// A thick plate of steel of relative permeability 19 below the bench.
func TestMapMetalOverPlate(t *testing.T) {
	t.Parallel()
	drawn := rigFile("pipe-bench.rig.yaml")
	r, err := rig.Load(drawn, rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := &inventedBench{dir: t.TempDir(), drawn: drawn, built: overPlate(t, r, -0.1, (19.-1)/(19+1)), rig: r, random: rand.New(rand.NewPCG(3, 3))}
	recording, truth := b.stations(t, "mapping", 60, 0.02)
	reference := b.reference(t, truth, 5e-5, 0.05*degree)
	plain, mapped := filepath.Join(b.dir, "plain.rig.yaml"), filepath.Join(b.dir, "mapped.rig.yaml")
	calibrated(t, recording, "--rig", drawn, "--intervals", reference, "--out", plain)
	sum := calibrated(t, recording, "--rig", drawn, "--intervals", reference, "--out", mapped, "--map-metal")
	if m := sum.Metal; m == nil || m.After > m.Before/9 {
		t.Errorf("couplings left out: %+v", m)
	}
	recording, truth = b.stations(t, "others", 24, 0.02)
	before, _ := b.validate(t, recording, truth, plain)
	after, _ := b.validate(t, recording, truth, mapped)
	if a, z := before["probe"], after["probe"]; z.PositionRMS > a.PositionRMS/3 || z.OrientationRMS > a.OrientationRMS/3 {
		t.Errorf("stations left out: %.3f mm and %.3f° calibrated, %.3f mm and %.3f° with the map", a.PositionRMS*1e3, a.OrientationRMS/degree, z.PositionRMS*1e3, z.OrientationRMS/degree)
	}
	// The mean of 24 stations' six squares scatters by √(2/144) = 0.12, the errors
	// of one map, common to all, by as much as those of some 25 stations (as the
	// tests of the map itself find): 0.12 again, and a frame of 20 ms knows its
	// noise from few numbers. Four sigmas.
	z := after["probe"]
	t.Logf("%.3f mm calibrated alone; %.3f mm, predicted %.3f mm, squared errors over covariance %.2f, coverage %.2f", before["probe"].PositionRMS*1e3, z.PositionRMS*1e3, z.PredictedPosition*1e3, z.NormalisedMean, z.Coverage95)
	if math.Abs(z.NormalisedMean-1) > 4*0.17+0.05 {
		t.Errorf("mean squared error over its covariance %.2f", z.NormalisedMean)
	}
	outside(t, b, mapped, after["probe"].PredictedPosition)
}

// outside checks that predicted uncertainties beyond the mapped stations are
// larger, by more than what the weaker couplings alone bring.
func outside(t *testing.T, b *inventedBench, mapped string, inside float64) {
	t.Helper()
	text := "start_s,stop_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz\n"
	for k, at := range []r3.Vec{{X: 0.19, Y: 0.19, Z: 0.15}, {Y: -0.19, Z: 0.35}} {
		text += fmt.Sprintf("%.3f,%.3f,probe,%g,%g,%g,1,0,0,0\n", 0.03*float64(k), 0.03*float64(k)+0.02, at.X, at.Y, at.Z)
	}
	path := filepath.Join(b.dir, "outside.path.csv")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	recording := filepath.Join(b.dir, "outside.sigmf-meta")
	tonepose(t, "simulate", b.built, "--path", path, "--out", recording, "--noise", "2e-8", "--bits", "24")
	far, _ := b.validate(t, recording, path, mapped)
	withoutMap, _ := b.validate(t, recording, path, b.built) // the noise alone
	if z := far["probe"]; z.PredictedPosition < 3*inside || z.PredictedPosition < 10*withoutMap["probe"].PredictedPosition {
		t.Errorf("outside: predicted %.3f mm, %.3f mm by the noise alone; inside %.3f mm", z.PredictedPosition*1e3, withoutMap["probe"].PredictedPosition*1e3, inside*1e3)
	}
}
