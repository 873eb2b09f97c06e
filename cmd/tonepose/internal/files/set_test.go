package files

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// tree is what some folders show or hold.
type tree map[string]map[string]string

func plant(t *testing.T, root string, all tree) {
	t.Helper()
	for dir, texts := range all {
		if err := os.MkdirAll(filepath.Join(root, dir), 0o755); err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(root, dir), texts)
	}
}

func seen(t *testing.T, root string, dirs []string, in func(*testing.T, string) map[string]string) tree {
	t.Helper()
	all := tree{}
	for _, dir := range dirs {
		all[dir] = in(t, filepath.Join(root, dir))
	}
	return all
}

// sets are results in several folders: two batches, as of a command with a folder of output and
// single files elsewhere.
var sets = map[string]struct{ before, after tree }{
	"earlier ones replaced": {
		tree{"x": {"a": "old a", "stale": "old"}, "y": {"b": "old b", "notes": "kept"}, "z": {"c": "old c"}},
		tree{"x": {"a": "new a"}, "y": {"b": "new b", "notes": "kept"}, "z": {"c": "new c"}},
	},
	"one is replaced": {
		tree{"x": {"a": "old a"}, "y": {}, "z": {}},
		tree{"x": {"a": "new a"}, "y": {"b": "new b"}, "z": {"c": "new c"}},
	},
	"several of a folder, all new": {
		tree{"x": {}, "y": {}, "z": {"notes": "kept"}},
		tree{"x": {"a": "new a", "b": "new b"}, "y": {"b": "new b"}, "z": {"c": "new c", "notes": "kept"}},
	},
}

