package tables

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func listingFile(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "list.csv")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestReadListing(t *testing.T) {
	path := listingFile(t, "# invented\npipe;recording;rig;truth;name;length_mm\nA7;monday/a.wav;bench.rig.yaml;a.csv;first;500,5\n;/else/b.wav;;;;\n")
	dir := filepath.Dir(path)
	want := []Listed{
		{Recording: filepath.Join(dir, "monday", "a.wav"), Name: "first", Rig: filepath.Join(dir, "bench.rig.yaml"), Truth: filepath.Join(dir, "a.csv"),
			Labels: []Label{{"pipe", "A7"}, {"length_mm", "500,5"}}, File: path, Line: 3},
		{Recording: "/else/b.wav", Labels: []Label{{"pipe", ""}, {"length_mm", ""}}, File: path, Line: 4},
	}
	have, err := ReadListing(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, have); diff != "" {
		t.Error(diff)
	}
}

func TestListingsThatAreRefused(t *testing.T) {
	for _, c := range []struct{ text, words string }{
		{"file,rig\na.wav,b\n", ":1: no column recording"},
		{"recording,x_m\na.wav,1\n", `label "x_m"`},
		{"recording\n", "lists no recording"},
		{"recording,Name\na.wav,x\n", "column Name: write name"},
		{"recording,pipe\na.wav,Stra\xdfe\n", `:2: pipe = "Stra\xdfe": is no UTF-8`}, // Latin-1
		{"recording,rig\n,b.rig.yaml\n", ":2: recording is empty"},
		{"recording,rig\na.wav\n", ":2: 1 fields"},
	} {
		path := listingFile(t, c.text)
		if _, err := ReadListing(path); err == nil || !strings.Contains(err.Error(), c.words) || !strings.HasPrefix(err.Error(), path) {
			t.Errorf("%q: %v: want %q", c.text, err, c.words)
		}
	}
}
