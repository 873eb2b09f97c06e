package files

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// killedAt ends the run that do is at its n-th change of a name, as a kill does: nothing is
// tidied up, and the system lets go of locks. It returns false where do has fewer.
func killedAt(t *testing.T, n int, do func()) (killed bool) {
	t.Helper()
	type kill struct{}
	left := n
	at = func(step string, _ ...string) {
		if step == "create" || step == "flush files" || step == "flush folders" {
			return
		}
		if left--; left == 0 {
			panic(kill{})
		}
	}
	defer func() {
		at = func(string, ...string) {}
		if p := recover(); p != nil {
			if _, ok := p.(kill); !ok {
				panic(p)
			}
			killed = true
			for b := range process.batches {
				delete(process.batches, b)
				for _, s := range b.staged {
					s.file.Close()
				}
				for _, f := range b.journals {
					f.Close()
				}
			}
		}
	}()
	do()
	return false
}

// waitForNoDisk is for tests of many runs: what is flushed is as if it was on the disk.
func waitForNoDisk(t *testing.T) {
	wait = func(*os.File) error { return nil }
	t.Cleanup(func() { wait = (*os.File).Sync })
}

// visible is what a directory shows.
func visible(t *testing.T, dir string) map[string]string {
	all := contents(t, dir)
	maps.DeleteFunc(all, func(name, _ string) bool { return strings.HasPrefix(name, ".") })
	return all
}

// Wherever a run is killed that replaces files, those who look next find all of the earlier
// result or all of the new one; a run that writes next leaves nothing else. The same if that
// one is killed while it settles what it finds.
func TestKilledAtAnyStep(t *testing.T) {
	waitForNoDisk(t)
	for name, before := range map[string]map[string]string{
		"earlier ones replaced": {"a": "old a", "b": "old b", "stale": "old", "notes": "kept"},
		"some are new":          {"b": "old b", "notes": "kept"},
		"all are new":           {"notes": "kept"},
	} {
		after := map[string]string{"a": "new a", "b": "new b", "c": "new c", "notes": "kept"}
		replace := func(dir string) {
			b, err := Into(dir, true)
			if err != nil {
				t.Fatal(err)
			}
			for _, n := range []string{"a", "b", "c"} {
				if err := b.Write(n, []byte("new "+n)); err != nil {
					t.Fatal(err)
				}
			}
			b.Remove("stale")
			if err := b.Commit(); err != nil {
				t.Fatal(err)
			}
		}
		olds, news := 0, 0
		for n, again := 1, true; again; n++ {
			for settled := 0; ; settled++ {
				dir := t.TempDir()
				write(t, dir, before)
				if again = killedAt(t, n, func() { replace(dir) }); !again {
					expect(t, dir, after)
					break
				}
				if settled > 0 && !killedAt(t, settled, func() { Settle(dir) }) {
					break
				}
				where := fmt.Sprintf("%s, killed at change %d, and while it was settled at %d", name, n, settled)
				if err := Settle(dir); err != nil {
					t.Fatalf("%s: %v", where, err)
				}
				switch seen := visible(t, dir); {
				case cmp.Equal(seen, before):
					olds++
				case cmp.Equal(seen, after):
					news++
				default:
					t.Errorf("%s: a reader finds %v", where, seen)
				}
				next, err := Into(dir, true)
				if err != nil {
					t.Fatalf("%s: %v", where, err)
				}
				next.Abort()
				if seen := contents(t, dir); len(seen) != len(visible(t, dir)) {
					t.Errorf("%s: left behind: %v", where, seen)
				}
			}
		}
		if olds == 0 || news == 0 {
			t.Errorf("%s: %d times the old files, %d times the new ones: want both", name, olds, news)
		}
	}
}

