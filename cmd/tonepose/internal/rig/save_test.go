package rig

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels/correction"
)

func TestSaveCalibration(t *testing.T) {
	dir := t.TempDir()
	rg := load(t, "pipe-bench.rig.yaml")
	names := EmitterParameters("e2")
	cov := mat.NewSymDense(8, nil)
	for i := range 8 {
		cov.SetSym(i, i, 1e-8/float64(i+3))
	}
	cov.SetSym(1, 6, 1e-9)
	c := Calibration{
		Date:            time.Date(2026, 3, 1, 9, 30, 0, 0, time.UTC),
		ReferenceSHA256: strings.Repeat("0f", 32),
		Parameters:      append([]string{"channels.rx1, first \"gain\""}, names[:]...),
	}
	e := rg.Edit()
	e.MoveEmitter(0, r3.Vec{X: 1e-3}, r3.Vec{}, 1)
	e.SetCalibration(c, cov)
	name := filepath.Join(dir, "new.rig.yaml")
	saved, err := e.Save(name)
	if err != nil {
		t.Fatal(err)
	}
	back, err := Load(name, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if back.SHA256 != saved.SHA256 || !bytes.HasPrefix(back.Text, bytes.Replace(rg.Text, []byte("[0.2, 0.0, -0.007428596]"), []byte("[0.201, 0.0, -0.007428596]"), 1)) {
		t.Error("the saved text is not the old one with its change and a block at the end")
	}
	k := back.Calibration
	if !k.Date.Equal(c.Date) || k.ReferenceSHA256 != c.ReferenceSHA256 || !cmp.Equal(k.Parameters, c.Parameters) || k.Covariance.File != "new.covariance.csv" {
		t.Errorf("calibration reads back as %+v", k)
	}
	files, _ := os.ReadDir(dir)
	if len(files) != 2 {
		t.Errorf("%d files in the folder, want the rig and its covariance", len(files))
	}

	a, err := back.Array()
	if err != nil {
		t.Fatal(err)
	}
	n := a.Covariance.SymmetricDim()
	if n != 7*8 {
		t.Fatalf("covariance of %d parameters", n)
	}
	for i := range n {
		for j := range n {
			want := 0.0
			if i >= 7 && i < 14 && j >= 7 && j < 14 {
				want = cov.At(i-7+1, j-7+1)
			}
			if got := a.Covariance.At(i, j); got != want {
				t.Errorf("covariance %d, %d is %g, want %g", i, j, got, want)
			}
		}
	}

	if c, err := back.SensorCovariance(0); c != nil || err != nil {
		t.Errorf("covariance of coils that the file does not name: %v, %v", c, err)
	}

	// A second calibration replaces the block; the rest stays.
	e = back.Edit()
	e.SetCalibration(Calibration{Date: time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)}, nil)
	text, err := e.Text()
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(back.Text, []byte("calibration:"))
	if want := string(back.Text[:at]) + "calibration:\n  date: 2026-04-01\n"; string(text) != want {
		t.Errorf("second calibration:\n%s", text[at:])
	}

	// A covariance that is not the stated one is refused.
	covFile := filepath.Join(dir, "new.covariance.csv")
	content, _ := os.ReadFile(covFile)
	if err := os.WriteFile(covFile, append(content, '\n'), 0o644); err != nil {
		t.Fatal(err)
	}
	var re *Error
	if _, err := back.Array(); !errors.As(err, &re) || re.Path != "calibration.covariance_sha256" || re.Line == 0 {
		t.Errorf("altered covariance: %v", err)
	}
	if err := os.Remove(covFile); err != nil {
		t.Fatal(err)
	}
	if _, err := back.Array(); !errors.As(err, &re) || re.Path != "calibration.covariance_file" {
		t.Errorf("lost covariance: %v", err)
	}
}

func TestCalibrationBlockInTheMiddle(t *testing.T) {
	text := strings.Replace(bench, "sensors:", "calibration:\n  date: 2026-03-01\n  # old\n\n# The sensors\nsensors:", 1)
	got := changed(t, parse(t, text), func(e *Edit) {
		e.SetCalibration(Calibration{Date: time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)}, nil)
	})
	if want := strings.Replace(text, "2026-03-01", "2026-04-01", 1); got != want {
		t.Errorf("got:\n%s", cmp.Diff(strings.Split(want, "\n"), strings.Split(got, "\n")))
	}
}

