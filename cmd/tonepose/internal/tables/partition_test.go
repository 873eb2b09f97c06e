package tables

import (
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// A partition reads as the table that it would be by itself, and has the labels as further
// columns, in every row.
func TestPartition(t *testing.T) {
	dir := t.TempDir()
	p := &Partition{Recording: "tuesday/pipe 7", Labels: []Label{{"pipe", "A7, old"}, {"Length_mm", "500"}}}
	const rows = 3*batchRows + 1 // more than one batch
	list := inventedPoses(rows)
	set, err := CreatePartition(dir, p, Metadata{Tool: "0.1.0"}, PhasorsName, PosesName)
	if err != nil {
		t.Fatal(err)
	}
	if err := set.Poses.Write(list...); err != nil {
		t.Fatal(err)
	}
	if err := set.Phasors.Write(Phasor{Channel: "rx1", Tone: "e1"}); err != nil {
		t.Fatal(err)
	}
	if err := set.Close(); err != nil {
		t.Fatal(err)
	}
	// As a URI (RFC 3986, 2.1) writes the slash and the space.
	file := filepath.Join(dir, "poses", "recording=tuesday%2Fpipe%207", "part-0.parquet")
	r, err := Open[Pose](file)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	n := 0
	for row, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		if row.Time != list[n].Time || row.Sensor != list[n].Sensor || (row.Covariance == nil) != (list[n].Covariance == nil) {
			t.Fatalf("row %d: %+v, written was %+v", n, row, list[n])
		}
		n++
	}
	if n != rows {
		t.Errorf("%d rows: want %d", n, rows)
	}
	d, err := OpenDump(file)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	var text strings.Builder
	if err := d.WriteCSV(&text); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(text.String()), "\n")
	if !strings.HasSuffix(lines[0], ",skipped_windows,pipe,Length_mm") || len(lines) != rows+1 {
		t.Errorf("%d lines, the first %s", len(lines), lines[0])
	}
	for _, line := range lines[1:] {
		if !strings.HasSuffix(line, `,"A7, old",500`) {
			t.Fatalf("a row without its labels: %s", line)
		}
	}
}

// Without labels a partition is the file that a run of its own writes.
func TestPartitionWithoutLabels(t *testing.T) {
	dir := t.TempDir()
	list := inventedPoses(20)
	var written [2][]byte
	for i, create := range []func() (*Set, error){
		func() (*Set, error) {
			return Create(filepath.Join(dir, "own"), false, Metadata{Tool: "0.1.0"}, PosesName)
		},
		func() (*Set, error) {
			return CreatePartition(filepath.Join(dir, "set"), &Partition{Recording: "a"}, Metadata{Tool: "0.1.0"}, PosesName)
		},
	} {
		set, err := create()
		if err != nil {
			t.Fatal(err)
		}
		if err := set.Poses.Write(list...); err != nil {
			t.Fatal(err)
		}
		if err := set.Close(); err != nil {
			t.Fatal(err)
		}
		name := [...]string{"own/poses.parquet", "set/poses/recording=a/part-0.parquet"}[i]
		if written[i], err = os.ReadFile(filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	if string(written[0]) != string(written[1]) {
		t.Error("the files differ")
	}
}

// A partition that is given up leaves no file, and no directory that was not there.
func TestPartitionAborted(t *testing.T) {
	dir := t.TempDir()
	set, err := CreatePartition(dir, &Partition{Recording: "a"}, Metadata{}, PosesName)
	if err != nil {
		t.Fatal(err)
	}
	set.Abort()
	if left, err := os.ReadDir(filepath.Join(dir, "poses")); err != nil || len(left) != 0 {
		t.Errorf("%v, %v is left", left, err)
	}
}

// Names that are no value to readers of partitions, by Hive's documentation and DuckDB's, are
// written so that they are one; the text that a URI's reader makes of any name is the name.
func TestEscapePartition(t *testing.T) {
	for _, name := range []string{"NULL", "null", "Null", "__HIVE_DEFAULT_PARTITION__", "NULLS", "a%2Fb", "a+b=c", ".hidden", "é"} {
		escaped := EscapePartition(name)
		if back, err := url.PathUnescape(escaped); err != nil || back != name {
			t.Errorf("%q is written %s, which reads %q, %v", name, escaped, back, err)
		}
		if strings.EqualFold(escaped, "NULL") || escaped == "__HIVE_DEFAULT_PARTITION__" {
			t.Errorf("%s is no value", escaped)
		}
	}
}

func TestCheckLabels(t *testing.T) {
	if err := CheckLabels([]string{"pipe", "Operator_2"}); err != nil {
		t.Error(err)
	}
	for _, bad := range []struct {
		names []string
		words string
	}{
		{[]string{"x_m"}, "choose another name"},
		{[]string{"Flags"}, "choose another name"}, // SQL takes upper and lower case for the same
		{[]string{"Recording"}, "choose another name"},
		{[]string{"pipe", "Pipe"}, "upper and lower case"},
		{[]string{"pipe,dict"}, "must be a letter"},
		{[]string{"2nd"}, "must be a letter"},
		{strings.Split("abcdefghijklmnopq", ""), "room for 16"},
	} {
		if err := CheckLabels(bad.names); err == nil || !strings.Contains(err.Error(), bad.words) {
			t.Errorf("%q: %v", bad.names, err)
		}
	}
}

// Names of partitions are those of files on Windows as well, by the rules of its
// documentation ("Naming Files, Paths, and Namespaces"), also where they stand alone or with
// an ending; they decode as parts of a URI do (RFC 3986, 2.1).
func TestPartitionNamesOnEverySystem(t *testing.T) {
	forbidden := regexp.MustCompile(`[<>:"/\\|?*\x00-\x1f]|[. ]$|^(?i:con|prn|aux|nul|com[1-9¹²³]|lpt[1-9¹²³])(\.|$)`)
	if !forbidden.MatchString("nul.json") || !forbidden.MatchString("COM1") || !forbidden.MatchString("a:b") || forbidden.MatchString("COM10") {
		t.Fatal("the rules do not hold what they should")
	}
	names := []string{"CON", "con", "prn.a", "Aux", "NUL", "nul.tar.gz", "COM1", "lpt9", "COM10", "COM\u00b2", "CONIN$", "console", "a.", "a..", ".", "..", "a ", " a", "a.b", "%43ON",
		`a<b>c:d"e/f\g|h?i*j`, "tab\there", "line\nbreak", "Größe 7 °C", "=1+2", "recording=x", "\xff"}
	taken := map[string]string{}
	for _, name := range names {
		written := EscapePartition(name)
		for _, file := range []string{written, written + ".json", "recording=" + written} {
			if m := forbidden.FindString(file); m != "" {
				t.Errorf("%q: %q has %q, which Windows does not allow", name, file, m)
			}
		}
		if back, err := url.PathUnescape(written); err != nil || back != name {
			t.Errorf("%q: %q reads back as %q, %v", name, written, back, err)
		}
		if other, ok := taken[written]; ok {
			t.Errorf("%q and %q are both %q", name, other, written)
		}
		taken[written] = name
	}
}
