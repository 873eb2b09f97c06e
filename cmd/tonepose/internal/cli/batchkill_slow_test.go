//go:build slow

package cli

import (
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"
)

// TestBatchKilled at two hundred moments and more.
func TestBatchKilledAnywhere(t *testing.T) {
	list, out := batchList(t, 4), filepath.Join(t.TempDir(), "whole")
	begin := time.Now()
	tonepose(t, batchArgs(list, out)...)
	took := time.Since(begin)
	whole, _, _ := dataSetFiles(t, out)
	random := rand.New(rand.NewPCG(15, 15))
	for kills := 0; kills < 200; {
		kills += killedBatch(t, list, whole, func() time.Duration { return time.Duration(random.Float64() * float64(took)) })
	}
}
