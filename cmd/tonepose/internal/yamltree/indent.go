package yamltree

import (
	"fmt"
	"slices"
	"strings"
)

// level is a depth at which keys or dashes of a block stand, and the line that began it.
type level struct{ column, line int }

// misindented finds, in lines from to to of a text that is no YAML, the first that stands
// where none may: deeper than the line before although that has its value, or at a depth
// that nothing above has. Parsers report the former one line early. It returns 0 where
// all lines stand well.
func misindented(lines []string, from, to int) (line int, hint string) {
	levels, opens, brackets := []level{{0, 1}}, true, 0 // opens: the line before waits for what is deeper
	for i, text := range lines[:min(to, len(lines))] {
		content := strings.TrimLeft(text, " ")
		if content == "" || content[0] == '#' || content == "---" {
			continue
		}
		column, inside := len(text)-len(content), brackets > 0
		brackets += open(content)
		if inside {
			continue
		}
		left := levels[len(levels)-1]
		for len(levels) > 1 && column < levels[len(levels)-1].column {
			levels = levels[:len(levels)-1]
		}
		last := levels[len(levels)-1]
		switch {
		case column == last.column:
		case opens && column > last.column:
			levels = append(levels, level{column, i + 1})
		case i+1 < from:
			return 0, "" // some other trouble
		default:
			hint = fmt.Sprintf("it stands %s in; the depth of line %d is %d", spaces(column), last.line, last.column)
			if left != last {
				hint += fmt.Sprintf(", of line %d %d", left.line, left.column)
			}
			return i + 1, hint + ": what belongs together begins in one column"
		}
		for strings.HasPrefix(content, "- ") { // what follows a dash is a level of its own
			rest := strings.TrimLeft(content[1:], " ")
			column += len(content) - len(rest)
			levels = append(levels, level{column, i + 1})
			content = rest
		}
		bare, _, _ := strings.Cut(content, " #")
		bare = strings.TrimSpace(bare)
		opens = bare == "-" || strings.HasSuffix(bare, ":") || slices.Contains([]byte("|>"), bare[len(bare)-1])
	}
	return 0, ""
}

func spaces(n int) string {
	if n == 1 {
		return "1 space"
	}
	return fmt.Sprintf("%d spaces", n)
}

// open is how many more brackets a line opens than it closes.
func open(text string) (n int) {
	quote := byte(0)
	for i := range len(text) {
		c := text[i]
		switch {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '#' && i > 0 && text[i-1] == ' ':
			return n
		case c == '[' || c == '{':
			n++
		case c == ']' || c == '}':
			n--
		}
	}
	return n
}
