//go:build slow

package campaign

import (
	"testing"

	"tonepose/cmd/tonepose/internal/bench"
)

// The same over many stations and poses.
func TestSamplesThatAreBadAtLength(t *testing.T) {
	b := bench.New(PipeBench(t))
	for _, s := range spoils {
		t.Run(s.name, func(t *testing.T) { s.check(t, b, 12, 4, 0.5) })
	}
}

func TestSamplesThatSlipAtLength(t *testing.T) { slips(t, 12, 4) }
