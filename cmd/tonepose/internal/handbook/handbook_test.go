package handbook

import (
	"bytes"
	"fmt"
	"io/fs"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/terminal"
)

// The contents list every chapter once, under its own title, and links lead to
// chapters that there are.
func TestContents(t *testing.T) {
	titles := map[string]string{}
	for _, topic := range Topics() {
		if titles[topic.Name] != "" {
			t.Errorf("%s stands twice in the contents", topic.Name)
		}
		titles[topic.Name] = topic.Title
		if topic.Part == "" {
			t.Errorf("%s stands under no heading", topic.Name)
		}
	}
	names, err := fs.Glob(chapters, "*.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		for _, m := range link.FindAllStringSubmatch(read(name), -1) {
			if topic := topicOf(m[2]); topic != "" && titles[topic] == "" {
				t.Errorf("%s links to %s, which is no chapter", name, m[2])
			}
		}
		if name == contents {
			continue
		}
		topic := strings.TrimSuffix(name, ".md")
		if titles[topic] == "" {
			t.Errorf("%s is not in the contents", name)
		}
		if have := Headings(topic); len(have) == 0 || have[0] != titles[topic] {
			t.Errorf("%s: its title is not %q, that of the contents", name, titles[topic])
		}
	}
	if _, err := Text("nosuch"); err == nil || !strings.Contains(err.Error(), "rig") {
		t.Errorf("an unknown topic: %v", err)
	}
}

// Every chapter fits into 80 columns but for code, has no marks of Markdown left, and
// loses no word.
func TestChaptersRender(t *testing.T) {
	for _, topic := range Names() {
		for _, width := range []int{60, 80, 100} {
			var out bytes.Buffer
			if err := Render(&out, topic, width, terminal.Paint{}); err != nil {
				t.Fatal(err)
			}
			text, _ := Text(topic)
			for line := range strings.Lines(out.String()) {
				line = strings.TrimRight(line, "\n")
				if strings.HasPrefix(line, "    ") { // code
					continue
				}
				if width >= 80 && shown(line) > width {
					t.Errorf("%s at %d columns: %d in %q", topic, width, shown(line), line)
				}
				if strings.Contains(line, "**") || strings.Contains(line, "](") || strings.HasPrefix(line, "|") || strings.HasPrefix(line, "#") {
					t.Errorf("%s: marks are left in %q", topic, line)
				}
			}
			if open := strings.Count(text, "```"); open%2 != 0 {
				t.Errorf("%s: a block of code does not end", topic)
			}
		}
	}
}

const sample = `# A title

Words with **weight**, ` + "`--code` that" + ` goes on
in a [next](rig.md) line, see [there](https://example.org/a).

- first item that is too long for one line
- second
  1. inner

| key | meaning |
|---|:--|
| ` + "`a_m`" + ` | the first of several \| words |
| b | |

` + "```sh\n$ tonepose demo | head\n```" + `
`

func TestRenderEachForm(t *testing.T) {
	var out strings.Builder
	for _, b := range parse(sample) {
		fmt.Fprintf(&out, "%d %d %q %q %q\n", b.kind, b.level, b.mark, b.text, b.rows)
	}
	want := `1 1 "" "A title" []
0 0 "" "Words with **weight**, ` + "`--code` that" + ` goes on in a [next](rig.md) line, see [there](https://example.org/a)." []
2 0 "-" "first item that is too long for one line" []
2 0 "-" "second" []
2 2 "1." "inner" []
4 0 "" "" [["key" "meaning"] ["` + "`a_m`" + `" "the first of several | words"] ["b" ""]]
3 0 "" "$ tonepose demo | head\n" []
`
	if out.String() != want {
		t.Errorf("have\n%swant\n%s", out.String(), want)
	}
	if have, want := plain("a `**b**` [c](rig.md) **d** ![e](f.png)"), "a **b** c (tonepose help rig) d figure: e"; have != want {
		t.Errorf("have %q, want %q", have, want)
	}
	out.Reset()
	writeGrid(&out, [][]string{{"key", "meaning"}, {"a_m", "the first of several words"}}, 20, terminal.Paint{})
	if have, want := out.String(), "key  meaning\na_m  the first of\n     several words\n"; have != want {
		t.Errorf("have %q, want %q", have, want)
	}
	out.Reset()
	writeWrapped(&out, "one two three four five six", "- ", "  ", 22)
	if have, want := out.String(), "- one two three four\n  five six\n"; have != want {
		t.Errorf("have %q, want %q", have, want)
	}
}