// A folder that holds only leftovers is an empty one. The files of a run that lives are no
// leftovers, at whatever step it is.
func TestOnlyLeftoversAreTakenAway(t *testing.T) {
	dir := t.TempDir()
	left := partialName("poses.parquet", "12345")
	foreign := map[string]string{".poses.parquet.partial": "", ".x.12a.tonepose.partial": "", "y.12.tonepose.partial": "", ".tonepose.partial": "", ".5.tonepose.partial": ""}
	write(t, dir, map[string]string{left: "killed", asideName("poses.parquet", "77"): "of no use"})
	b, err := Into(dir, false)
	if err != nil {
		t.Fatal(err)
	}
	expect(t, dir, map[string]string{})
	write(t, dir, foreign)
	for _, n := range []string{"a", "b"} {
		if err := b.Write(n, []byte("new "+n)); err != nil {
			t.Fatal(err)
		}
	}
	if err := sweep(dir); err != nil {
		t.Fatal(err)
	}
	if n := len(contents(t, dir)); n != 2+len(foreign) {
		t.Errorf("%v: want what the run has begun, and the files of others", contents(t, dir))
	}
	write(t, dir, map[string]string{"a": "old a"})
	b.Force = true
	steps := 0
	at = func(string, ...string) {
		steps++
		if err := sweep(dir); err != nil {
			t.Error(err)
		}
	}
	defer func() { at = func(string, ...string) {} }()
	if err := b.Commit(); err != nil {
		t.Fatal(err)
	}
	want := maps.Clone(foreign)
	maps.Copy(want, map[string]string{"a": "new a", "b": "new b"})
	expect(t, dir, want)
	if steps < 5 {
		t.Errorf("%d steps", steps)
	}
}

func TestAnotherRunIsSaid(t *testing.T) {
	dir := t.TempDir()
	b, err := Into(dir, false)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Abort()
	if err := b.Write("a", nil); err != nil {
		t.Fatal(err)
	}
	if _, err := Into(dir, false); err == nil || !strings.Contains(err.Error(), "another run is writing into it") {
		t.Errorf("%v", err)
	}
}

