// Package varianttest has the tests of kernels run every variant and print which ran.
package varianttest

import (
	"flag"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"

	"tonepose/fieldmodels/variant"
)

// Each runs test with every variant of k that the processor runs.
func Each[T any](t *testing.T, k *variant.Kernel[T], test func(t *testing.T)) {
	t.Helper()
	for level := range k.Each() {
		t.Run(level.Name, test)
	}
}

// Main is the TestMain of a package with kernels. After all tests it prints which
// variants of each kernel ran and which could not, and fails if the processor runs a
// variant that no test took into use.
func Main(m *testing.M) {
	code := m.Run()
	if all() && !report(os.Stdout, variant.All()) {
		code = 1
	}
	os.Exit(code)
}

// report writes what became of the variants, in the order of their kernels, and reports
// whether all that could be tested were.
func report(w io.Writer, variants []variant.Variant) (complete bool) {
	complete = true
	var ran []string // of the kernel so far
	for i, v := range variants {
		if missing := v.Level.Missing(); len(missing) > 0 {
			fmt.Fprintf(w, "kernel %s: could not run %s: this processor has no %s\n", v.Kernel, v.Level.Name, strings.Join(missing, ", "))
		} else if v.Tested {
			ran = append(ran, v.Level.Name)
		} else {
			fmt.Fprintf(w, "kernel %s: no test takes %s into use: go through the variants with varianttest.Each\n", v.Kernel, v.Level.Name)
			complete = false
		}
		if i+1 == len(variants) || variants[i+1].Kernel != v.Kernel {
			fmt.Fprintf(w, "kernel %s: ran %s\n", v.Kernel, strings.Join(ran, ", "))
			ran = nil
		}
	}
	return complete
}

// all reports whether no test was left out.
func all() bool {
	for _, name := range []string{"test.run", "test.skip", "test.list"} {
		if f := flag.Lookup(name); f != nil && f.Value.String() != "" {
			return false
		}
	}
	return true
}
