package main

import (
	"os/exec"
	"strings"
	"testing"
)

// Packages may import in one direction only; DEVELOPERS.md says why. The one
// exception is the registry of kernels' variants, which knows no physics.
func TestArrows(t *testing.T) {
	out, err := exec.Command("go", "list", "-f", "{{.ImportPath}}: {{join .Imports \" \"}}", "tonepose/...").CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	under := func(path, root string) bool { return path == root || strings.HasPrefix(path, root+"/") }
	for line := range strings.Lines(string(out)) {
		from, imports, _ := strings.Cut(strings.TrimSpace(line), ": ")
		for _, to := range strings.Fields(imports) {
			if !under(to, "tonepose") || to == "tonepose/fieldmodels/variant" {
				continue
			}
			bad := under(from, "tonepose/fieldmodels") && !under(to, "tonepose/fieldmodels") ||
				from == "tonepose/fieldmodels" && to != "tonepose/fieldmodels/rigid" && !under(to, "tonepose/fieldmodels/internal") ||
				from == "tonepose/fieldmodels/mutual" && to != "tonepose/fieldmodels" && to != "tonepose/fieldmodels/rigid" ||
				under(from, "tonepose/multitone") && !under(to, "tonepose/multitone") ||
				from == "tonepose/fieldmodels/variant" ||
				under(from, "tonepose/solver") && (under(to, "tonepose/multitone") || under(to, "tonepose/cmd")) ||
				from == "tonepose/solver/leastsquares" && to != "tonepose/fieldmodels/rigid" ||
				from == "tonepose/solver" && to == "tonepose/solver/calibration" ||
				from == "tonepose/multitone/recording" && to != "tonepose/multitone/internal/kernel" ||
				under(to, "tonepose/testdata") || to == "tonepose/fieldmodels/variant/varianttest" // for tests alone
			if bad {
				t.Errorf("%s imports %s", from, to)
			}
		}
	}
}
