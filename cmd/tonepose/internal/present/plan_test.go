package present

import (
	"bytes"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/plan"
	"tonepose/cmd/tonepose/internal/rig"
)

// Every computed column has its formula; what has none is given by rig or flags.
func TestPlanExplainsEveryNumber(t *testing.T) {
	given := []string{"tone", "current", "tones", "full scale", "wire", "turns × area", "window", "gain", "value"}
	r, err := rig.Load("../../../../testdata/rigs/pipe-bench.rig.yaml", rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := plan.Make(t.Context(), r, plan.Options{WindowS: 40e-3, Taper: "hann", NoiseV: 5e-9, Bits: 16, CurrentA: 0.5, AmbientC: 25, DistancesM: []float64{0.1}})
	if err != nil {
		t.Fatal(err)
	}
	p.DriveFile = &plan.DriveFile{}
	p.Design = &plan.Design{Moves: []plan.Move{{Emitter: "e1"}}}
	var sheets []*sheet
	for part := plan.Electrics; part <= plan.Cautioned; part++ {
		sheets = append(sheets, planSheets(p, part, 0, false)...)
	}
	for _, s := range sheets {
		if s.title == "Cautions" || strings.HasPrefix(s.title, "Averaging") {
			continue // words, and rows with formulas of their own
		}
		for _, c := range s.columns {
			if !c.Left && c.formula == "" && !(slices.Contains(given, c.Name) && (s.title != "" && c.Name != "gain" || strings.HasPrefix(s.title, "Dynamic"))) {
				t.Errorf("%s: column %q has no formula", s.title, c.Name)
			}
		}
		var b bytes.Buffer
		out := newPage(&b)
		out.sheet(s, true)
		if out.err != nil {
			t.Error(out.err)
		}
		for _, c := range s.columns {
			if c.formula != "" && !strings.Contains(b.String(), c.formula) {
				t.Errorf("%s: the formula of %q is not printed", s.title, c.Name)
			}
		}
	}
	var b bytes.Buffer
	if err := Plan(&b, p, true); err != nil {
		t.Fatal(err)
	}
	for _, formula := range []string{"n² = a² + q²", "6.02·b + 1.76 dB", "E = 1/(2T)", "IEEE Std 1241-2010"} {
		if !strings.Contains(b.String(), formula) {
			t.Errorf("--explain does not print %q", formula)
		}
	}
}

// Each column holds the number of its coil in the unit that its head names: prefixes of
// the SI (BIPM, SI Brochure, 9th ed., table 7), % for 0.01.
func TestColumnsAreInTheirUnits(t *testing.T) {
	coil := plan.Coil{Emitter: "e1", WireM: 2e-4, Fill: 0.61, ResistanceOhm: 3.2, InductanceH: 1.5e-3, SkinDepthM: 7e-4, ResonanceHz: 4.1e5, MomentAm2: 0.12}
	coil.Load.ResistanceOhm = 3.9
	want := map[string]float64{"wire": coil.WireM, "fill": coil.Fill, "R dc": coil.ResistanceOhm, "L": coil.InductanceH, "R at tone": coil.Load.ResistanceOhm,
		"skin depth": coil.SkinDepthM, "self-resonance": coil.ResonanceHz, "moment": coil.MomentAm2}
	unit := map[string]float64{"mm": 1e-3, "%": 1e-2, "Ω": 1, "µH": 1e-6, "kHz": 1e3, "A·m² peak": 1}
	s := coilsSheet(&plan.Plan{Coils: []plan.Coil{coil}})
	for i, c := range s.columns {
		if c.Left {
			continue
		}
		v, err := strconv.ParseFloat(s.rows[0][i], 64)
		// Three digits are printed.
		if value := want[c.Name]; err != nil || value == 0 || math.Abs(v*unit[c.Unit]-value) > 5e-3*value {
			t.Errorf("%s is %s %s, want %g in SI", c.Name, s.rows[0][i], c.Unit, value)
		}
	}
}
