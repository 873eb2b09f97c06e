package cli

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/fieldmodels/rigid"
	"tonepose/solver/assessment"
)

// inventedBench is a rig as drawn, one as built, and stations taken of the
// latter by the simulation. Invented data.
type inventedBench struct {
	dir          string
	drawn, built string
	rig          *rig.Rig
	random       *rand.Rand
}

func (b *inventedBench) vector(sigma float64) r3.Vec {
	return r3.Vec{X: sigma * b.random.NormFloat64(), Y: sigma * b.random.NormFloat64(), Z: sigma * b.random.NormFloat64()}
}

// newInventedBench builds a rig that differs from the drawn one: places by
// 1.5 mm, axes by 1.5°, turns by 2 %, coil areas by 3 %, coil axes by 1°.
func newInventedBench(t *testing.T, drawn string, seed uint64) *inventedBench {
	t.Helper()
	b := &inventedBench{dir: t.TempDir(), drawn: drawn, random: rand.New(rand.NewPCG(seed, 5))}
	var err error
	if b.rig, err = rig.Load(drawn, rig.Options{}); err != nil {
		t.Fatal(err)
	}
	e := b.rig.Edit()
	for i := range b.rig.Emitters {
		e.MoveEmitter(i, b.vector(1.5e-3), b.vector(1.5*degree), 1+0.02*b.random.NormFloat64())
	}
	for i, s := range b.rig.Sensors {
		for k, c := range s.Coils {
			path := fmt.Sprintf("sensors[%d].coils[%d].", i, k)
			e.SetVector(path+"axis", rigid.Rotate(rigid.Exp(b.vector(1*degree)), c.Axis))
			e.SetNumber(path+"area_turns_m2", c.AreaTurnsM2*(1+0.03*b.random.NormFloat64()))
		}
	}
	b.built = filepath.Join(b.dir, "truth.rig.yaml")
	if _, err := e.Save(b.built); err != nil {
		t.Fatal(err)
	}
	return b
}

// stations writes a path of rests of each sensor in the middle of the working
// volume, and simulates it on the built rig.
func (b *inventedBench) stations(t *testing.T, name string, n int, rest float64) (recording, truth string) {
	t.Helper()
	lo, hi := b.rig.WorkingVolume.Min, b.rig.WorkingVolume.Max
	within := func(lo, hi float64) float64 { return lo + (hi-lo)*(0.15+0.7*b.random.Float64()) }
	text := "start_s,stop_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz\n"
	for k := range n {
		for _, s := range b.rig.Sensors {
			q := quat.Number{Real: b.random.NormFloat64(), Imag: b.random.NormFloat64(), Jmag: b.random.NormFloat64(), Kmag: b.random.NormFloat64()}
			q = quat.Scale(1/quat.Abs(q), q)
			text += fmt.Sprintf("%.4f,%.4f,%s,%.9g,%.9g,%.9g,%.12g,%.12g,%.12g,%.12g\n", float64(k)*(rest+0.01), float64(k)*(rest+0.01)+rest, s.Name,
				within(lo.X, hi.X), within(lo.Y, hi.Y), within(lo.Z, lo.Z+0.7*(hi.Z-lo.Z)), q.Real, q.Imag, q.Jmag, q.Kmag)
		}
	}
	path := filepath.Join(b.dir, name+".path.csv")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	tonepose(t, "simulate", b.built, "--path", path, "--out", filepath.Join(b.dir, name), "--clock-ppm", "7", "--noise", "2e-8", "--bits", "24", "--seed", fmt.Sprint(len(name)))
	return filepath.Join(b.dir, name+".sigmf-meta"), path
}

// reference writes the stations as a device with the given sigmas tells them.
func (b *inventedBench) reference(t *testing.T, truth string, position, rotation float64) string {
	t.Helper()
	var names []string
	for _, s := range b.rig.Sensors {
		names = append(names, s.Name)
	}
	rows, err := tables.ReadTruth(truth, names)
	if err != nil {
		t.Fatal(err)
	}
	var text strings.Builder
	text.WriteString("start_s,stop_s,sensor,x_m,y_m,z_m,qw,qx,qy,qz,sigma_position_m,sigma_rotation_rad\n")
	for _, row := range rows {
		p := row.Pose.Plus(b.vector(position), b.vector(rotation))
		q := p.Rotation
		fmt.Fprintf(&text, "%g,%g,%s,%.9g,%.9g,%.9g,%.12g,%.12g,%.12g,%.12g,%g,%g\n", row.Start, row.Stop, row.Sensor,
			p.Position.X, p.Position.Y, p.Position.Z, q.Real, q.Imag, q.Jmag, q.Kmag, position, rotation)
	}
	name := truth + ".reference.csv"
	if err := os.WriteFile(name, []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

// validate solves a recording with a rig and compares each sensor's poses with
// the truth.
func (b *inventedBench) validate(t *testing.T, recording, truth, rig string) (map[string]assessment.Report, float64) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "out")
	tonepose(t, "solve", recording, "--rig", rig, "--intervals", truth, "--out", dir, "--figures", "none", "--quiet")
	a, err := assess.Compare(t.Context(), dir, truth, assess.Options{})
	if err != nil {
		t.Fatal(err)
	}
	of := map[string][]assessment.Sample{}
	for i, s := range a.Samples {
		of[a.Rows[i].Sensor] = append(of[a.Rows[i].Sensor], s)
	}
	out := map[string]assessment.Report{}
	for name, samples := range of {
		out[name], _ = assessment.Summarise(samples)
	}
	return out, meanChi2(t, dir)
}

