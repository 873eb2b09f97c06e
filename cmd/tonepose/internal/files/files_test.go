package files

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// contents maps what a directory shows and hides to its text; "/" marks a directory.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	m := map[string]string{}
	for _, e := range entries {
		if e.IsDir() {
			m[e.Name()] = "/"
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		m[e.Name()] = string(text)
	}
	return m
}

func write(t *testing.T, dir string, texts map[string]string) {
	t.Helper()
	for name, text := range texts {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func expect(t *testing.T, dir string, want map[string]string) {
	t.Helper()
	if diff := cmp.Diff(want, contents(t, dir)); diff != "" {
		t.Error(diff)
	}
}

// needsNamesToGo skips a test where the name of an open file stays until it is closed, as in
// Windows before version 10, and under Wine.
func needsNamesToGo(t *testing.T) {
	t.Helper()
	file, err := createHidden(t.TempDir(), scratchName)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	os.Remove(file.Name())
	if _, err := os.Stat(file.Name()); err == nil {
		t.Skip("the name of an open file stays here until it is closed")
	}
}

// A file is replaced; where that fails (a directory has the name), what was
// there stays and nothing hidden is left.
func TestWriteFile(t *testing.T) {
	dir := t.TempDir()
	file, taken := filepath.Join(dir, "file"), filepath.Join(dir, "taken")
	if err := os.MkdirAll(filepath.Join(taken, "inside"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"first", "second"} {
		if err := WriteFile(file, []byte(text)); err != nil {
			t.Fatal(err)
		}
		expect(t, dir, map[string]string{"file": text, "taken": "/"})
	}
	if info, err := os.Stat(file); err != nil || info.Mode() != 0o644 && runtime.GOOS != "windows" {
		t.Errorf("%v, %v: want a file that all may read", info.Mode(), err)
	}
	for _, bad := range []string{taken, filepath.Join(dir, "missing", "file")} {
		if err := WriteFile(bad, []byte("text")); err == nil {
			t.Errorf("%s was written", bad)
		}
	}
	expect(t, dir, map[string]string{"file": "second", "taken": "/"})
}

func TestBatchAppearsTogether(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, map[string]string{"b": "old b", "stale": "of another run", "notes": "kept"})
	b, err := Into(dir, true)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Abort()
	for _, name := range []string{"a", "b"} {
		if err := b.Write(name, []byte("new "+name)); err != nil {
			t.Fatal(err)
		}
	}
	b.Remove("stale")
	b.Remove("never there")
	if c := contents(t, dir); c["b"] != "old b" || c["stale"] == "" || c["a"] != "" {
		t.Errorf("before Commit: %v", c)
	}
	if err := b.Commit(); err != nil {
		t.Fatal(err)
	}
	b.Abort()
	expect(t, dir, map[string]string{"a": "new a", "b": "new b", "notes": "kept"})
	if err := b.Commit(); !errors.Is(err, os.ErrClosed) {
		t.Errorf("a second Commit: %v", err)
	}
	if _, err := b.Create("c"); !errors.Is(err, os.ErrClosed) {
		t.Errorf("Create after Commit: %v", err)
	}
}

// Whatever step fails, old files are back under their names and nothing hidden
// is left.
func TestFailureRestores(t *testing.T) {
	failed := errors.New("no more data")
	for name, spoil := range map[string]func(t *testing.T, b *Batch) error{
		"the writer fails": func(t *testing.T, b *Batch) error {
			return b.Fill("c", func(w io.Writer) error {
				io.WriteString(w, "half")
				return failed
			})
		},
		// The file created first is the last to get its name.
		"a name is not given": func(t *testing.T, b *Batch) error {
			needsNamesToGo(t)
			if err := os.Remove(b.staged[0].file.Name()); err != nil {
				t.Fatal(err)
			}
			return b.Commit()
		},
		"a file cannot be completed": func(t *testing.T, b *Batch) error {
			b.staged[1].file.Close()
			return b.Commit()
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			old := map[string]string{"a": "old a", "b": "old b", "stale": "old"}
			write(t, dir, old)
			b := &Batch{Force: true, dir: dir}
			b.Remove("stale")
			for _, n := range []string{"a", "b"} {
				if err := b.Write(n, []byte("new")); err != nil {
					t.Fatal(err)
				}
			}
			if err := spoil(t, b); err == nil {
				t.Error("no error")
			}
			b.Abort()
			expect(t, dir, old)
		})
	}
}

func TestInto(t *testing.T) {
	root := t.TempDir()
	b, err := Into(filepath.Join(root, "new", "out"), false)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Write("a", nil); err != nil {
		t.Fatal(err)
	}
	b.Abort()
	expect(t, root, map[string]string{}) // the directories that it made are gone, too

	write(t, root, map[string]string{"notes": "text"})
	for dir, want := range map[string]string{
		root:                                  "it holds notes",
		filepath.Join(root, "notes"):          "is a file",
		filepath.Join(root, "notes", "below"): "directory",
	} {
		if _, err := Into(dir, false); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", dir, err, want)
		}
	}
	if b, err := Into("", false); b != nil || err != nil {
		t.Errorf("no directory: %v, %v", b, err)
	} else {
		b.Abort()
	}
	expect(t, root, map[string]string{"notes": "text"})
}

