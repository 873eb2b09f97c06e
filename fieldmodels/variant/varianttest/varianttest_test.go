package varianttest

import (
	"strings"
	"testing"

	"tonepose/fieldmodels/variant"
)

// fast is a level that any processor has, as it needs nothing.
var fast = &variant.Level{Name: "fast"}

func TestReportNamesWhatRan(t *testing.T) {
	var b strings.Builder
	complete := report(&b, []variant.Variant{
		{Kernel: "a", Level: variant.Go, Tested: true}, {Kernel: "a", Level: fast, Tested: true}, {Kernel: "b", Level: variant.Go, Tested: true},
	})
	if want := "kernel a: ran go, fast\nkernel b: ran go\n"; b.String() != want || !complete {
		t.Errorf("complete: %v, %q, want %q", complete, b.String(), want)
	}
}

func TestReportFindsWhatNoTestUses(t *testing.T) {
	var b strings.Builder
	complete := report(&b, []variant.Variant{{Kernel: "a", Level: variant.Go, Tested: true}, {Kernel: "a", Level: fast}})
	if complete || !strings.Contains(b.String(), "kernel a: no test takes fast into use") {
		t.Errorf("complete: %v, %q", complete, b.String())
	}
}