func newFiles(all tree, dir string) (names []string) {
	for name, text := range all[dir] {
		if strings.HasPrefix(text, "new") {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// replaceSet writes a set below root.
func replaceSet(t *testing.T, root string, after tree) error {
	out, err := Into(filepath.Join(root, "x"), true)
	if err != nil {
		t.Fatal(err)
	}
	elsewhere := &Batch{Force: true}
	for _, name := range newFiles(after, "x") {
		if err := out.Write(name, []byte("new "+name)); err != nil {
			t.Fatal(err)
		}
	}
	out.Remove("stale")
	for _, dir := range []string{"y", "z"} {
		for _, name := range newFiles(after, dir) {
			if err := elsewhere.Write(filepath.Join(root, dir, name), []byte("new "+name)); err != nil {
				t.Fatal(err)
			}
		}
	}
	return Commit(nil, elsewhere, out)
}

var setDirs = []string{"x", "y", "z"}

// looked settles folders in some order, and returns what they show then; a run that writes
// next leaves nothing hidden.
func looked(t *testing.T, root, where string, order []string) tree {
	t.Helper()
	for _, dir := range order {
		if err := Settle(filepath.Join(root, dir)); err != nil {
			t.Fatalf("%s: %v", where, err)
		}
	}
	shown := seen(t, root, setDirs, visible)
	for _, dir := range order {
		if err := sweep(filepath.Join(root, dir)); err != nil {
			t.Fatalf("%s: %v", where, err)
		}
	}
	if all := seen(t, root, setDirs, contents); !cmp.Equal(all, shown) {
		t.Errorf("%s: left behind: %v", where, all)
	}
	return shown
}

// Wherever a run is killed, files in several folders are all the earlier ones or all the new
// ones, whichever folder is looked at first; the same if whoever looks is killed as well.
func TestSetKilledAtAnyStep(t *testing.T) {
	waitForNoDisk(t)
	for name, c := range sets {
		counts := map[bool]int{}
		for n, again := 1, true; again; n++ {
			for settled := 0; ; settled++ {
				root := t.TempDir()
				plant(t, root, c.before)
				again = killedAt(t, n, func() {
					if err := replaceSet(t, root, c.after); err != nil {
						t.Fatal(err)
					}
				})
				if !again {
					if all := seen(t, root, setDirs, contents); !cmp.Equal(all, c.after) {
						t.Errorf("%s: %v", name, cmp.Diff(c.after, all))
					}
					break
				}
				order := slices.Clone(setDirs)
				if n%2 == 0 {
					slices.Reverse(order)
				}
				if settled > 0 && !killedAt(t, settled, func() { Settle(filepath.Join(root, order[0])) }) {
					break
				}
				where := fmt.Sprintf("%s, killed at change %d, and while it was settled at %d", name, n, settled)
				shown := looked(t, root, where, order)
				counts[cmp.Equal(shown, c.after)]++
				if !cmp.Equal(shown, c.before) && !cmp.Equal(shown, c.after) {
					t.Errorf("%s: a reader finds %v", where, shown)
				}
			}
		}
		if counts[false] == 0 || counts[true] == 0 {
			t.Errorf("%s: %v: want the old files sometimes, and the new ones", name, counts)
		}
	}
}

// disk is what would be found after a power cut: changes of names come to the disk in their
// order within a folder, at the latest when the folder is flushed or a new file in it; what
// is in a file comes when the file is flushed. Nothing else is assumed.
type disk struct {
	changes map[string][]change // of each folder
	least   map[string]int      // how many of them are on the disk
	texts   map[string]string   // of files by their first names, once flushed
	first   map[string]string   // first names by present names
}

type change struct{ from, to string } // from "": created; to "": removed

func (d *disk) watch(t *testing.T, step string, names []string) {
	t.Helper()
	add := func(dir string, c change) { d.changes[dir] = append(d.changes[dir], c) }
	switch step {
	case "create":
		add(filepath.Dir(names[0]), change{"", names[0]})
		d.first[names[0]] = names[0]
	case "flush files":
		for _, name := range names {
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			d.texts[d.first[name]] = string(text)
			dir := filepath.Dir(name)
			d.least[dir] = max(d.least[dir], 1+slices.Index(d.changes[dir], change{"", name}))
		}
	case "flush folders":
		for _, dir := range names {
			d.least[dir] = len(d.changes[dir])
		}
	default:
		c := change{names[0], ""}
		if len(names) > 1 {
			c.to = names[1]
			if first, ok := d.first[c.from]; ok {
				d.first[c.to] = first
			}
		}
		add(filepath.Dir(c.from), c)
	}
}

// after is a folder of which so many changes came to the disk.
func (d *disk) after(dir string, before map[string]string, changes int) map[string]string {
	all := maps.Clone(before)
	for _, c := range d.changes[dir][:changes] {
		text := d.texts[c.to] // torn: empty
		if c.from != "" {
			text = all[filepath.Base(c.from)]
			delete(all, filepath.Base(c.from))
		}
		if c.to != "" {
			all[filepath.Base(c.to)] = text
		}
	}
	return all
}

// Whenever the power is cut, and whatever of the changes since the last flush came to the
// disk, files in several folders are all the earlier ones or all the new ones; once Commit
// is through, the new ones.
func TestSetAfterPowerCut(t *testing.T) {
	waitForNoDisk(t)
	for name, c := range sets {
		root := t.TempDir()
		plant(t, root, c.before)
		d := &disk{changes: map[string][]change{}, least: map[string]int{}, texts: map[string]string{}, first: map[string]string{}}
		folder := func(i int) string { return filepath.Join(root, setDirs[i]) }
		var states []tree
		known := map[string]bool{}
		cut := func() (here []tree) { // all that the disk can hold now
			for x := d.least[folder(0)]; x <= len(d.changes[folder(0)]); x++ {
				for y := d.least[folder(1)]; y <= len(d.changes[folder(1)]); y++ {
					for z := d.least[folder(2)]; z <= len(d.changes[folder(2)]); z++ {
						state := tree{}
						for i, n := range []int{x, y, z} {
							state[setDirs[i]] = d.after(folder(i), c.before[setDirs[i]], n)
						}
						here = append(here, state)
						if key := fmt.Sprint(state); !known[key] {
							known[key] = true
							states = append(states, state)
						}
					}
				}
			}
			return here
		}
		at = func(step string, names ...string) {
			cut()
			d.watch(t, step, names)
		}
		defer func() { at = func(string, ...string) {} }()
		if err := replaceSet(t, root, c.after); err != nil {
			t.Fatal(err)
		}
		end := cut()
		at = func(string, ...string) {}
		counts := map[bool]int{}
		look := func(state tree, k int) tree {
			root := t.TempDir()
			plant(t, root, state)
			order := slices.Clone(setDirs)
			if k%2 == 0 {
				slices.Reverse(order)
			}
			shown := looked(t, root, fmt.Sprintf("%s, %v", name, state), order)
			counts[cmp.Equal(shown, c.after)]++
			return shown
		}
		for k, state := range states {
			if shown := look(state, k); !cmp.Equal(shown, c.before) && !cmp.Equal(shown, c.after) {
				t.Errorf("%s: of %v a reader finds %v", name, state, shown)
			}
		}
		for k, state := range end {
			if shown := look(state, k); !cmp.Equal(shown, c.after) {
				t.Errorf("%s: after the end, of %v, a reader finds %v", name, state, shown)
			}
		}
		t.Logf("%s: %d states of the disk", name, len(states))
		if counts[false] == 0 || counts[true] == 0 {
			t.Errorf("%s: %v: want the old files sometimes, and the new ones", name, counts)
		}
	}
}

// A set waits for the disk once for each file and each folder, and for each journal: one a
// folder, and none where nothing is replaced and each file is alone in its folder.
func TestSetWaits(t *testing.T) {
	for name, c := range map[string]struct {
		old  bool
		dirs int
		want int
	}{
		"one folder":           {false, 1, 3 + 1 + 1},
		"one folder, replaced": {true, 1, 3 + 1 + 1},
		"a file each, new":     {false, 3, 3 + 3},
		"a file each":          {true, 3, 3 + 3 + 3},
	} {
		root := t.TempDir()
		b := &Batch{Force: true}
		for i := range 3 {
			dir := filepath.Join(root, setDirs[i%c.dirs])
			if err := os.MkdirAll(dir, 0o755); err != nil {
				t.Fatal(err)
			}
			file := fmt.Sprintf("file %d", i)
			if c.old {
				write(t, dir, map[string]string{file: "old"})
			}
			if err := b.Write(filepath.Join(dir, file), []byte("new")); err != nil {
				t.Fatal(err)
			}
		}
		waits := 0
		at = func(step string, names ...string) {
			if strings.HasPrefix(step, "flush") {
				waits += len(names)
			}
		}
		err := b.Commit()
		at = func(string, ...string) {}
		if err != nil || waits != c.want {
			t.Errorf("%s: %v, %d waits, want %d", name, err, waits, c.want)
		}
	}
}

// Where a name of a set in several folders is not given, all is as it was. Where not even that
// can be had, the set stays hidden for those who can name it.
func TestSetFailureRestores(t *testing.T) {
	waitForNoDisk(t)
	for name, c := range sets {
		for fail, stuck := 1, false; ; {
			root := t.TempDir()
			plant(t, root, c.before)
			changes, blocked := 0, ""
			at = func(step string, names ...string) {
				switch {
				case step == "rename" || step == "set aside":
					if changes++; changes == fail { // a folder in its way lets no file have the name
						blocked = names[1]
						if err := os.MkdirAll(filepath.Join(blocked, "in the way"), 0o755); err != nil {
							t.Fatal(err)
						}
					}
				case (step == "undo" || step == "forget") && !stuck && blocked != "":
					os.RemoveAll(blocked)
					blocked = ""
				}
			}
			err := replaceSet(t, root, c.after)
			at = func(string, ...string) {}
			if changes < fail {
				if err != nil {
					t.Error(err)
				}
				break
			}
			if err == nil {
				t.Errorf("%s, change %d: no error", name, fail)
			}
			where := fmt.Sprintf("%s, change %d, stuck %v", name, fail, stuck)
			if stuck {
				os.RemoveAll(filepath.Join(blocked, "in the way"))
				os.Remove(blocked) // fails where it has gone already
			} else {
				if all := seen(t, root, setDirs, contents); !cmp.Equal(all, c.before) {
					t.Errorf("%s: %v", where, cmp.Diff(c.before, all))
				}
			}
			if shown := looked(t, root, where, setDirs); !cmp.Equal(shown, c.before) && !cmp.Equal(shown, c.after) {
				t.Errorf("%s: a reader finds %v", where, shown)
			}
			if stuck {
				fail++
			}
			stuck = !stuck
		}
	}
}

// Two outputs of one name are refused, and neither is there.
func TestTwoOutputsOfOneName(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "a")
	x, y := &Batch{}, &Batch{}
	for _, b := range []*Batch{x, y} {
		if err := b.Write(name, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := Commit(x, y); err == nil || err.Error() != name+": two outputs have this name: name another for one of them" {
		t.Errorf("%v", err)
	}
	expect(t, dir, map[string]string{})
}

// A journal that comes with a folder from elsewhere changes no file outside of it, unless a
// journal there says the same.
func TestJournalsKeepToTheirFolders(t *testing.T) {
	for name, journal := range map[string]string{
		"a file of another folder": `{"files":[{"name":"../y/precious"}]}`,
		"its parent":               `{"files":[{"name":".."}]}`,
		"a follower that is none":  `{"files":[],"followers":["../y/precious"]}`,
		"one that follows another": `{"files":[],"followers":["../y/.8.tonepose.following"]}`,
	} {
		root := t.TempDir()
		plant(t, root, tree{"x": {journalName("7"): journal}, "y": {"precious": `{"files":[{"name":"precious"}],"follows":"../x/precious"}`,
			followingName("8"): `{"files":[{"name":"precious"}],"follows":"../z/.9.tonepose.replacing"}`}, "z": {}})
		err := Settle(filepath.Join(root, "x"))
		if _, gone := os.Stat(filepath.Join(root, "y", "precious")); gone != nil {
			t.Errorf("%s: a file of another folder is gone: %v", name, err)
		}
	}
	// The copy of a folder is not of the set of the original.
	root := t.TempDir()
	plant(t, root, tree{"x": {journalName("7"): `{"files":[],"followers":["../y/.8.tonepose.following"]}`},
		"y":    {followingName("8"): `{"files":[],"follows":"../x/.7.tonepose.replacing"}`},
		"copy": {followingName("8"): `{"files":[{"name":"precious"}],"follows":"../x/.7.tonepose.replacing"}`, "precious": "text"}})
	if err := Settle(filepath.Join(root, "copy")); err != nil {
		t.Fatal(err)
	}
	expect(t, filepath.Join(root, "copy"), map[string]string{"precious": "text"})
}
