package cli

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Names in recordings and rigs that hold escape sequences, ends of lines or marks of direction
// are shown, and do nothing to a terminal; errors begin no message that is none of ours.
func TestNamesFromFilesDoNotSteerTheTerminal(t *testing.T) {
	dir := t.TempDir()
	const evil = "\x1b]0owned\x07\x1b[2J\u009b31mrx\u202e"
	var text strings.Builder
	fmt.Fprintf(&text, "time_s,%s,reference\n", evil)
	for i := range 4000 {
		x := 2 * math.Pi * 440 * float64(i) / 4000
		fmt.Fprintf(&text, "%.5f,%.6f,%.6f\n", float64(i)/4000, 0.1*math.Sin(x), math.Sin(x))
	}
	recording := filepath.Join(dir, "evil\x1b[31m.csv")
	if err := os.WriteFile(recording, []byte(text.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	bench, err := os.ReadFile(rigFile("pipe-bench.rig.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	rig := filepath.Join(dir, "evil.rig.yaml")
	named := strings.NewReplacer("name: e1\n", `name: "e1\e[2J"`+"\n", "name: e1,", `name: "e1\e[2J",`).Replace(string(bench))
	if named == string(bench) {
		t.Fatal("the rig has no emitter e1")
	}
	if err := os.WriteFile(rig, []byte(named), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"inspect", recording}, 0, `\x1b]0owned\x07\x1b[2J\u009b31mrx\u202e`},
		{[]string{"measure", recording, "--signal", evil, "--reference", "reference"}, 0, `\u009b31mrx`},
		{[]string{"measure", recording, "--signal", "none\x1b[2J", "--reference", "reference"}, 2, `\x1b[2J`},
		{[]string{"inspect", filepath.Join(dir, "none\x1b[2J\ntonepose: error: none")}, 2, `none\x1b[2J`},
		{[]string{"rig", "check", rig}, 2, `e1\x1b[2J`},
	} {
		var out, errs bytes.Buffer
		code := Run(t.Context(), c.args, Streams{In: strings.NewReader(""), Out: &out, Err: &errs})
		shown := out.String() + errs.String()
		if code != c.code || !strings.Contains(shown, c.want) {
			t.Errorf("%q: code %d, want %d and %s in\n%s", c.args[0], code, c.code, c.want, shown)
		}
		if i := strings.IndexAny(shown, "\x1b\x07\u009b\u202e\r"); i >= 0 {
			t.Errorf("%q: raw %q is printed", c.args[0], shown[i:min(len(shown), i+20)])
		}
		if strings.Contains(shown, "\ntonepose: error: none") {
			t.Errorf("%q: a name begins a message: %s", c.args[0], shown)
		}
	}
}