// Whoever may not write in a folder is told that a run was killed while it named files there.
func TestSettleSaysWhatItCannot(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Log("permissions do not hold for root: a folder stands in the way instead")
	}
	dir := t.TempDir()
	write(t, dir, map[string]string{"a": "old a", "b": "old b"})
	if !killedAt(t, 3, func() {
		b := &Batch{Force: true, dir: dir}
		b.Write("a", []byte("new a"))
		b.Write("b", []byte("new b"))
		b.Commit()
	}) {
		t.Fatal("not killed")
	}
	gone := "b" // the last created is set aside first
	if _, err := os.Stat(filepath.Join(dir, gone)); err == nil {
		t.Fatalf("%v: want b set aside", contents(t, dir))
	}
	if err := os.MkdirAll(filepath.Join(dir, gone, "in the way"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := Settle(dir); err == nil || !strings.Contains(err.Error(), "a run was killed while it named its files here") {
		t.Errorf("%v", err)
	}
	if err := os.RemoveAll(filepath.Join(dir, gone)); err != nil {
		t.Fatal(err)
	}
	if err := Settle(dir); err != nil {
		t.Error(err)
	}
	if seen := visible(t, dir); !cmp.Equal(seen, map[string]string{"a": "new a", "b": "new b"}) {
		t.Errorf("%v", seen)
	}
}

func TestTemporaryFolders(t *testing.T) {
	temp := t.TempDir()
	t.Setenv("TMPDIR", temp)
	t.Setenv("TMP", temp) // of Windows
	living, remove, err := Temporary("tonepose-test")
	if err != nil {
		t.Fatal(err)
	}
	killed := filepath.Join(os.TempDir(), "tonepose-test-1")
	if err := os.MkdirAll(filepath.Join(killed, "solved"), 0o755); err != nil {
		t.Fatal(err)
	}
	write(t, killed, map[string]string{partialName("running", "1"): ""})
	_, second, err := Temporary("tonepose-test")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(killed); err == nil {
		t.Error("the folder of a killed run is left")
	}
	if _, err := os.Stat(living); err != nil {
		t.Errorf("that of a living one: %v", err)
	}
	remove()
	second()
	expect(t, os.TempDir(), map[string]string{})
}

// Neither a name, nor a link, hard or symbolic, lets a run overwrite what it reads.
func TestWhatIsReadIsNotReplaced(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	write(t, dir, map[string]string{"rig": "read", "other": "may go"})
	if err := os.Link(in("rig"), in("hard")); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("rig", in("soft")); err != nil {
		t.Fatal(err)
	}
	soft := "soft"
	if _, err := os.ReadFile(in(soft)); err != nil { // a system may make symbolic links and not follow them
		soft = "rig"
	}
	done := Reading(in("rig"), in("none"), dir)
	for _, name := range []string{"rig", "hard", soft, "./rig", "../" + filepath.Base(dir) + "/rig"} {
		b := &Batch{Force: true}
		if err := b.Write(dir+"/"+name, nil); err == nil || !strings.Contains(err.Error(), "never overwritten: name another file") {
			t.Errorf("%s: %v", name, err)
		}
		b.Abort()
	}
	if err := WriteFile(in("other"), []byte("new")); err != nil {
		t.Error(err)
	}
	done()
	if err := WriteFile(in("rig"), []byte("free again")); err != nil {
		t.Error(err)
	}
}

func TestTogether(t *testing.T) {
	dir := t.TempDir()
	b := &Batch{dir: dir}
	if err := b.Write("table", []byte("rows")); err != nil {
		t.Fatal(err)
	}
	err := b.Together(func() error {
		if err := b.Write("figure 1", nil); err != nil {
			return err
		}
		return fmt.Errorf("figure 2 has no room")
	})
	if err == nil {
		t.Error("no error")
	}
	if err := b.Together(func() error { return b.Write("page", nil) }); err != nil {
		t.Error(err)
	}
	if err := b.Commit(); err != nil {
		t.Fatal(err)
	}
	expect(t, dir, map[string]string{"table": "rows", "page": ""})
}

// Files that are each alone in a folder need no journal where they replace none. Wherever the
// run is killed each folder has its file or none; on an error none of them has.
func TestOneFileAFolder(t *testing.T) {
	begin := func(t *testing.T) (dirs []string, b *Batch) {
		root := t.TempDir()
		b = &Batch{Force: true}
		for _, name := range []string{"x", "y", "z"} {
			dir := filepath.Join(root, name)
			if err := os.Mkdir(dir, 0o755); err != nil {
				t.Fatal(err)
			}
			if err := b.Write(filepath.Join(dir, "a"), []byte("new")); err != nil {
				t.Fatal(err)
			}
			dirs = append(dirs, dir)
		}
		return dirs, b
	}
	whole := map[string]string{"a": "new"}
	for n := 1; ; n++ {
		dirs, b := begin(t)
		killed := killedAt(t, n, func() {
			if err := b.Commit(); err != nil {
				t.Fatal(err)
			}
		})
		shown := 0
		for _, dir := range dirs {
			seen := visible(t, dir)
			if cmp.Equal(seen, whole) {
				shown++
			} else if len(seen) > 0 {
				t.Errorf("killed at change %d: a reader finds %v", n, seen)
			}
			if err := sweep(dir); err != nil {
				t.Fatal(err)
			}
			if left := contents(t, dir); len(left) != len(seen) {
				t.Errorf("killed at change %d: left behind: %v", n, left)
			}
		}
		if !killed {
			if shown != 3 || n != 4 {
				t.Errorf("%d files after %d changes of names: want 3, one each", shown, n-1)
			}
			break
		}
		if shown != n-1 {
			t.Errorf("killed at change %d: %d files are there", n, shown)
		}
	}

	dirs, b := begin(t)
	changes := 0
	at = func(string, ...string) {
		if changes++; changes == 2 { // x, the last to be seen, has not got its name
			if err := errors.Join(os.Remove(b.staged[0].file.Name()), os.Mkdir(filepath.Join(dirs[0], "a"), 0o755)); err != nil {
				t.Fatal(err)
			}
		}
	}
	defer func() { at = func(string, ...string) {} }()
	if err := b.Commit(); err == nil {
		t.Error("no error where a file has gone")
	}
	for _, dir := range dirs[1:] {
		expect(t, dir, map[string]string{})
	}
}
