package present

import (
	"io"
	"time"

	"tonepose/cmd/tonepose/internal/batch"
)

// Batched is what solving many recordings came to, in the form of its JSON.
type Batched struct {
	Recordings int              `json:"recordings"`
	Solved     int              `json:"solved"`
	Before     int              `json:"finished_before"`
	Failed     []BatchedFailure `json:"failed"`
	ElapsedS   float64          `json:"elapsed_s"`
	Out        string           `json:"out"`
}

// BatchedFailure is a recording that could not be solved.
type BatchedFailure struct {
	Recording string `json:"recording"`
	File      string `json:"file"`
	Error     string `json:"error"`
}

// BatchedOf gathers it.
func BatchedOf(r *batch.Result, out string, elapsed time.Duration) Batched {
	b := Batched{Recordings: r.Recordings, Solved: r.Solved, Before: r.Finished, ElapsedS: elapsed.Seconds(), Out: out}
	for _, f := range r.Failed {
		b.Failed = append(b.Failed, BatchedFailure{f.Recording, f.File, f.Error})
	}
	return b
}

// Print prints it in words.
func (b Batched) Print(w io.Writer) error {
	p := newPage(w)
	p.line("%d recordings in %s: %d solved in %.3g s, %d finished before, %d failed", b.Recordings, b.Out, b.Solved, b.ElapsedS, b.Before, len(b.Failed))
	return p.err
}
