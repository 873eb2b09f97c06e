package handbook

import (
	"fmt"
	"io"
	"regexp"
	"strings"
	"unicode/utf8"

	"tonepose/cmd/tonepose/internal/terminal"
)

// kind is a form of Markdown that the chapters use.
type kind int

const (
	paragraph kind = iota
	headline
	item // of a list
	code
	grid // a table
)

// block is one piece of a chapter.
type block struct {
	kind  kind
	level int        // of a headline, or spaces before an item
	mark  string     // of an item: - or 1.
	text  string     // of all but tables; of code its lines
	rows  [][]string // of a table, its columns' names first
}

var itemStart = regexp.MustCompile(`^( *)(-|\d+\.) +(.*)$`)

// parse parts Markdown into blocks.
func parse(text string) (blocks []block) {
	var open *block // paragraph or item that goes on
	fenced := false
	add := func(b block) *block {
		blocks = append(blocks, b)
		return &blocks[len(blocks)-1]
	}
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, " \r\n")
		bare := strings.TrimSpace(line)
		switch {
		case strings.HasPrefix(bare, "```"):
			if fenced = !fenced; fenced {
				add(block{kind: code})
			}
			open = nil
		case fenced:
			blocks[len(blocks)-1].text += line + "\n"
		case bare == "":
			open = nil
		case strings.HasPrefix(bare, "#"):
			title := strings.TrimLeft(bare, "#")
			add(block{kind: headline, level: len(bare) - len(title), text: strings.TrimSpace(title)})
			open = nil
		case strings.HasPrefix(bare, "|"):
			if open == nil || open.kind != grid {
				open = add(block{kind: grid})
			}
			if cells := cellsOf(bare); strings.Trim(strings.Join(cells, ""), "-: ") != "" {
				open.rows = append(open.rows, cells)
			}
		case itemStart.MatchString(line):
			m := itemStart.FindStringSubmatch(line)
			open = add(block{kind: item, level: len(m[1]), mark: m[2], text: m[3]})
		case open != nil && open.kind != grid:
			open.text += " " + bare
		default:
			open = add(block{kind: paragraph, text: bare})
		}
	}
	return blocks
}

// cellsOf parts a line of a table; \| is no border.
func cellsOf(line string) []string {
	const kept = "\x00"
	line = strings.ReplaceAll(strings.Trim(line, "|"), `\|`, kept)
	cells := strings.Split(line, "|")
	for i := range cells {
		cells[i] = strings.ReplaceAll(strings.TrimSpace(cells[i]), kept, "|")
	}
	return cells
}

var (
	image    = regexp.MustCompile(`!\[([^\]]*)\]\([^)]*\)`)
	link     = regexp.MustCompile(`\[([^\]]+)\]\(([^)\s]+)\)`)
	emphasis = regexp.MustCompile(`\*\*([^*]+)\*\*`)
	quoted   = regexp.MustCompile("`([^`]+)`")
)

// plain is a text without the marks of Markdown.
func plain(text string) string { return inline(text, terminal.Paint{}) }

// inline is a text for a terminal. What stands between backquotes is kept as it is.
func inline(text string, paint terminal.Paint) string {
	var out strings.Builder
	for text != "" {
		at := quoted.FindStringSubmatchIndex(text)
		before := text
		if at != nil {
			before = text[:at[0]]
		}
		before = image.ReplaceAllString(before, "figure: $1")
		before = link.ReplaceAllStringFunc(before, func(s string) string {
			m := link.FindStringSubmatch(s)
			if topic := topicOf(m[2]); topic != "" {
				return m[1] + " (tonepose help " + topic + ")"
			}
			if strings.Contains(m[2], "://") {
				return m[1] + " (" + m[2] + ")"
			}
			return m[1]
		})
		out.WriteString(emphasis.ReplaceAllStringFunc(before, func(s string) string { return paint.Bold(strings.Trim(s, "*")) }))
		if at == nil {
			break
		}
		out.WriteString(text[at[2]:at[3]])
		text = text[at[1]:]
	}
	return out.String()
}

