package files

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// resume lets the process write again after Abandon.
func resume() { process.ended, process.written = false, nil }

func TestAbandon(t *testing.T) {
	needsNamesToGo(t)
	resume()
	defer resume()
	root := t.TempDir()
	whole, err := Into(filepath.Join(root, "whole"), false)
	if err != nil {
		t.Fatal(err)
	}
	if err := whole.Write("a", []byte("complete")); err != nil {
		t.Fatal(err)
	}
	half, err := Into(filepath.Join(root, "half", "deeper"), false)
	if err != nil {
		t.Fatal(err)
	}
	w, err := half.Create("b")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := half.Scratch(); err != nil {
		t.Fatal(err)
	}
	temporary, remove, err := Temporary("tonepose-test")
	if err != nil {
		t.Fatal(err)
	}
	defer remove()
	if err := whole.Commit(); err != nil {
		t.Fatal(err)
	}
	if written := Abandon(); !cmp.Equal(written, []string{filepath.Join(root, "whole", "a")}) {
		t.Errorf("written: %v", written)
	}
	expect(t, root, map[string]string{"whole": "/"})
	expect(t, filepath.Join(root, "whole"), map[string]string{"a": "complete"})
	if _, err := os.Stat(temporary); err == nil {
		t.Errorf("%s is left", temporary)
	}
	// Other goroutines go on until the process ends: they can't write any more.
	w.Write([]byte("late"))
	if err := half.Commit(); err == nil {
		t.Error("a batch was shown after Abandon")
	}
	var late Batch
	if err := late.Write(filepath.Join(root, "late"), nil); err == nil {
		t.Error("a file was begun after Abandon")
	}
	if _, err := Into(filepath.Join(root, "late"), false); err == nil {
		t.Error("a directory was made after Abandon")
	}
	expect(t, root, map[string]string{"whole": "/"})
}

// A batch that is being shown when Abandon comes is there wholly, and named.
func TestAbandonWaitsForNames(t *testing.T) {
	resume()
	defer resume()
	dir := t.TempDir()
	b := &Batch{dir: dir}
	for _, n := range []string{"a", "b", "c"} {
		if err := b.Write(n, nil); err != nil {
			t.Fatal(err)
		}
	}
	named, begun := make(chan []string), false
	at = func(step string, _ ...string) {
		if step == "decide" && !begun {
			begun = true
			go func() { named <- Abandon() }()
		}
	}
	defer func() { at = func(string, ...string) {} }()
	if err := b.Commit(); err != nil {
		t.Fatal(err)
	}
	if names := <-named; len(names) != 3 {
		t.Errorf("named as written: %v", names)
	}
	expect(t, dir, map[string]string{"a": "", "b": "", "c": ""})
}

// Who can't wait for long does not wait longer, and takes nothing of what is being shown away;
// what is not being shown goes at once.
func TestAbandonWithin(t *testing.T) {
	needsNamesToGo(t)
	resume()
	defer resume()
	dir := t.TempDir()
	shown, half := &Batch{dir: dir}, &Batch{dir: dir}
	for _, n := range []string{"a", "b"} {
		if err := shown.Write(n, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := half.Write("c", nil); err != nil {
		t.Fatal(err)
	}
	at = func(step string, _ ...string) {
		if step == "rename" {
			AbandonWithin(2 * time.Millisecond)
		}
	}
	defer func() { at = func(string, ...string) {} }()
	if err := shown.Commit(); err != nil {
		t.Fatal(err)
	}
	AbandonWithin(time.Minute)
	expect(t, dir, map[string]string{"a": "", "b": ""})
	if err := half.Commit(); err == nil {
		t.Error("a batch was shown after AbandonWithin")
	}
}

// One that comes between a journal and the names finds the journal as well.
func TestAbandonBeforeNames(t *testing.T) {
	needsNamesToGo(t)
	resume()
	defer resume()
	dir := t.TempDir()
	b := &Batch{dir: dir}
	for _, n := range []string{"a", "b"} {
		if err := b.Write(n, nil); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := newSet([]*Batch{b}); err != nil {
		t.Fatal(err)
	}
	if n := len(contents(t, dir)); n != 3 {
		t.Fatalf("%v: want two files and a journal", contents(t, dir))
	}
	Abandon()
	expect(t, dir, map[string]string{})
}
