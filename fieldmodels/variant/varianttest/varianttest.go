// Package varianttest has the tests of kernels run every variant and tell which ran.
package varianttest

import (
	"flag"
	"fmt"
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

// Main is the TestMain of a package with kernels. After all tests it prints a line
// for every variant of every kernel, and fails if the processor runs a variant that
// no test took into use.
func Main(m *testing.M) {
	code := m.Run()
	if all() {
		for _, v := range variant.All() {
			state := "tested"
			if missing := v.Level.Missing(); len(missing) > 0 {
				state = "not run: this processor has no " + strings.Join(missing, ", ")
			} else if !v.Tested {
				state, code = "no test takes it into use", 1
			}
			fmt.Printf("variant %s %s: %s\n", v.Kernel, v.Level.Name, state)
		}
	}
	os.Exit(code)
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
