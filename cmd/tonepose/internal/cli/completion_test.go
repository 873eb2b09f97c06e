package cli

import (
	"path/filepath"
	"strings"
	"testing"

	"tonepose/solver/calibration"
)

// What a shell is offered, by the command that its script asks.
func TestValuesAreCompleted(t *testing.T) {
	pipe := rigFile("pipe-bench.rig.yaml")
	card := filepath.Join("..", "..", "..", "..", "testdata", "recordings", "one-microvolt.csv")
	for _, c := range []struct {
		args string
		want string
	}{
		{"solve|--trajectory|", "none filter smooth spline"},
		{"solve|--trajectory|s", "smooth spline"},
		{"solve|--clock|", "common each none"},
		{"solve|--lowpass|butterworth", "butterworth1 butterworth2 butterworth3 butterworth4 butterworth5 butterworth6 butterworth7 butterworth8"},
		{"solve|--lowpass|f", "fir"},
		{"measure|--taper|han", "hann"},
		{"assess|--register|", "none rigid hand-eye"},
		{"plan|" + rigFile("square-bench.rig.yaml") + "|--sensor|", "probe needle"},
		{"calibrate|channels|x.wav|--rig|" + pipe + "|--reference|rx", "rx1 rx2 rx3"},
		{"measure|" + card + "|--signal|", "reference_v signal_v"},
		{"measure|nosuch.csv|--signal|", ""},
		{"assess|--figures|", "png svg pdf none"},
		{"assess|--figures|png,s", "png,svg"},
		{"calibrate|--free|default,m", "default,marker"},
	} {
		text := tonepose(t, append([]string{"__complete"}, strings.Split(c.args, "|")...)...)
		lines := strings.Split(strings.TrimSpace(text), "\n")
		if have := strings.Join(lines[:len(lines)-1], " "); have != c.want || lines[len(lines)-1] != ":4" { // 4: no files
			t.Errorf("%s: %q, want %q", c.args, text, c.want)
		}
	}
	// A path may be a file as well.
	if paths := tonepose(t, "__complete", "simulate", "--path", ""); paths != "stations\nsweep\n:0\n" {
		t.Errorf("paths: %q", paths)
	}
	if all := tonepose(t, "__complete", "help", ""); !strings.Contains(all, "rig\tThe rig file\n") || !strings.Contains(all, "solve\tFrom a recording") {
		t.Errorf("help: %q", all)
	}
}

// Every name that is offered is one that its flag takes.
func TestCompletedValuesAreValid(t *testing.T) {
	for _, name := range lowPassNames() {
		if _, err := lowPass(name); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, name := range completed["free"](nil, nil) {
		if _, err := calibration.ParseFree(name); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, name := range taperNames() {
		if _, err := taper(name); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}
