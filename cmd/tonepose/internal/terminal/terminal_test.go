package terminal

import (
	"bytes"
	"math"
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

func TestNumbers(t *testing.T) {
	for _, c := range []struct{ have, want string }{
		{Number(9.996, 3), "10.0"}, {Number(0.00123456, 3), "0.00123"}, {Number(-123456, 3), "-123000"}, {Number(0, 3), "0.00"},
		{Number(1.5e-9, 3), "1.5e-09"}, {Number(math.NaN(), 3), "–"}, {Number(1e7, 3), "1e+07"}, {Number(99999.7, 3), "100000"},
		{Quantity(12.34e-6, "m"), "12.3 µm"}, {Quantity(999.6e-6, "m"), "1.00 mm"}, {Quantity(-5126, "Hz"), "-5.13 kHz"},
		{Quantity(0, "V"), "0.00 V"}, {Quantity(1, "s"), "1.00 s"}, {Quantity(2.5e6, ""), "2.50 M"}, {Quantity(1e-18, "H"), "1e-18 H"},
		{Quantity(math.Inf(1), "V"), "+Inf V"}, {Quantity(1e-6, "V"), "1.00 µV"}, {Quantity(1e-9, "H"), "1.00 nH"},
		{Number(math.Copysign(0, -1), 3), "0.00"}, {Number(-0.0099996, 3), "-0.0100"},
		{PlusMinus(23.7672, 7.7), "23.8 ± 7.7"}, {PlusMinus(-0.04, 0.996), "0.0 ± 1.0"}, {PlusMinus(123456, 1234), "123500 ± 1200"},
		{PlusMinus(62501.875, 9.4e-8), "62501.875000000 ± 0.000000094"}, {PlusMinus(1.5, 0), "1.500000 ± 0.0"},
		{PlusMinus(0.25, 1e-20), "0.2500000 ± 1e-20"}, {PlusMinus(1, math.NaN()), "1.000000 ± –"}, {PlusMinus(1, math.Inf(1)), "1.000000 ± +Inf"},
		{Estimate(1.02508e-6, 1.4e-7, "V"), "(1.03 ± 0.14) µV"}, {Estimate(-738e-12, 6.68e-9, "s"), "(-0.7 ± 6.7) ns"},
		{Estimate(0.99999, 2e-9, "V"), "(0.9999900000 ± 0.0000000020) V"},
	} {
		if c.have != c.want {
			t.Errorf("%q, want %q", c.have, c.want)
		}
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
	if line := step(time.Millisecond, "solving", 3e6, 0); !strings.Contains(line, "solving  3.00 M") {
		t.Errorf("a new pass, total unknown: %q", line)
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
