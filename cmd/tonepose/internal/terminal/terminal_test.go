package terminal

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func TestTable(t *testing.T) {
	table := NewTable(Column{Name: "run", Left: true}, Column{Name: "poses"}, Column{Name: "position RMS", Unit: "mm"})
	table.Row("stations", "27", "0.0121")
	table.Row("rundgang µ", "300", "0.0563")
	var out bytes.Buffer
	if err := table.Write(&out, Paint{}); err != nil {
		t.Fatal(err)
	}
	want := "" +
		"run         poses  position RMS\n" +
		"                           (mm)\n" +
		"stations       27        0.0121\n" +
		"rundgang µ    300        0.0563\n"
	if out.String() != want {
		t.Errorf("have\n%swant\n%s", out.String(), want)
	}
	out.Reset()
	table.Write(&out, Paint{on: true})
	if plain := strings.NewReplacer("\x1b[1m", "", "\x1b[2m", "", "\x1b[0m", "").Replace(out.String()); plain != want || plain == out.String() {
		t.Errorf("painted: %q", out.String())
	}
}

func TestProgress(t *testing.T) {
	var out bytes.Buffer
	now := time.Unix(0, 0)
	p := &Progress{w: &out, width: func() int { return 60 }, now: func() time.Time { return now }}
	step := func(after time.Duration, pass string, done, total int64) string {
		out.Reset()
		now = now.Add(after)
		p.Show(pass, done, total)
		return out.String()
	}
	if line := step(0, "reading", 0, 100); !strings.HasPrefix(line, "\rreading  ░") || !strings.HasSuffix(line, "  0 %\x1b[K") {
		t.Errorf("%q", line)
	}
	if line := step(50*time.Millisecond, "reading", 1, 100); line != "" {
		t.Errorf("too soon: %q", line)
	}
	if line := step(1950*time.Millisecond, "reading", 50, 100); !strings.Contains(line, "████████████░░░░░░░░░░░░  50 %  2s left") {
		t.Errorf("%q", line)
	}
	if line := step(time.Millisecond, "solving", 3e6, 0); !strings.Contains(line, "solving  3000000") {
		t.Errorf("a new pass, total unknown: %q", line)
	}
	if line := step(time.Millisecond, "drawing", 0, 0); !strings.HasPrefix(line, "\rdrawing …") {
		t.Errorf("nothing to count: %q", line)
	}
	if line := step(998*time.Millisecond, "reading", 75, 100); !strings.Contains(line, " 75 %  1s left") { // three for 75
		t.Errorf("a pass that goes on after others: %q", line)
	}
	p.width = func() int { return 20 }
	if line := step(time.Second, "solving", 10, 100); utf8.RuneCountInString(strings.Trim(line, "\r\x1b[K")) > 19 {
		t.Errorf("wider than the terminal: %q", line)
	}
	out.Reset()
	p.Clear()
	p.Clear()
	if out.String() != "\r\x1b[K" {
		t.Errorf("cleared by %q", out.String())
	}
}

func TestNoTerminalNoProgressNoPaint(t *testing.T) {
	var out bytes.Buffer
	p := NewProgress(&out, false)
	p.Show("reading", 1, 2)
	p.Clear()
	if p != nil || out.Len() > 0 {
		t.Errorf("%v, %q", p, out.String())
	}
	if have := PaintFor(&out).Bold("x"); have != "x" {
		t.Errorf("%q", have)
	}
}

// https://no-color.org: set and not empty, whatever its value.
func TestNoColorSwitchesPaintOff(t *testing.T) {
	for value, on := range map[string]bool{"": true, "1": false, "0": false} {
		t.Setenv("NO_COLOR", value)
		if have := paintFor(true).Bold("x") != "x"; have != on {
			t.Errorf("NO_COLOR=%q: painted is %v", value, have)
		}
	}
	t.Setenv("NO_COLOR", "")
	if paintFor(false).Bold("x") != "x" {
		t.Error("painted without a terminal")
	}
}
