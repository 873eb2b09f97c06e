package files

import (
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
)

// Of several that want a claim one has it; it is gone with the last.
func TestClaim(t *testing.T) {
	name := filepath.Join(t.TempDir(), "a.claim")
	release, ok, err := Claim(name)
	if !ok || err != nil {
		t.Fatal(ok, err)
	}
	if _, ok, err := Claim(name); ok || err != nil {
		t.Fatalf("a second one has it too: %v, %v", ok, err)
	}
	release()
	if _, err := os.Lstat(name); !os.IsNotExist(err) {
		t.Error(err)
	}
	// What a run left that was killed is no lock.
	if err := os.WriteFile(name, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if release, ok, err = Claim(name); !ok || err != nil {
		t.Fatal(ok, err)
	}
	release()
}

func TestClaimsExclude(t *testing.T) {
	name := filepath.Join(t.TempDir(), "a.claim")
	var inside atomic.Int32
	var workers sync.WaitGroup
	for range 8 {
		workers.Go(func() {
			for got := 0; got < 50; {
				release, ok, err := Claim(name)
				if err != nil {
					t.Error(err)
					return
				}
				if !ok {
					continue
				}
				if n := inside.Add(1); n != 1 {
					t.Errorf("%d have the claim", n)
				}
				inside.Add(-1)
				release()
				got++
			}
		})
	}
	workers.Wait()
}
