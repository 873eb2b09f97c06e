package rig

import (
	"path/filepath"
	"testing"
)

const rigs = "../../../../testdata/rigs"

func load(t *testing.T, name string) *Rig {
	t.Helper()
	rg, err := Load(filepath.Join(rigs, name), Options{})
	if err != nil {
		t.Fatal(err)
	}
	return rg
}

func TestPipeBench(t *testing.T) {
	rg := load(t, "pipe-bench.rig.yaml")
	if rg.Name != "pipe-bench" || rg.SampleRateHz != 100e3 || len(rg.Channels) != 4 || len(rg.Emitters) != 8 || len(rg.Sensors) != 1 {
		t.Errorf("read %+v", rg)
	}
	if e := rg.Emitters[7]; e.ToneHz != 14925 || e.Model.Turns != 40 || e.Model.CenterM.Z != -0.005909811 || e.Reference.Channel != 3 {
		t.Errorf("e8 is %+v", e)
	}
}

func TestExamplesLoad(t *testing.T) {
	names, err := filepath.Glob(filepath.Join(rigs, "*.rig.yaml"))
	if err != nil || len(names) < 3 {
		t.Fatalf("found %d rigs, %v", len(names), err)
	}
	for _, name := range names {
		if _, err := Load(name, Options{}); err != nil {
			t.Error(err)
		}
	}
}
