package main

import (
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"
)

var published = os.DirFS(filepath.Join("..", "..", "testdata", "published"))

// Every published file is read by a test that names it: one that lists its folder, where it names
// the folder. A file nobody reads checks nothing.
func TestPublishedFilesAreRead(t *testing.T) {
	var tests strings.Builder
	err := filepath.WalkDir(filepath.Join("..", ".."), func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(name, "_test.go") {
			return err
		}
		text, err := os.ReadFile(name)
		tests.Write(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	read := func(name string) bool { return strings.Contains(tests.String(), `"`+name) }
	count := 0
	err = fs.WalkDir(published, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		if strings.HasSuffix(name, ".go") {
			return nil
		}
		count++
		if dir := path.Dir(name); !read(name) && (dir == "." || !read(dir+`/"`)) {
			t.Errorf("%s: no test names it", name)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if count < 50 {
		t.Errorf("%d files are there: the test shows nothing", count)
	}
}

// Every published file says where its values come from.
func TestPublishedFilesHaveASource(t *testing.T) {
	err := fs.WalkDir(published, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		if strings.HasSuffix(name, ".go") {
			return nil
		}
		text, err := fs.ReadFile(published, name)
		if err != nil {
			return err
		}
		head := string(text[:min(len(text), 4000)])
		if !strings.Contains(head, "# source:") && !strings.Contains(head, `"source":`) {
			t.Errorf("%s: states no source", name)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
