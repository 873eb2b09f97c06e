package tables

import (
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"github.com/parquet-go/parquet-go"
)

// Partition is the place of one recording's tables in a data set of many recordings, laid
// out as readers of partitioned data sets find it: poses/recording=NAME/part-0.parquet, and
// so on for each table. They see recording as a column, which no file has in it. Labels are
// columns of the files.
type Partition struct {
	Recording string
	Labels    []Label
}

// Label is what a list of recordings says of one of them: a column of text that is the same
// in all rows.
type Label struct{ Name, Value string }

// partitionKey is the column that the directories' names state.
const partitionKey = "recording"

// File is the name of a table's file in the data set.
func (p *Partition) File(table string) string { return filepath.Join(p.Dir(table), partFile) }

const partFile = "part-0.parquet"

// Dir is the directory of a table's file in the data set.
func (p *Partition) Dir(table string) string {
	return filepath.Join(table, partitionKey+"="+EscapePartition(p.Recording))
}

// InDataSet tells whether a directory is that of a partition, as poses/recording=NAME is.
func InDataSet(dir string) bool {
	return strings.HasPrefix(filepath.Base(dir), partitionKey+"=") && slices.Contains(tableNames(), filepath.Base(filepath.Dir(dir)))
}

// partitionFile is the file of a table of the recording that has a partition's directory.
func partitionFile(dir, table string) (file string, ok bool) {
	if !InDataSet(dir) {
		return "", false
	}
	file = filepath.Join(filepath.Dir(filepath.Dir(dir)), table, filepath.Base(dir), partFile)
	_, err := os.Lstat(file)
	return file, err == nil
}

// PartitionName is the recording that a partition's directory is of; not ok of any other name.
func PartitionName(dir string) (recording string, ok bool) {
	escaped, ok := strings.CutPrefix(dir, partitionKey+"=")
	recording, err := url.PathUnescape(escaped)
	return recording, ok && err == nil
}

// EscapePartition writes a text as directories of partitions state values: all but letters,
// digits and a few marks as % and two hexadecimal digits, as in a URI (RFC 3986, 2.1). What
// readers would take for no value, or Windows for a device, has its first letter written so,
// too, and so has a dot at the end: a data set can be copied to every system.
func EscapePartition(value string) string {
	first := isDevice(value) || slices.ContainsFunc(noValues, func(name string) bool { return strings.EqualFold(name, value) })
	var b strings.Builder
	for i := range len(value) {
		c := value[i]
		switch {
		case i == 0 && first, c == '.' && (i == 0 || i == len(value)-1):
			fmt.Fprintf(&b, "%%%02X", c)
		case 'a' <= c && c <= 'z', 'A' <= c && c <= 'Z', '0' <= c && c <= '9', c == '-', c == '_', c == '.':
			b.WriteByte(c)
		default:
			fmt.Fprintf(&b, "%%%02X", c)
		}
	}
	return b.String()
}

// noValues are what readers of partitions take for no value, as it stands: Hive's name of it,
// and SQL's.
var noValues = []string{"__HIVE_DEFAULT_PARTITION__", "NULL"}

// isDevice tells whether Windows takes a file's name for that of a device, whatever follows a
// dot in it ("Naming Files, Paths, and Namespaces" in its documentation). Those with signs
// that are escaped anyway are left out.
func isDevice(name string) bool {
	stem, _, _ := strings.Cut(name, ".")
	switch stem = strings.ToUpper(stem); stem {
	case "CON", "PRN", "AUX", "NUL":
		return true
	}
	number, ok := strings.CutPrefix(stem, "COM")
	if !ok {
		number, ok = strings.CutPrefix(stem, "LPT")
	}
	return ok && len(number) == 1 && '0' <= number[0] && number[0] <= '9'
}

