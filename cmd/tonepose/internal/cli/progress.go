package cli

import (
	"tonepose/cmd/tonepose/internal/pipeline"
	"tonepose/cmd/tonepose/internal/terminal"
)

// progress shows on stderr how far a pass is: only on a terminal, never when
// the caller wants silence. clear takes its line away before other text.
func progress(s Streams, silent bool) (show pipeline.Progress, clear func()) {
	p := terminal.NewProgress(s.Err, silent)
	return func(pass string, done, total int64) { p.Show(pass, done, total) }, p.Clear
}
