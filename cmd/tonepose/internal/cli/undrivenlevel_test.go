package cli

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// muted is the recording of stations with nothing on some of its four channels of 16 bits.
func muted(t *testing.T, channels ...int) string {
	t.Helper()
	const recorded = "../../../../testdata/recordings/pipe-bench-stations.sigmf-"
	data, err := os.ReadFile(recorded + "data")
	if err != nil {
		t.Fatal(err)
	}
	for i := range data {
		if slices.Contains(channels, i/2%4) {
			data[i] = 0
		}
	}
	text, err := os.ReadFile(recorded + "meta")
	if err != nil {
		t.Fatal(err)
	}
	var meta map[string]any
	if err := json.Unmarshal(text, &meta); err != nil {
		t.Fatal(err)
	}
	delete(meta["global"].(map[string]any), "core:sha512")
	if text, err = json.Marshal(meta); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "muted.sigmf-")
	for end, content := range map[string][]byte{"data": data, "meta": text} {
		if err := os.WriteFile(name+end, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return name + "meta"
}

// Where no drive is found, its channel, its level and what to check are named.
func TestNoReferenceSaysWhere(t *testing.T) {
	name := muted(t, 3)
	for command, args := range map[string][]string{"solve": {name}, "measure": {name}, "live": {"play:" + name, "--window", "10ms", "--pace", "max"}} {
		var errs bytes.Buffer
		code := Run(t.Context(), append(append([]string{command}, args...), "--rig", planRigs+"pipe-bench.rig.yaml", "--out", filepath.Join(t.TempDir(), "out")), Streams{In: strings.NewReader(""), Out: new(bytes.Buffer), Err: &errs})
		for _, want := range []string{"no reference channel carries its tone", "no drive is recorded", "channel drive has at most 0 V of its tones (e1 at 5125 Hz", "correct the rig's reference channels"} {
			if code != 2 || !strings.Contains(errs.String(), want) {
				t.Errorf("%s: exit code %d, no %q in %s", command, code, want, &errs)
			}
		}
	}
}
