package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/caution"
)

// Whatever drives coils, or asks somebody to, says first what they can do to people.
func TestCautionsStandWhereTheDangerIs(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	page, _ := runPlanTest(t, 0, planRigs+"ring-to-plan.rig.yaml", "--rig-out", in("planned.rig.yaml"), "--stations", in("board.csv"), "--drive", in("drive.wav"), "--bits", "16")
	if first, _, _ := strings.Cut(page, "\n"); first != caution.Standing {
		t.Errorf("the plan begins with %q", first)
	}
	tonepose(t, "rig", "new", "--out", in("new.rig.yaml"))
	for _, name := range []string{"planned.rig.yaml", "board.csv", "drive.txt", "new.rig.yaml"} {
		text, err := os.ReadFile(in(name))
		if err != nil || !strings.Contains(string(text), caution.Standing) {
			t.Errorf("%s: %v\n%.400s", name, err, text)
		}
	}
	for _, words := range []string{"burn", "implants", "clinical use is out of scope", "Local codes", "licensed practice decide"} {
		if !strings.Contains(caution.Standing, words) {
			t.Errorf("the standing line does not say %q", words)
		}
	}
	_, closing, _ := strings.Cut(page, "Cautions\n")
	for _, words := range []string{"implants or pacemakers", "can burn", "clinical use is out of scope"} {
		if !strings.Contains(closing, words) {
			t.Errorf("the closing list does not say %q:\n%s", words, closing)
		}
	}
	for _, command := range []string{"plan", "simulate"} {
		var out, errs bytes.Buffer
		if code := Run(t.Context(), []string{command, "--help"}, Streams{Out: &out, Err: &errs}); code != 0 {
			t.Fatalf("exit code %d", code)
		}
		if text := strings.Join(strings.Fields(out.String()), " "); !strings.Contains(text, "can burn") || !strings.Contains(text, "implants") {
			t.Errorf("%s --help says nothing of burns and implants", command)
		}
	}
	// 8 A in 0.5 mm wire.
	text, err := os.ReadFile(planRigs + "pipe-bench.rig.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(in("hot.rig.yaml"), bytes.ReplaceAll(text, []byte("current_a_peak: 0.5"), []byte("current_a_peak: 8")), 0o600); err != nil {
		t.Fatal(err)
	}
	page, _ = runPlanTest(t, 0, in("hot.rig.yaml"), "--wire", "0.5mm")
	if !strings.Contains(page, "becomes too hot to touch, can burn") {
		t.Errorf("8 A in 0.5 mm wire:\n%s", page)
	}
}
