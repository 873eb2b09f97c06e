package yamltree

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// Edits gathers changes of a text at the places that its tree knows: of Parse of the
// same text. All else stays byte for byte.
type Edits struct {
	Newline string // as the text ends its lines

	text  []byte
	lines []int // offset of each line's first byte
	cuts  []cut
	err   error // of the first change that has no place
}

// cut puts text in place of the bytes between two offsets.
type cut struct {
	from, to int
	text     string
}

// NewEdits begins changes of a text.
func NewEdits(text []byte) *Edits {
	e := &Edits{text: text, lines: []int{0}, Newline: "\n"}
	if bytes.HasPrefix(text, []byte(byteOrderMark)) {
		e.lines[0] = len(byteOrderMark) // columns count from behind it
	}
	for i, b := range text {
		if b == '\n' {
			e.lines = append(e.lines, i+1)
		}
	}
	if bytes.Contains(text, []byte("\r\n")) {
		e.Newline = "\r\n"
	}
	return e
}

// Head puts a line of comment at the head of the text, unless it is anywhere in it.
func (e *Edits) Head(comment string) {
	if !bytes.Contains(e.text, []byte(comment)) {
		e.cuts = append(e.cuts, cut{e.lines[0], e.lines[0], comment + e.Newline})
	}
}

// offset turns a position into a byte offset; -1 outside the text.
func (e *Edits) offset(p Position) int {
	if p.Line < 1 || p.Line > len(e.lines) {
		return -1
	}
	o := e.lines[p.Line-1]
	for range p.Column - 1 {
		if o >= len(e.text) {
			return -1
		}
		_, n := utf8.DecodeRune(e.text[o:])
		o += n
	}
	return o
}

// Replace writes text over a scalar or an alias where it stands.
func (e *Edits) Replace(n *Node, text string) {
	old := n.Text
	if n.Alias != "" {
		old = "*" + n.Alias
	}
	o := e.offset(n.At)
	if o < 0 || !bytes.HasPrefix(e.text[o:], []byte(old)) {
		e.err = cmp.Or(e.err, fmt.Errorf("%q not found in line %d", old, n.At.Line))
		return
	}
	e.cuts = append(e.cuts, cut{o, o + len(old), text})
}

// InsertKey adds a key to a mapping and says whether it found where.
func (e *Edits) InsertKey(m *Node, key, value string) bool {
	pair := key + ": " + value
	insert := func(o int, text string) bool {
		e.cuts = append(e.cuts, cut{o, o, text})
		return o >= 0
	}
	var own []Position
	for _, entry := range m.Entries {
		if !entry.Merged {
			own = append(own, entry.At)
		}
	}
	if m.flow {
		end := e.offset(m.end)
		if end < 0 || e.text[end] != '}' {
			return false
		}
		line := e.text[e.lines[m.end.Line-1]:end]
		bare := bytes.TrimRight(line, " ")
		if len(bytes.TrimLeft(bare, " ")) > 0 && !bytes.ContainsRune(line, '#') && !bytes.HasSuffix(bare, []byte("{")) && !bytes.HasSuffix(bare, []byte(",")) {
			return insert(end-len(line)+len(bare), ", "+pair)
		}
		return len(own) > 0 && insert(e.offset(own[len(own)-1]), pair+", ")
	}
	if len(own) == 0 {
		return false
	}
	// After the first key, which names the thing, and before the comments that
	// belong to the second.
	if len(own) > 1 {
		indent := strings.Repeat(" ", own[1].Column-1)
		line := own[1].Line
		if o := e.offset(own[1]); o >= 0 && string(e.text[e.lines[line-1]:o]) == indent {
			for line-1 > own[0].Line && e.isComment(line-1) {
				line--
			}
			return insert(e.lines[line-1], indent+pair+e.Newline)
		}
	}
	return insert(e.offset(own[0]), pair+e.Newline+strings.Repeat(" ", own[0].Column-1))
}

// isComment reports whether a line (1-based) is blank or holds a comment only.
func (e *Edits) isComment(line int) bool {
	end := len(e.text)
	if line < len(e.lines) {
		end = e.lines[line]
	}
	t := bytes.TrimSpace(e.text[e.lines[line-1]:end])
	return len(t) == 0 || t[0] == '#'
}

// SetBlock replaces a top-level key with its block, whole lines, or adds that at the end.
// An error says of the text why it cannot.
func (e *Edits) SetBlock(root *Node, key, block string) error {
	if root.flow {
		return errors.New("is one flow mapping, to which no block can be added")
	}
	if root.At.Column != 1 {
		return errors.New("has an indented top level, to which no block can be added")
	}
	old := root.Entry(key)
	if old == nil {
		lead := ""
		if len(e.text) > 0 && e.text[len(e.text)-1] != '\n' {
			lead = e.Newline
		}
		e.cuts = append(e.cuts, cut{len(e.text), len(e.text), lead + block})
		return nil
	}
	next := len(e.lines) + 1 // first line after the block
	if len(e.text) > 0 && e.text[len(e.text)-1] == '\n' {
		next--
	}
	for _, entry := range root.Entries {
		if entry.At.Line > old.At.Line {
			next = min(next, entry.At.Line)
		}
	}
	for next-1 > old.At.Line && e.isComment(next-1) {
		next--
	}
	to := len(e.text)
	if next <= len(e.lines) {
		to = e.lines[next-1]
	}
	e.cuts = append(e.cuts, cut{e.lines[old.At.Line-1], to, block})
	return nil
}

// Text is the text with the changes; equal ones count once, insertions at one offset follow
// each other in the order they were asked for.
func (e *Edits) Text() ([]byte, error) {
	if e.err != nil {
		return nil, e.err
	}
	slices.SortStableFunc(e.cuts, func(a, b cut) int { return cmp.Compare(a.from, b.from) })
	var out []byte
	at := 0
	for _, c := range slices.Compact(e.cuts) {
		if c.from < at {
			return nil, errors.New("two changes of one value")
		}
		out = append(out, e.text[at:c.from]...)
		out = append(out, c.text...)
		at = c.to
	}
	return append(out, e.text[at:]...), nil
}