// mixedRig has thick windings and rectangles, a reference channel for each, a
// probe of three coils and a needle of one: five degrees of freedom.
func mixedRig(t *testing.T) string {
	t.Helper()
	var text strings.Builder
	text.WriteString("name: mixed-bench\nsample_rate_hz: 100000\nworking_volume: {min_m: [-0.12, -0.12, 0.05], max_m: [0.12, 0.12, 0.25]}\nchannels:\n")
	for _, name := range []string{"rx1", "rx2", "rx3", "needle"} {
		fmt.Fprintf(&text, "- {name: %s, full_scale_v: 2.5, gain: 100, delay_s: 1.5e-6}\n", name)
	}
	for i := range 8 {
		fmt.Fprintf(&text, "- {name: drive%d, full_scale_v: 2.5}\n", i+1)
	}
	text.WriteString("emitters:\n")
	for i, hz := range []float64{5125, 6325, 7575, 8925, 10275, 11675, 13125, 14925} {
		sin, cos := math.Sincos(float64(i) * math.Pi / 4)
		model := "type: winding, inner_radius_m: 0.02, outer_radius_m: 0.03, length_m: 0.02, turns: 100"
		if i%2 == 1 {
			model = "type: rectangle, width_axis: [1, 0.1, 0], width_m: 0.07, height_m: 0.05, turns: 60"
		}
		fmt.Fprintf(&text, "- {name: e%d, tone_hz: %g, current_a_peak: 0.4, reference: {channel: drive%d, transimpedance_ohm: 1}, "+
			"model: {%s, center_m: [%.4f, %.4f, %.4f], axis: [%.3f, %.3f, 1]}}\n", i+1, hz, i+1, model, 0.15*cos, 0.15*sin, 0.004*float64(i%3), 0.3*math.Cos(float64(3*i)), 0.3*math.Sin(float64(3*i)))
	}
	text.WriteString("sensors:\n- name: probe\n  coils:\n")
	for i, axis := range []string{"[1, 0, 0]", "[0, 1, 0]", "[0, 0, 1]"} {
		fmt.Fprintf(&text, "  - {channel: rx%d, center_m: [%g, 0.002, %g], axis: %s, area_turns_m2: 0.004, radius_m: 0.004}\n", i+1, 0.003*float64(i-1), 0.002*float64(i), axis)
	}
	text.WriteString("- name: needle\n  coils:\n  - {channel: needle, center_m: [0, 0, 0], axis: [0, 0, 1], area_turns_m2: 0.0008}\n")
	name := filepath.Join(t.TempDir(), "mixed.rig.yaml")
	if err := os.WriteFile(name, []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

func TestCalibrateInventedBenches(t *testing.T) {
	for name, drawn := range map[string]string{"bobbins": rigFile("bobbin-bench.rig.yaml"), "mixed": mixedRig(t)} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newInventedBench(t, drawn, 11)
			const stations, sigmaPosition, sigmaRotation = 40, 5e-5, 0.05 * degree
			recording, truth := b.stations(t, "calibration", stations, 0.03)
			built := filepath.Join(b.dir, "found.rig.yaml")
			sum := calibrated(t, recording, "--rig", b.drawn, "--intervals", b.reference(t, truth, sigmaPosition, sigmaRotation), "--out", built)
			// Three sigmas of χ²/dof, and what a noise known to 1 % adds.
			if c := sum.Chi2 / float64(sum.DOF); math.Abs(c-1) > 3*math.Sqrt(2/float64(sum.DOF))+0.02 {
				t.Errorf("chi-square %.1f of %d", sum.Chi2, sum.DOF)
			}
			recording, truth = b.stations(t, "validation", 16, 0.03)
			after, chi2 := b.validate(t, recording, truth, built)
			// A frame of 30 ms knows its noise from some 40 numbers: the mean of
			// 1/s² is 40/38 of 1/σ². The sum has 16·15 degrees of freedom.
			if chi2 < 0.7 || chi2 > 1.3 {
				t.Errorf("validation: mean chi-square over degrees of freedom %.2f", chi2)
			}
			for sensor, r := range after {
				// 16 stations of five numbers and more: the mean of their squares
				// scatters by √(2/80) = 16 %, the bench's own errors are common to all.
				if r.NormalisedMean < 0.4 || r.NormalisedMean > 2 || r.PositionRMS > 1.5*r.PredictedPosition || r.OrientationRMS > 1.5*r.PredictedRotation {
					t.Errorf("%s: %.4f mm, predicted %.4f mm; %.4f°, predicted %.4f°", sensor, r.PositionRMS*1e3, r.PredictedPosition*1e3, r.OrientationRMS/degree, r.PredictedRotation/degree)
				}
			}
		})
	}
}
