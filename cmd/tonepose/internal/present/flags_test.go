package present

import (
	"bytes"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/cmd/tonepose/internal/verdict"
)

// Counts show with the handbook's own words, in text and in JSON; a run without
// flags says nothing of them.
func TestFlagsAreCountedWithTheirNextStep(t *testing.T) {
	var c verdict.Counts
	shown := func() (text, object string) {
		var out bytes.Buffer
		p := newPage(&out)
		if p.flags(&c, "poses"); p.err != nil {
			t.Fatal(p.err)
		}
		text = out.String()
		out.Reset()
		if err := JSON(&out, struct {
			Flags []Flagged `json:"flags"`
		}{FlagsOf(&c)}); err != nil {
			t.Fatal(err)
		}
		return text, out.String()
	}
	c.Add(0)
	if text, object := shown(); text != "" || object != "{\n  \"flags\": []\n}\n" {
		t.Errorf("no flag: %q, %s", text, object)
	}
	c.Add(verdict.Motion | verdict.Gap)
	c.Add(verdict.Motion)
	text, object := shown()
	gap, motion := handbook.Next("gap"), handbook.Next("motion")
	if gap == "" || motion == "" {
		t.Fatal("the handbook has no next step")
	}
	if want := "\nflags of 2 of 3 poses (tonepose help flags)\n  1 gap: " + gap + "\n  2 motion: " + motion + "\n"; text != want {
		t.Errorf("have %q, want %q", text, want)
	}
	for _, want := range []string{`"flag": "gap"`, `"rows": 2`, `"next": "` + gap + `"`} {
		if !strings.Contains(object, want) {
			t.Errorf("%s is missing in %s", want, object)
		}
	}
}