func TestSaveLeavesNothingHalfWritten(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "taken")
	if err := os.Mkdir(name, 0o755); err != nil { // a folder cannot be replaced by a file
		t.Fatal(err)
	}
	if _, err := parse(t, bench).Edit().Save(name); err == nil {
		t.Error("a folder was overwritten")
	}
	e := parse(t, bench).Edit()
	e.SetNumber("emitters[0].model.turns", -3)
	if _, err := e.Save(filepath.Join(dir, "new.rig.yaml")); err == nil {
		t.Error("an invalid rig was saved")
	}
	files, _ := os.ReadDir(dir)
	if len(files) != 1 {
		t.Errorf("left behind: %v", files)
	}
}

func TestReadCovarianceRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"":                    "has 0 rows",
		"a,b\n1,0\n":          "has 2 rows, must have a header and 2",
		"PAR1\x15\x04":        "is a Parquet file and no CSV",
		"\xff\xfea\x00\n\x00": "is text in UTF-16",
		"a\nx\n":              "line 2, a = x: must be a finite number",
		"a\nNaN\n":            "line 2, a = NaN: must be a finite number",
		"a,b\n1,0.5\n0.4,1\n": "line 2, b = 0.5: is no covariance of a",
		"a,b\n1,1.1\n1.1,1\n": "line 2, b = 1.1: is no covariance of a",
		"a\n-1\n":             "line 2, a = -1: is no covariance of a",
	} {
		if _, err := readCovariance([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", text, err, want)
		}
	}
}

// A rig with a correction: the file beside it, its fields in the array, and both
// go along when another edit saves the rig elsewhere.
func TestSaveCorrection(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	rg := load(t, "pipe-bench.rig.yaml")
	m := &correction.Map{Radius: 0.2, Center: r3.Vec{Z: 0.1}}
	for i := range rg.Emitters {
		m.Emitters = append(m.Emitters, correction.Emitter{Coefficients: []float64{float64(i) * 1e-6, 0, 0}})
	}
	m.Covariance = mat.NewSymDense(3*len(rg.Emitters)+rg.parameters(), nil)
	e := rg.Edit()
	e.SetCalibration(Calibration{Date: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)}, nil)
	e.SetCorrection(m)
	name := filepath.Join(dir, "new.rig.yaml")
	saved, err := e.Save(name)
	if err != nil {
		t.Fatal(err)
	}
	again := saved.Edit()
	again.SetNumber("channels[0].gain", 101)
	moved := filepath.Join(other, "moved.rig.yaml")
	if _, err := again.Save(moved); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{name, moved} {
		back, err := Load(name, Options{})
		if err != nil {
			t.Fatal(err)
		}
		a, err := back.Array()
		if err != nil {
			t.Fatal(err)
		}
		p := r3.Vec{X: 0.03, Z: 0.12}
		for i, drawn := range back.Drawn() {
			with, _ := a.Emitters[i].Source.Field(p)
			without, _ := drawn.Source.Field(p)
			// The first term is even along z, of unit mean square.
			want := r3.Vec{Z: float64(i) * 1e-6}
			if d := r3.Sub(r3.Sub(with, without), want); r3.Norm(d) > 1e-18 {
				t.Errorf("%s, emitter %d: the correction adds %v, want %v", name, i, r3.Sub(with, without), want)
			}
		}
	}
	broken := filepath.Join(dir, "new.correction.json")
	if err := os.WriteFile(broken, []byte("{}"), 0o644); err != nil {
		t.Fatal(err)
	}
	back, err := Load(name, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var re *Error
	if _, err := back.Array(); !errors.As(err, &re) || re.Path != "calibration.correction_sha256" {
		t.Errorf("a changed correction gives %v", err)
	}
	e = rg.Edit()
	e.SetCorrection(m)
	if _, err := e.Save(filepath.Join(dir, "x.rig.yaml")); err == nil {
		t.Error("a correction without calibration is taken")
	}
}

// A covariance that names a coil reaches the sensor in the coil's place.
func TestSensorCovariance(t *testing.T) {
	rg := load(t, "pipe-bench.rig.yaml")
	names := CoilParameters("probe", "rx2")
	cov := mat.NewSymDense(7, nil)
	for i := range 7 {
		cov.SetSym(i, i, float64(i+1)*1e-8)
	}
	e := rg.Edit()
	e.SetCalibration(Calibration{Date: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC), Parameters: names[:]}, cov)
	saved, err := e.Save(filepath.Join(t.TempDir(), "new.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	c, err := saved.SensorCovariance(0)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 21 {
		want := 0.0
		if i >= 7 && i < 14 {
			want = float64(i-6) * 1e-8
		}
		if c.At(i, i) != want {
			t.Errorf("variance %d is %g, want %g", i, c.At(i, i), want)
		}
	}
}
