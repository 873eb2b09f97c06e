package cli

import (
	"os"
	"runtime/debug"
)

// collectOften lets the garbage collector run before the heap has doubled: a stream
// makes little garbage, so this costs next to nothing, and the memory of a long
// run stays near what it really holds. A caller's own GOGC is left alone.
func collectOften() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(40)
	}
}
