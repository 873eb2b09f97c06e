package handbook

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// The checks that the chapter on how we know names are there: tests of these names in
// their package, and published files, which a test of that package reads.
func TestChecksAreThere(t *testing.T) {
	root := filepath.Join("..", "..", "..", "..")
	code := regexp.MustCompile("`([^`]+)`")
	rows := 0
	for _, item := range strings.Split(read("knowing.md"), "\n- **")[1:] {
		item, _, _ = strings.Cut(item, "\n\n") // the next heading
		checks, against, found := strings.Cut(strings.Join(strings.Fields(item), " "), ", against ")
		if !found {
			t.Errorf("against what? %s", item)
			continue
		}
		rows++
		names := code.FindAllStringSubmatch(checks, -1)
		files, err := filepath.Glob(filepath.Join(root, filepath.FromSlash(names[0][1]), "*_test.go"))
		if err != nil {
			t.Fatal(err)
		}
		var tests strings.Builder
		for _, name := range files {
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			tests.Write(text)
		}
		if len(names) < 2 {
			t.Errorf("no test is named: %s", item)
			continue
		}
		for _, name := range names[1:] {
			if !strings.Contains(tests.String(), "func "+name[1]+"(t *testing.T)") {
				t.Errorf("%s has no %s", names[0][1], name[1])
			}
		}
		for _, name := range code.FindAllStringSubmatch(against, -1) {
			if _, err := os.Stat(filepath.Join(root, "testdata", "published", filepath.FromSlash(name[1]))); err != nil {
				t.Error(err)
			}
			if !strings.Contains(tests.String(), `"`+name[1]) {
				t.Errorf("no test of %s reads %s", names[0][1], name[1])
			}
		}
	}
	if rows < 20 {
		t.Errorf("%d claims were read", rows)
	}
}
