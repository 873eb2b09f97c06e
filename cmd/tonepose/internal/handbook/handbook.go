// Package handbook holds the chapters that tonepose help prints: Markdown that
// can also be read where the repository is hosted. README.md lists them.
//
// Topics lists the chapters, Text returns one as it stands, Render prints one on
// a terminal, and Rows reads a table of one, where the program uses its words.
package handbook

import (
	"embed"
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"
	"sync"
)

//go:embed *.md
var chapters embed.FS

// Topic is a chapter as its contents list it.
type Topic struct {
	Name    string // what help is asked for
	Title   string
	Summary string
	Part    string // heading that it stands under
}

// contents is the chapter that lists the others.
const contents = "README.md"

// listed is a line of the contents: - [Title](name.md): summary
var listed = regexp.MustCompile(`^- \[([^\]]+)\]\(([a-z-]+)\.md\): (.+)$`)

// Topics lists the chapters in the order of the contents.
var Topics = sync.OnceValue(func() (topics []Topic) {
	part := ""
	for line := range strings.Lines(read(contents)) {
		line = strings.TrimSpace(line)
		if heading, ok := strings.CutPrefix(line, "## "); ok {
			part = heading
		}
		if m := listed.FindStringSubmatch(line); m != nil {
			topics = append(topics, Topic{Name: m[2], Title: m[1], Summary: m[3], Part: part})
		}
	}
	return topics
})

// Names lists the names of the topics.
func Names() (names []string) {
	for _, t := range Topics() {
		names = append(names, t.Name)
	}
	return names
}

// Text returns the Markdown of a topic.
func Text(topic string) (string, error) {
	if !slices.Contains(Names(), topic) {
		return "", fmt.Errorf("no topic %q: there are %s", topic, strings.Join(Names(), ", "))
	}
	return read(topic + ".md"), nil
}

func read(name string) string {
	text, err := fs.ReadFile(chapters, name)
	if err != nil {
		panic(err) // embedded: a test opens every one
	}
	return string(text)
}

// Rows returns the rows of the first table under a heading of a topic, cells as
// plain text, without the line of the columns' names; nil where there is none.
func Rows(topic, heading string) (rows [][]string) {
	text, err := Text(topic)
	if err != nil {
		return nil
	}
	under := false
	for _, b := range parse(text) {
		switch {
		case b.kind == headline:
			under = plain(b.text) == heading
		case under && b.kind == grid:
			for _, row := range b.rows[1:] {
				cells := make([]string, len(row))
				for i, cell := range row {
					cells[i] = plain(cell)
				}
				rows = append(rows, cells)
			}
			return rows
		}
	}
	return nil
}

// Headings lists the headings of a topic as plain text.
func Headings(topic string) (headings []string) {
	text, _ := Text(topic)
	for _, b := range parse(text) {
		if b.kind == headline {
			headings = append(headings, plain(b.text))
		}
	}
	return headings
}

// Next is the step that the chapter on flags advises for one of them; empty for a
// name that it does not have.
func Next(flag string) string { return flags()[flag].next }

// Meaning is what that chapter says of a flag, or of rows in doubt, in short.
func Meaning(flag string) string { return flags()[flag].means }

type flagRow struct{ means, next string }

var flags = sync.OnceValue(func() map[string]flagRow {
	all := map[string]flagRow{}
	for _, row := range append(Rows("flags", "The flags in short"), Rows("flags", "Rows in doubt")...) {
		all[row[0]] = flagRow{row[1], row[2]}
	}
	return all
})

// Flags lists the flags in the order of that chapter.
func Flags() (names []string) {
	for _, row := range Rows("flags", "The flags in short") {
		names = append(names, row[0])
	}
	return names
}

// topicOf is the topic that a link leads to; empty for other links.
func topicOf(link string) string {
	link, _, _ = strings.Cut(link, "#")
	name, ok := strings.CutSuffix(path.Base(link), ".md")
	if !ok || strings.Contains(link, "/") || name+".md" == contents {
		return ""
	}
	return name
}
