package cli

import (
	"errors"
	"fmt"
	"io"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/multitone/clock"
)

// exitCode writes an error with its hint and returns the exit code.
func exitCode(w io.Writer, err error) int {
	var several rig.Errors
	if errors.As(err, &several) {
		for _, e := range several {
			fmt.Fprintf(w, "tonepose: error: %v\n", e)
			if e.Hint != "" {
				fmt.Fprintf(w, "tonepose: hint: %s\n", e.Hint)
			}
		}
		return 2
	}
	fmt.Fprintf(w, "tonepose: error: %v\n", err)
	var h *hinted
	if errors.As(err, &h) {
		fmt.Fprintf(w, "tonepose: hint: %s\n", h.hint)
	}
	if errors.Is(err, measure.ErrNoRow) || errors.Is(err, clock.ErrNoStart) || errors.Is(err, solve.ErrUnjoined) {
		return 1
	}
	return 2
}

// hinted is an error with a hint how to correct it.
type hinted struct {
	err  error
	hint string
}

func (h *hinted) Error() string { return h.err.Error() }
func (h *hinted) Unwrap() error { return h.err }

func withHint(err error, format string, args ...any) error {
	return &hinted{err, fmt.Sprintf(format, args...)}
}
