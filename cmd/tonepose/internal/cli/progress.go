package cli

import (
	"tonepose/cmd/tonepose/internal/pipeline"
)

// progress shows how far a pass is on a terminal.
func progress(s Streams, silent bool) pipeline.Progress {
	return nil
}
