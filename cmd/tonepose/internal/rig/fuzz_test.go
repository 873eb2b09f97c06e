package rig

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// FuzzLoad: any text either fails with a message that has one line or gives a
// rig whose numbers a fit can use.
func FuzzLoad(f *testing.F) {
	f.Add([]byte(bench))
	names, _ := filepath.Glob(filepath.Join(rigs, "*.rig.yaml"))
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		rg, err := Parse("f.yaml", text, Options{})
		if err != nil {
			var first *Error
			if !errors.As(err, &first) || first.Message == "" {
				t.Fatalf("%T %v has no message", err, err)
			}
			return
		}
		for i := range rg.Emitters {
			e := &rg.Emitters[i]
			if !(e.ToneHz > 0 && e.ToneHz < rg.NyquistHz()) || !(e.CurrentPeakA > 0) {
				t.Fatalf("emitter %+v", e)
			}
			if e.Reference != nil {
				if _, err := rg.Channels[e.Reference.Channel].Response(e.ToneHz); err != nil {
					t.Fatal(err)
				}
			}
		}
		// A change either is refused or reads back; Text compares.
		e := rg.Edit()
		for i := range rg.Emitters {
			e.MoveEmitter(i, r3.Vec{X: 1e-3}, r3.Vec{Y: 0.01}, 1.01)
		}
		e.SetNumber("channels[0].delay_s", 1e-6)
		e.SetCalibration(Calibration{Parameters: []string{"a"}}, nil)
		if changed, err := e.Text(); err == nil && bytes.Equal(changed, text) {
			t.Fatal("nothing changed")
		}
		for _, s := range rg.Sensors {
			for _, c := range s.Coils {
				if c.Channel < 0 || c.Channel >= len(rg.Channels) || !(c.AreaTurnsM2 > 0) {
					t.Fatalf("coil %+v", c)
				}
				if n := r3.Norm(unit3(c.Axis)); math.Abs(n-1) > 1e-12 {
					t.Fatalf("axis %v has unit length %v", c.Axis, n)
				}
			}
		}
	})
}
