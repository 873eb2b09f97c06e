//go:build slow

package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// mutant is a fault of one line: what stands in a file and what is put in its place, the
// package whose ordinary tests are to catch it, and which of them are run; "": all.
type mutant struct{ fault, file, old, new, tests, run string }

var mutants = []mutant{
	{"sign of the quadrature", "multitone/coupling/coupling.go", "complex(0, -omega)", "complex(0, omega)", "multitone/coupling", ""},
	{"variance of a coupling", "multitone/coupling/coupling.go", "variance*abs2(scale)", "variance*real(scale)", "multitone/coupling", ""},
	{"half angle", "fieldmodels/rigid/rotation.go", "math.Sincos(t / 2)", "math.Sincos(t)", "fieldmodels/rigid", ""},
	{"side from which a rotation is perturbed", "fieldmodels/rigid/pose.go", "quat.Mul(Exp(dr), p.Rotation)", "quat.Mul(p.Rotation, Exp(dr))", "fieldmodels/rigid", ""},
	{"transposed covariance in a table", "cmd/tonepose/internal/tables/rows.go", "i*(11-i)/2 + j", "j*(11-j)/2 + i", "cmd/tonepose/internal/tables", ""},
	{"peak for rms", "fieldmodels/exposure/exposure.go", "peak / math.Sqrt2", "peak", "fieldmodels/exposure", ""},
	{"skin depth", "fieldmodels/coil/coil.go", "resistivity / (math.Pi * hz", "resistivity / (2 * math.Pi * hz", "fieldmodels/coil", ""},
	{"kelvin", "fieldmodels/coil/drive.go", "celsius + 273.15", "celsius", "fieldmodels/coil", ""},
	{"temperature of reference", "fieldmodels/coil/wire.go", "(celsius-20)", "(celsius-25)", "fieldmodels/coil", ""},
	{"geometric mean distance", "fieldmodels/coil/inductance.go", "0.2235 * around", "0.2235 * around / 2", "fieldmodels/coil", ""},
	{"swapped digits of a window", "multitone/window/cosine.go", "0.487396", "0.478396", "multitone/window", "Published|Heinzel"},
	{"factor of the limit of repeatability", "solver/assessment/precision.go", "return 2.8 *", "return 2.0 *", "solver/assessment", ""},
	{"acceleration in the flow", "solver/trajectory/motion.go", "p[j] += dt*v[j] + half*y", "p[j] += dt*v[j] - half*y", "solver/trajectory", "Flow|Smoother"},
	{"bend of a window", "solver/trajectory/kalman.go", "m[k] += bend * v", "m[k] -= bend * v", "solver/trajectory", "Smoother|Reading|Spread"},
	{"start of the second pass", "solver/trajectory/smoother.go", "t.begin(rec)", "t.begin(&record{reading: rec.reading})", "solver/trajectory", "EndsWhere"},
	{"piece without its margin", "solver/trajectory/smoother.go", "j.stepTo(to + j.margin)", "j.stepTo(to + 1)", "solver/trajectory", "Pieces"},
	{"convergence on a slope", "solver/leastsquares/solve.go", "status = slopeLeft", "_ = slopeLeft", "solver/leastsquares", ""},
	{"convergence of a damped step", "solver/leastsquares/descend.go", "case damping == 0:", "case damping >= 0:", "solver/leastsquares", ""},
	{"direction of a clock", "multitone/clock/fit.go", "b.phasor[i]*cmplx.Conj(a.phasor[i])", "a.phasor[i]*cmplx.Conj(b.phasor[i])", "multitone/clock", "Offset|Capture|Follow"},
	{"field of a dipole", "fieldmodels/dipole.go", "Mu0 / (4 * math.Pi)", "Mu0 / (2 * math.Pi)", "fieldmodels", "Dipole"},
	{"step of a spectrum", "multitone/sine/lines.go", "rate / float64(size)", "rate / float64(n)", "multitone/sine", ""},
	{"off by one window", "cmd/tonepose/internal/solve/spool.go", "int64(i)*int64(r.size)", "int64(i+1)*int64(r.size)", "cmd/tonepose/internal/solve", "Spool"},
	{"sign of a channel's delay", "cmd/tonepose/internal/rig/response.go", "cmplx.Rect(c.Gain, -2*math.Pi*hz*c.DelayS)", "cmplx.Rect(c.Gain, 2*math.Pi*hz*c.DelayS)", "cmd/tonepose/internal/rig", "Response|Delay"},
	{"sign of a low-pass's delay", "multitone/continuous.go", "float64(s.rests-1)/2 - s.delay", "float64(s.rests-1)/2 + s.delay", "multitone", "Continuous"},
	{"handedness of a rotation", "fieldmodels/rigid/rotation.go", "r3.Scale(2, r3.Cross(u, v))", "r3.Scale(2, r3.Cross(v, u))", "fieldmodels/rigid", ""},
	{"handedness of a loop", "fieldmodels/loop.go", "f := Mu0 / 4 * l.Turns * a2 * im / b4", "f := -Mu0 / 4 * l.Turns * a2 * im / b4", "fieldmodels", "Loop"},
	{"swapped channels in a figure", "cmd/tonepose/internal/figure/matrix.go", "d.Value[i*len(d.Columns)+j]", "d.Value[i*len(d.Columns)+len(d.Columns)-1-j]", "cmd/tonepose/internal/figure", "Matrix"},
	{"phase drawn for the amplitude", "cmd/tonepose/internal/figure/timeseries.go", "curve(amplitude, t.Amplitude, t.Sigma, style)", "curve(amplitude, t.Phase, t.SigmaPhase, style)", "cmd/tonepose/internal/figure", "Demodulation"},
	{"swapped channels in the figure of a run", "cmd/tonepose/internal/report/figures.go", "slices.Index(d.Columns, row.Channel)] = row.Value", "len(d.Columns)-1-slices.Index(d.Columns, row.Channel)] = row.Value", "cmd/tonepose/internal/report", ""},
	{"wrong unit in a table", "cmd/tonepose/internal/present/plan.go", "scaled(c.InductanceH, 1e-6)", "scaled(c.InductanceH, 1e-3)", "cmd/tonepose/internal/present", ""},
}

