package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/files"
)

// A command that is killed at any of its renames leaves all files of an earlier call, or all
// of its own, in whatever folders they are.
func TestKilledAtAnyRename(t *testing.T) {
	t.Parallel()
	run := filepath.Join(t.TempDir(), "run")
	whole := func(name string) string {
		name, err := filepath.Abs(name)
		if err != nil {
			t.Fatal(err)
		}
		return name
	}
	tonepose(t, "solve", recordingFile("pipe-bench-stations.sigmf-meta"), "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "50ms", "--out", run, "--figures", "none")
	truth, ring := whole(recordingFile("pipe-bench-stations.truth.csv")), whole(rigFile("ring-to-plan.rig.yaml"))
	for _, c := range []struct {
		name     string
		old, new []string
	}{
		{"plan", strings.Fields("--high 15000 --pace 5s --hold 1s --drive-scale 3A"), strings.Fields("--high 16000 --pace 6s --hold 1s --drive-scale 4A")},
		{"assess", strings.Fields("--figures svg --resamples 9 --register hand-eye"), strings.Fields("--figures svg --resamples 9 --register rigid")},
	} {
		args := map[string][]string{
			"plan":   {"plan", ring, "--drive", "drive/loop.csv", "--rig-out", "planned.rig.yaml", "--stations", "board/board.csv", "--figures", "none", "--quiet", "--force"},
			"assess": {"assess", run, "--truth", truth, "--save-transform", "board/transform.json", "--out", "drive", "--quiet", "--force"},
		}[c.name]
		call := func(out string, more []string, kill int) (killed bool) {
			t.Helper()
			list := slices.Concat(args, more)
			p := process(t, list...)
			p.Dir = out
			p.Env = append(p.Env, killedAtRename+"="+strconv.Itoa(kill))
			text, err := p.CombinedOutput()
			if err != nil && kill == 0 {
				t.Fatalf("%v: %v, %s", list, err, text)
			}
			return err != nil
		}
		folder := func() string {
			out := t.TempDir()
			for _, sub := range []string{"drive", "board"} {
				if err := os.Mkdir(filepath.Join(out, sub), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			return out
		}
		texts := func(out string) map[string][]byte {
			all := map[string][]byte{}
			made, _ := below(t, out)
			for name := range made {
				text, err := os.ReadFile(filepath.Join(out, name))
				if err != nil {
					t.Fatal(err)
				}
				all[name] = text
			}
			return all
		}
		olds, news := folder(), folder()
		call(olds, c.old, 0)
		call(news, c.new, 0)
		before, after := texts(olds), texts(news)
		counts := map[string]int{}
		for kill := 1; ; kill++ {
			out := t.TempDir()
			if err := os.CopyFS(out, os.DirFS(olds)); err != nil {
				t.Fatal(err)
			}
			if !call(out, c.new, kill) {
				if kill < 3 {
					t.Errorf("%s: was killed %d times", c.name, kill-1)
				}
				break
			}
			for _, dir := range folders(t, out) {
				if err := files.Settle(dir); err != nil {
					t.Fatal(err)
				}
			}
			var found []string
			for name, text := range texts(out) {
				old, fresh := bytes.Equal(text, before[name]), bytes.Equal(text, after[name])
				switch {
				case old && !fresh:
					found = append(found, "old "+name)
				case fresh && !old:
					found = append(found, "new "+name)
				case !old && !fresh:
					t.Errorf("%s, killed at rename %d: %s is of neither call", c.name, kill, name)
				}
			}
			slices.Sort(found)
			if first, last := found[0][:3], found[len(found)-1][:3]; first != last {
				t.Errorf("%s, killed at rename %d: a mixed set: %v", c.name, kill, found)
			} else {
				counts[first]++
			}
		}
		t.Logf("%s: %v", c.name, counts)
	}
}