var labelName = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_]*$`)

// CheckLabels refuses more labels than a partition can have, and names that cannot be those
// of columns, or are of columns that a table has already.
func CheckLabels(names []string) error {
	if len(names) > mostLabels {
		return fmt.Errorf("%d labels: a data set has room for %d: join or leave out some", len(names), mostLabels)
	}
	for i, name := range names {
		if slices.ContainsFunc(names[:i], func(other string) bool { return strings.EqualFold(other, name) }) {
			return fmt.Errorf("label %q: another differs from it by upper and lower case alone, which engines take for the same: choose another name", name)
		}
		if !labelName.MatchString(name) {
			return fmt.Errorf("label %q: must be a letter, then letters, digits or _", name)
		}
		if strings.EqualFold(name, partitionKey) {
			return fmt.Errorf("label %q: the data set has the column recording from its directories: choose another name", name)
		}
		for _, k := range kinds {
			if slices.ContainsFunc(k.columns(), func(c string) bool { return strings.EqualFold(c, name) }) {
				return fmt.Errorf("label %q: the table of %s has a column of this name: choose another name", name, k.tableName())
			}
		}
	}
	return nil
}

// mostLabels is how many labels a partition can have.
const mostLabels = 16

// slots are the columns of labels behind those of a stored row, named when a table is begun.
// They are filled once for all rows: storing a row does not touch them.
type slots struct {
	L0, L1, L2, L3, L4, L5, L6, L7, L8, L9, L10, L11, L12, L13, L14, L15 string `parquet:"-"`
}

func (s *slots) fill(labels []Label) {
	all := [...]*string{&s.L0, &s.L1, &s.L2, &s.L3, &s.L4, &s.L5, &s.L6, &s.L7, &s.L8, &s.L9, &s.L10, &s.L11, &s.L12, &s.L13, &s.L14, &s.L15}
	for i, l := range labels {
		*all[i] = l.Value
	}
}

// name gives the slots the labels' names.
func (slots) name(labels []Label) (options []parquet.WriterOption) {
	for i, l := range labels {
		tag := reflect.StructTag(fmt.Sprintf(`parquet:"%s,dict"`, l.Name))
		options = append(options, parquet.StructTag(tag, fmt.Sprintf("L%d", i)).(parquet.WriterOption), parquet.SkipPageBounds(l.Name), parquet.SkipPageStatistics(l.Name))
	}
	return options
}

// The rows of partitions with labels, as they are stored.
type (
	labelledPhasor struct {
		phasorRow
		slots
	}
	labelledCoupling struct {
		couplingRow
		slots
	}
	labelledPose struct {
		poseRow
		slots
	}
	labelledIntegrity struct {
		integrityRow
		slots
	}
)

// labelled is a table of labelled rows S.
type labelled[T, S any] struct {
	kind[T, S]
	slots func(*S) *slots
}

// begin is that of kind, of a table with labels.
func (k labelled[T, S]) begin(s *Set, out io.Writer, labels []Label) {
	w := newWriter(out, k.kind, slots{}.name(labels)...)
	for i := range w.buf {
		k.slots(&w.buf[i]).fill(labels)
	}
	k.add(s, w)
}

// begin begins a table with the labels.
func (p *Partition) begin(s *Set, name string, out io.Writer) error {
	for _, k := range partitioned {
		if k.tableName() == name {
			k.begin(s, out, p.Labels)
			return nil
		}
	}
	return fmt.Errorf("table %q: a data set has none of this name", name)
}

// partitioned are the tables that a data set can hold.
var partitioned = [...]interface {
	tableName() string
	begin(*Set, io.Writer, []Label)
}{
	labelled[Phasor, labelledPhasor]{kind[Phasor, labelledPhasor]{PhasorsName, narrow, (*labelledPhasor).store, (*labelledPhasor).load, phasors.slot},
		func(r *labelledPhasor) *slots { return &r.slots }},
	labelled[Coupling, labelledCoupling]{kind[Coupling, labelledCoupling]{CouplingsName, modest, (*labelledCoupling).store, (*labelledCoupling).load, couplings.slot},
		func(r *labelledCoupling) *slots { return &r.slots }},
	labelled[Pose, labelledPose]{kind[Pose, labelledPose]{PosesName, wide, (*labelledPose).store, (*labelledPose).load, poses.slot},
		func(r *labelledPose) *slots { return &r.slots }},
	labelled[Integrity, labelledIntegrity]{kind[Integrity, labelledIntegrity]{IntegrityName, wide, (*labelledIntegrity).store, (*labelledIntegrity).load, integrity.slot},
		func(r *labelledIntegrity) *slots { return &r.slots }},
}