// Every fault of one line is caught by an ordinary test. The tests see the file with the
// fault in place of the other: nothing in the repository changes.
func TestMutantsAreCaught(t *testing.T) {
	root, err := filepath.Abs(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range mutants {
		t.Run(strings.ReplaceAll(m.fault, " ", "_"), func(t *testing.T) {
			file := filepath.Join(root, filepath.FromSlash(m.file))
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			wrong := strings.Replace(string(text), m.old, m.new, 1)
			if wrong == string(text) {
				t.Fatalf("%s: %q is not there any more", m.file, m.old)
			}
			dir := t.TempDir()
			faulty, overlay := filepath.Join(dir, "faulty.go"), filepath.Join(dir, "overlay.json")
			replace, err := json.Marshal(map[string]any{"Replace": map[string]string{file: faulty}})
			if err != nil {
				t.Fatal(err)
			}
			for name, content := range map[string][]byte{faulty: []byte(wrong), overlay: replace} {
				if err := os.WriteFile(name, content, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			call := []string{"test", "-overlay", overlay, "-failfast", "-run", m.run, "./" + m.tests}
			if m.tests == "fieldmodels/rigid" { // whose drawn cases would be kept in the repository
				call = append(call, "-rapid.nofailfile")
			}
			command := exec.CommandContext(t.Context(), "go", call...)
			command.Dir = root
			out, err := command.CombinedOutput()
			switch {
			case err == nil:
				t.Errorf("%s: %q for %q: no test of %s fails", m.file, m.new, m.old, m.tests)
			case !strings.Contains(string(out), "--- FAIL") && !strings.Contains(string(out), "panic:"):
				t.Errorf("%s: %q for %q does not run: %s", m.file, m.new, m.old, out)
			}
		})
	}
}