func TestExistingFileNeedsForce(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, map[string]string{"file": "old"})
	name := filepath.Join(dir, "file")
	var b Batch
	if err := b.Write(name, nil); err == nil || !strings.Contains(err.Error(), "--force") {
		t.Errorf("%v: must name the mend", err)
	}
	for _, c := range []struct {
		name  string
		force bool
		ok    bool
	}{{name, false, false}, {name, true, true}, {dir, true, false}, {filepath.Join(dir, "new"), false, true}} {
		if err := Refuse(c.name, c.force); (err == nil) != c.ok {
			t.Errorf("%s, force %v: %v", c.name, c.force, err)
		}
	}
	expect(t, dir, map[string]string{"file": "old"})
}

func TestCreateNamesTheMissingDirectory(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "none")
	name := filepath.Join(dir, "a.csv")
	if err := WriteFile(name, nil); err == nil || err.Error() != name+": there is no directory "+dir+": make it first, or name another" {
		t.Errorf("%v", err)
	}
}

// A scratch file has room for what is written and read back, beside the results, and is
// gone after the batch, whether that is kept or not.
func TestScratchIsGoneWithItsBatch(t *testing.T) {
	for _, kept := range []bool{true, false} {
		dir := filepath.Join(t.TempDir(), "out")
		b, err := Into(dir, false)
		if err != nil {
			t.Fatal(err)
		}
		f, err := b.Scratch()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.WriteString("windows"); err != nil {
			t.Fatal(err)
		}
		got := make([]byte, 4)
		if _, err := f.ReadAt(got, 3); err != nil || string(got) != "dows" {
			t.Errorf("read %q, %v", got, err)
		}
		if err := b.Write("table", []byte("rows")); err != nil {
			t.Fatal(err)
		}
		want := 0
		if kept {
			if err := b.Commit(); err != nil {
				t.Fatal(err)
			}
			want = 1
		} else {
			b.Abort()
		}
		left, err := os.ReadDir(dir)
		if err != nil && kept {
			t.Fatal(err)
		}
		if len(left) != want {
			t.Errorf("kept %v: left are %v", kept, left)
		}
		if _, err := f.Write([]byte("more")); err == nil {
			t.Errorf("kept %v: the scratch file is still open", kept)
		}
	}
}

// A link to nothing, as to a disk that is not mounted, is said, and stays.
func TestALinkToNothingStays(t *testing.T) {
	dir := t.TempDir()
	link, away := filepath.Join(dir, "results"), filepath.Join(dir, "not", "mounted")
	if err := os.Symlink(away, link); err != nil {
		t.Skip("no links here: ", err)
	}
	for _, out := range []string{link, filepath.Join(link, "run")} {
		b, err := Into(out, true)
		if err == nil || !strings.Contains(err.Error(), link+": is a link to "+away+", which is not there: make or mount that, or name another") {
			t.Errorf("%s: %v", out, err)
		}
		b.Abort()
		if to, err := os.Readlink(link); err != nil || to != away {
			t.Errorf("%s: the link leads to %q, %v", out, to, err)
		}
	}
}
