package stream

import "time"

// Gap is what a live source lost before one of its samples.
type Gap struct {
	At      int64  // the sample after it, in the numbering handed out
	Samples int64  // that were filled in right before At; 0: time broke by an unknown amount, numbering goes on
	Why     string // for a reader
}

// Live is a Source whose samples come while time passes.
type Live interface {
	Source
	// Arrived is when the newest sample of the last read came in, zero before any did.
	Arrived() time.Time
	// Lost lists what was lost so far, in the order of its places. It is for the goroutine
	// that reads, after a read of which the samples may lie behind a gap.
	Lost() []Gap
	// Waits tells that the source waits for its reader, as a file does. Of others samples
	// are skipped where measuring does not keep up.
	Waits() bool
}
