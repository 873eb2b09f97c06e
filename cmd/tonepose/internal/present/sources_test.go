package present

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/cmd/tonepose/internal/plan"
	"tonepose/cmd/tonepose/internal/rig"
)

const root = "../../../.."

// unchecked is what a source says that nobody compared with the numbers.
const unchecked = "not checked against the original"

// work is a source that commands print, and what checks the numbers against it: a file of
// testdata/published whose own source holds names, or a test whose file names them. With
// neither it is to be printed as unchecked.
type work struct {
	printed string
	file    string // in testdata/published, or a _test.go from the root on
	names   []string
}

var works = []work{
	{"Harris, Proc. IEEE 66, 1978", "windows_harris1978.csv", []string{"Harris", "Proc. IEEE 66", "1978"}},
	{"Harris 1978", "windows_harris1978.csv", []string{"Harris", "1978"}},
	{"Heinzel, Rüdiger, Schilling 2002", "windows_heinzel2002.csv", []string{"Heinzel, Ruediger, Schilling", "2002"}},
	{"Guillaume et al., IEEE Trans. Instrum. Meas. 40, 1991", "", nil},
	{"IEC 60317-0-1", "iec60317_round_enamelled.csv", []string{"IEC 60317-0-1"}},
	{"IEC 60028", "copper_resistance_ratio.csv", []string{"IEC 60028"}},
	{"Maxwell, Treatise, art. 701", "mutual_coaxial_circles.csv", []string{"Maxwell, Treatise, art. 701"}},
	{"Nagaoka 1909", "nagaoka_coefficient.csv", []string{"Nagaoka 1909"}},
	{"Grover 1946", "fieldmodels/coil/coil_test.go", []string{"Grover, Inductance Calculations (1946)"}},
	{"Dowell, Proc. IEE 113, 1966", "fieldmodels/coil/coil_test.go", []string{"Dowell's factor"}},
	{"Medhurst, Wireless Engineer 24, 1947", "medhurst_1947_self_capacitance.csv", []string{"Medhurst", "Wireless Engineer 24", "1947"}},
	{"layer energy", "", nil},
	{"Nyquist, Phys. Rev. 32, 1928", "fieldmodels/coil/coil_test.go", []string{"Nyquist"}},
	{"ICNIRP 2010, Health Physics 99(6), tables 3 and 4", "icnirp2010_reference_levels.csv", []string{"ICNIRP 2010, Health Physics 99(6)", "Tables 3 and 4"}},
	{"ICNIRP 2010, equation (5)", "icnirp_multitone_and_static.json", []string{"ICNIRP 2010", "eq. (5)"}},
	{"ICNIRP 2010", "icnirp2010_reference_levels.csv", []string{"ICNIRP 2010"}},
	{"ICNIRP 2009", "icnirp_multitone_and_static.json", []string{"ICNIRP 2009"}},
	{"IEEE Std 1241-2010", "ideal_quantiser_snr.csv", []string{"IEEE Std 1241-2010"}},
	{"ISO 5725", "solver/assessment/precision_test.go", []string{"ISO 5725"}},
	{"ISO 9613-1", "speed_of_sound.csv", []string{"ISO 9613-1"}},
	{"Simpson, Lane, Immer, Youngquist, NASA 2001", "field_circular_loop.csv", []string{"Simpson, Lane, Immer, Youngquist", "NASA 2001"}},
	{"Landau, Lifshitz, Electrodynamics of Continuous Media, section 59, problem 1", "", nil},
	{"NIST/SEMATECH e-Handbook, table 1.3.6.7.4", "solver/trajectory/fixture_test.go", []string{"NIST/SEMATECH e-Handbook"}},
}

// plain are sources that need no original: what every textbook has. A test or a file named
// beside one checks it.
var plain = []string{"common practice", "textbook", "Cramér–Rao bound", "Hann window in closed form"}

// cited finds what names a standard or a work with its year.
var cited = regexp.MustCompile(`\b(ICNIRP|IEC|ISO|IEEE|JCGM|ASTM|CODATA)( Std)? \d|\p{Lu}\p{Ll}{2,}[^\n:=]{0,60}\b(1[89]|20)\d\d(\)|;|,|$)`)

// named finds the files that a source says check its numbers.
var named = regexp.MustCompile(`\b[a-z0-9_]+\.(csv|json)\b`)

