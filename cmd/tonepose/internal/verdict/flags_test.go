package verdict

import (
	"fmt"
	"strings"
	"testing"
)

// The names and their order are a contract with every reader of the tables.
const flagOrder = "clipped;gap;repeated;stuck;reference lost;motion;distorted;wrong channel;ambiguous;outside working volume;not converged;unobservable;not judged;disturbed tone"

func TestFlagNames(t *testing.T) {
	if have := Flags(allFlags).String(); have != flagOrder {
		t.Errorf("all flags: %q, want %q", have, flagOrder)
	}
	if have := (Unobservable | Clipped | ReferenceLost).String(); have != "clipped;reference lost;unobservable" {
		t.Errorf("three flags: %q", have)
	}
	if have := Flags(0).String(); have != "" {
		t.Errorf("no flag: %q", have)
	}
}

func TestParseFlags(t *testing.T) {
	for f := range Flags(allFlags + 1) {
		if have, err := ParseFlags(f.String()); err != nil || have != f {
			t.Fatalf("%q: %v, %v", f, have, err)
		}
	}
	if have, err := ParseFlags(" motion ; clipped"); err != nil || have != Motion|Clipped {
		t.Errorf("any order, spaces: %v, %v", have, err)
	}
	for _, bad := range []string{"metal", ";", "clipped;;gap", "Clipped"} {
		if _, err := ParseFlags(bad); err == nil || !strings.Contains(err.Error(), "wrong channel") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func TestFlagTextCostsNoAllocation(t *testing.T) {
	f := Motion | Distorted
	if n := testing.AllocsPerRun(100, func() { _ = f.String() }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func TestCounts(t *testing.T) {
	var c Counts
	for _, f := range []Flags{0, Motion, Motion | Clipped, DisturbedTone} {
		c.Add(f)
	}
	var have []string
	for name, rows := range c.All {
		have = append(have, fmt.Sprint(name, " ", rows))
	}
	if want := "clipped 1;motion 2;disturbed tone 1"; strings.Join(have, ";") != want || c.Rows != 4 || c.Flagged != 3 {
		t.Errorf("%q, %d of %d: want %q, 3 of 4", have, c.Flagged, c.Rows, want)
	}
}