// Render prints a topic in lines of at most width columns. Code, which must stay as
// it is, may be wider.
func Render(w io.Writer, topic string, width int, paint terminal.Paint) error {
	text, err := Text(topic)
	if err != nil {
		return err
	}
	var out strings.Builder
	last := headline
	for i, b := range parse(text) {
		if i > 0 && !(b.kind == item && last == item) {
			out.WriteString("\n")
		}
		switch last = b.kind; b.kind {
		case headline:
			title := inline(b.text, terminal.Paint{})
			if b.level == 1 {
				title = strings.ToUpper(title)
			}
			out.WriteString(paint.Bold(title) + "\n")
		case paragraph:
			writeWrapped(&out, inline(b.text, paint), "", "", width)
		case item:
			indent := strings.Repeat(" ", b.level)
			writeWrapped(&out, inline(b.text, paint), indent+b.mark+" ", indent+strings.Repeat(" ", len(b.mark)+1), width)
		case code:
			for line := range strings.Lines(b.text) {
				out.WriteString(strings.TrimRight("    "+line, " \n") + "\n")
			}
		case grid:
			writeGrid(&out, b.rows, width, paint)
		}
	}
	_, err = io.WriteString(w, out.String())
	return err
}

// writeWrapped writes words in lines, the first behind first, others behind rest.
func writeWrapped(out *strings.Builder, text, first, rest string, width int) {
	for i, line := range wrap(text, max(width-shown(rest), 20)) {
		if i > 0 {
			first = rest
		}
		fmt.Fprintf(out, "%s%s\n", first, line)
	}
}

// wrap parts a text into lines of at most width columns; a longer word has a line
// to itself.
func wrap(text string, width int) (lines []string) {
	line, length := "", 0
	for _, word := range strings.Fields(text) {
		n := shown(word)
		if line != "" && length+1+n > width {
			lines = append(lines, line)
			line, length = "", 0
		}
		if line != "" {
			line += " "
			length++
		}
		line += word
		length += n
	}
	return append(lines, line)
}

var painted = regexp.MustCompile("\x1b\\[[0-9]*m")

// shown is how many columns a text takes.
func shown(text string) int { return utf8.RuneCountInString(painted.ReplaceAllString(text, "")) }

// narrowest is the fewest columns that a table's column is given, unless it needs
// fewer.
const narrowest = 12

// writeGrid writes a table. The widest columns give way until it fits, and their
// cells go on in further lines.
func writeGrid(out *strings.Builder, rows [][]string, width int, paint terminal.Paint) {
	const gap = 2
	var widths []int
	cells := make([][]string, len(rows))
	for r, row := range rows {
		for i, cell := range row {
			if i == len(widths) {
				widths = append(widths, 1)
			}
			cells[r] = append(cells[r], inline(cell, terminal.Paint{}))
			widths[i] = max(widths[i], shown(cells[r][i]))
		}
	}
	total := gap * (len(widths) - 1)
	for _, n := range widths {
		total += n
	}
	for ; total > width; total-- {
		widest := 0
		for i := range widths {
			if widths[i] > widths[widest] {
				widest = i
			}
		}
		if widths[widest] <= narrowest {
			break
		}
		widths[widest]--
	}
	for r, row := range cells {
		var parts [][]string
		lines := 0
		for i, cell := range row {
			parts = append(parts, wrap(cell, widths[i]))
			lines = max(lines, len(parts[i]))
		}
		for k := range lines {
			line := ""
			for i := range parts {
				part := ""
				if k < len(parts[i]) {
					part = parts[i][k]
				}
				line += part + strings.Repeat(" ", max(widths[i]-shown(part), 0)+gap)
			}
			if line = strings.TrimRight(line, " "); r == 0 {
				line = paint.Bold(line)
			}
			out.WriteString(line + "\n")
		}
	}
}