// Whatever source a command prints beside a number is the one that a test checks the number
// against, or says that it was not checked: the sources of plan --explain, those of the
// experiments, and every word of the program that cites a work.
func TestSourcesAreThoseOfTheChecks(t *testing.T) {
	used := map[string]bool{}
	for _, w := range works {
		if w.file == "" {
			continue
		}
		name := filepath.Join(root, w.file)
		if !strings.HasSuffix(w.file, ".go") {
			name = filepath.Join(root, "testdata", "published", w.file)
		}
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range w.names {
			if !strings.Contains(string(text), n) {
				t.Errorf("%s is printed, and %s does not name %q", w.printed, w.file, n)
			}
		}
	}
	check := func(place, source string) {
		t.Helper()
		for _, file := range named.FindAllString(source, -1) {
			if _, err := os.Stat(filepath.Join(root, "testdata", "published", file)); err != nil {
				t.Errorf("%s: %q: %v", place, source, err)
			}
		}
		for part := range strings.SplitSeq(source, "; ") {
			known := strings.HasPrefix(part, "checked: ") || slices.ContainsFunc(plain, func(p string) bool { return strings.HasSuffix(part, p) })
			for _, w := range works {
				if !strings.Contains(part, w.printed) {
					continue
				}
				known, used[w.printed] = true, true
				if w.file == "" && !strings.Contains(part, unchecked) {
					t.Errorf("%s: %q: nothing checks it, and it does not say %q", place, part, unchecked)
				}
			}
			if !known && !strings.Contains(part, unchecked) {
				t.Errorf("%s: %q: no check of this source is known", place, part)
			}
		}
	}
	count := 0
	for _, s := range explained(t) {
		count++
		check("plan --explain", s)
	}
	for _, e := range handbook.Experiments() {
		count++
		check("experiment "+e.ID, e.Theory.Source)
	}
	for place, text := range citations(t) {
		count++
		known := false
		for _, w := range works {
			if strings.Contains(text, w.printed) {
				known, used[w.printed] = true, true
			}
		}
		if !known && !strings.Contains(text, unchecked) {
			t.Errorf("%s: %q: no check of this source is known", place, text)
		}
	}
	if count < 60 {
		t.Errorf("%d sources are printed: the test shows nothing", count)
	}
	for _, w := range works {
		if !used[w.printed] {
			t.Errorf("%s: nothing prints it any more", w.printed)
		}
	}
}

// The handbook names files that are there.
func TestFilesNamedInTheHandbookAreThere(t *testing.T) {
	count := 0
	for _, topic := range handbook.Names() {
		text, err := handbook.Text(topic)
		if err != nil {
			t.Fatal(err)
		}
		for _, of := range regexp.MustCompile(`(?i)checked: ([a-z0-9_]+\.(?:csv|json))`).FindAllStringSubmatch(text, -1) {
			count++
			if _, err := os.Stat(filepath.Join(root, "testdata", "published", of[1])); err != nil {
				t.Errorf("help %s: %v", topic, err)
			}
		}
	}
	if count < 10 {
		t.Errorf("%d files are named: the test shows nothing", count)
	}
}

// explained are the sources of a plan that has everything a plan can have.
func explained(t *testing.T) (sources []string) {
	r, err := rig.Load(root+"/testdata/rigs/pipe-bench.rig.yaml", rig.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := plan.Make(t.Context(), r, plan.Options{WindowS: 40e-3, Taper: "hann", NoiseV: 5e-9, Bits: 16, CurrentA: 0.5, AmbientC: 25, DistancesM: []float64{0.1}})
	if err != nil {
		t.Fatal(err)
	}
	p.DriveFile = &plan.DriveFile{}
	p.Design = &plan.Design{Moves: []plan.Move{{Emitter: "e1"}}}
	for part := plan.Electrics; part <= plan.Cautioned; part++ {
		for _, s := range planSheets(p, part, 0, true) {
			if s == nil {
				continue
			}
			for _, c := range s.columns {
				if c.source != "" {
					sources = append(sources, c.source)
				}
			}
		}
	}
	for _, e := range p.Budget.Entries {
		if e.Source != "" {
			sources = append(sources, e.Source)
		}
	}
	return sources
}

// citations are the words of the program, tests left out, that cite a work, by their place.
func citations(t *testing.T) map[string]string {
	found := map[string]string{}
	for _, dir := range []string{"cmd", "fieldmodels", "multitone", "solver"} {
		err := filepath.WalkDir(filepath.Join(root, dir), func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
				return err
			}
			set := token.NewFileSet()
			file, err := parser.ParseFile(set, name, nil, parser.SkipObjectResolution)
			if err != nil {
				return err
			}
			ast.Inspect(file, func(n ast.Node) bool {
				if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
					if text, err := strconv.Unquote(l.Value); err == nil && cited.MatchString(text) {
						found[set.Position(l.Pos()).String()] = text
					}
				}
				return true
			})
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return found
}
