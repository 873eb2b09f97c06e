package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// copied puts files into a folder and returns the name of the first there.
func copied(t *testing.T, dir string, names ...string) string {
	t.Helper()
	for _, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(name)), text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, filepath.Base(names[0]))
}

// contentsBelow are all files below a folder.
func contentsBelow(t *testing.T, dir string) map[string]string {
	t.Helper()
	made, hidden := below(t, dir)
	all := map[string]string{}
	for name := range made {
		text, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		all[name] = string(text)
	}
	for _, name := range hidden {
		all[name] = "hidden"
	}
	return all
}

// No command overwrites what it reads, neither by its name nor by a link to it, nor by a name
// that the output makes of another; and nothing else is touched by then.
func TestNoCommandOverwritesItsInputs(t *testing.T) {
	solvedOnce := filepath.Join(t.TempDir(), "run")
	tonepose(t, "solve", recordingFile("pipe-bench-moving.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--out", solvedOnce, "--figures", "none")
	for _, c := range []struct {
		call  string // IN.x are copies of the inputs, LINK a link to the one that the output would overwrite
		input string
	}{
		{"calibrate moving.sigmf-meta --rig pipe-bench.rig.yaml --intervals poses.csv --out LINK", "pipe-bench.rig.yaml"},
		{"calibrate moving.sigmf-meta --rig pipe-bench.rig.yaml --intervals poses.csv --out LINK", "poses.csv"},
		{"calibrate channels moving.sigmf-meta --rig pipe-bench.rig.yaml --reference rx1 --out LINK", "pipe-bench.rig.yaml"},
		{"plan pipe-bench.rig.yaml --stations LINK", "pipe-bench.rig.yaml"},
		{"plan pipe-bench.rig.yaml --rig-out LINK", "pipe-bench.rig.yaml"},
		{"plan pipe-bench.rig.yaml --drive LINK", "pipe-bench.rig.yaml"},
		{"simulate pipe-bench.rig.yaml --path path.csv --out LINK", "path.csv"},
		{"simulate pipe-bench.rig.yaml --path run.truth.csv --out run", "run.truth.csv"},
		{"simulate pipe-bench.rig.yaml --path stations --scene over-plate.scene.yaml --out run.csv", "run.csv=over-plate.scene.yaml"},
		{"inspect moving.sigmf-meta --rig pipe-bench.rig.yaml --stations look/stations.csv --out look", "look/stations.csv"},
		{"assess run --truth poses.csv --register rigid --save-transform LINK", "poses.csv"},
		{"assess run --truth poses.csv --register rigid --save-transform LINK", "run/poses.parquet"},
		{"assess run --pivot --save-rig LINK", "run/poses.parquet"},
		{"report run --truth poses.csv --out LINK", "poses.csv"},
		{"report run --out LINK", "run/poses.parquet"},
		{"report run --calibration poses.csv --out LINK", "poses.csv"},
		{"export run/poses.parquet --out LINK", "run/poses.parquet"},
		{"export run --out LINK", "run/poses.parquet"},
		{"live play:moving.sigmf-meta --rig pipe-bench.rig.yaml --window 10ms --record moving", "moving.sigmf-data"},
		{"live play:moving.sigmf-meta --rig pipe-bench.rig.yaml --window 10ms --record LINK.wav", "moving.sigmf-data"},
	} {
		for _, link := range []string{"itself", "symbolic", "hard"} {
			t.Run(c.call+" "+link, func(t *testing.T) {
				dir := t.TempDir()
				in := func(name string) string { return filepath.Join(dir, name) }
				copied(t, dir, rigFile("pipe-bench.rig.yaml"), rigFile("over-plate.scene.yaml"))
				for _, folder := range []string{"run", "look"} {
					if err := os.Mkdir(in(folder), 0o755); err != nil {
						t.Fatal(err)
					}
				}
				for name, from := range map[string]string{"moving.sigmf-meta": "pipe-bench-moving.sigmf-meta", "moving.sigmf-data": "pipe-bench-moving.sigmf-data",
					"poses.csv": "pipe-bench-calibration.reference.csv", "path.csv": "pipe-bench-moving.truth.csv", "run.truth.csv": "pipe-bench-moving.truth.csv",
					"look/stations.csv": "pipe-bench-stations.truth.csv"} {
					text, err := os.ReadFile(recordingFile(from))
					if err != nil {
						t.Fatal(err)
					}
					text = bytes.ReplaceAll(text, []byte("pipe-bench-moving.sigmf-data"), []byte("moving.sigmf-data"))
					if err := os.WriteFile(in(name), text, 0o644); err != nil {
						t.Fatal(err)
					}
				}
				copied(t, in("run"), filepath.Join(solvedOnce, "poses.parquet"), filepath.Join(solvedOnce, "integrity.parquet"))
				input, output := c.input, c.input
				if to, from, ok := strings.Cut(input, "="); ok { // the output is the link
					if link == "itself" {
						return
					}
					input, output = from, to
				} else if link != "itself" {
					if !strings.Contains(c.call, "LINK") {
						return
					}
					output = "link" + filepath.Ext(input)
					if strings.Contains(c.call, "LINK.wav") {
						output = "link.wav"
					}
				} else if strings.Contains(c.call, "LINK.wav") {
					return
				}
				if link == "symbolic" {
					if err := os.Symlink(input, in(output)); err != nil {
						t.Fatal(err)
					}
				} else if link == "hard" {
					if err := os.Link(in(input), in(output)); err != nil {
						t.Fatal(err)
					}
				}
				before := contentsBelow(t, dir)
				call := strings.ReplaceAll(strings.ReplaceAll(c.call, "LINK.wav", output), "LINK", output) + " --force"
				t.Chdir(dir)
				var out, errs bytes.Buffer
				code := Run(t.Context(), strings.Fields(call), Streams{In: strings.NewReader(""), Out: &out, Err: &errs})
				if code != 2 || !strings.Contains(errs.String(), "never overwritten: name another") {
					t.Errorf("%s (%s is %s, %s): code %d, %s", call, output, input, link, code, errs.String())
				}
				for name, text := range contentsBelow(t, dir) {
					if before[name] != text {
						t.Errorf("%s: %s is another", call, name)
					}
				}
			})
		}
	}
}
