package handbook

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
)

var write = flag.Bool("write", false, "write the chapter of the experiments anew")

// The chapter holds the experiments as the workbench shows them; `go test
// ./cmd/tonepose/internal/handbook -run Chapter -write` writes it.
func TestChapterOfTheExperiments(t *testing.T) {
	var b strings.Builder
	b.WriteString("# Ten experiments\n\nFor `tonepose workbench`, which without a name opens a bench that is simulated while you turn it. Each sets the bench up, says what to do\n" +
		"and what to watch, and what theory expects the page to read. A test holds every number here against its formula, and the page against the number.\n" +
		"The bench and all its values are invented.\n")
	for i, e := range Experiments() {
		fmt.Fprintf(&b, "\n## %d. %s\n\n*%s* About %d minutes; `%s`.\n\n", i+1, e.Title, e.Question, e.Minutes, e.ID)
		for n, s := range e.Steps {
			fmt.Fprintf(&b, "%d. %s %s\n", n+1, s.Do, s.Watch)
		}
		fmt.Fprintf(&b, "\n%s\n\n```text\n%s\n```\n\nSource: %s.\n\n| the page reads | theory | within |\n|---|---|---|\n", e.Theory.Words, e.Theory.Formula, e.Theory.Source)
		for _, r := range e.Readings {
			within := "exactly"
			if r.Tolerance > 0 {
				within = fmt.Sprintf("%.3g %%", 100*r.Tolerance)
			}
			unit := " " + r.Unit
			if r.Unit == "1" {
				unit = ""
			}
			fmt.Fprintf(&b, "| %s | %.4g%s | %s |\n", r.Words, r.Expected, unit, within)
		}
	}
	const name = "experiments.md"
	if *write {
		if err := os.WriteFile(name, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	have, err := os.ReadFile(name)
	if err != nil || string(have) != b.String() {
		t.Errorf("%s is not what the experiments say: write it anew with -write (%v)", name, err)
	}
}
