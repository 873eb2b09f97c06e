package rig

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// script is a list of replacements in a text.
type script struct {
	text    []byte
	lines   []int // offset of each line's first byte
	newline string
	cuts    []cut
}

type cut struct {
	from, to int
	text     string
}

func newScript(text []byte) *script {
	s := &script{text: text, lines: []int{0}, newline: "\n"}
	if bytes.HasPrefix(text, []byte(byteOrderMark)) {
		s.lines[0] = len(byteOrderMark) // columns count from behind it
	}
	for i, b := range text {
		if b == '\n' {
			s.lines = append(s.lines, i+1)
		}
	}
	if bytes.Contains(text, []byte("\r\n")) {
		s.newline = "\r\n"
	}
	return s
}

// offset turns a position into a byte offset; -1 outside the text.
func (s *script) offset(p position) int {
	if p.line < 1 || p.line > len(s.lines) {
		return -1
	}
	o := s.lines[p.line-1]
	for range p.column - 1 {
		if o >= len(s.text) {
			return -1
		}
		_, n := utf8.DecodeRune(s.text[o:])
		o += n
	}
	return o
}

// replace writes text over a scalar or an alias.
func (s *script) replace(n *node, text string) error {
	old := n.text
	if n.alias != "" {
		old = "*" + n.alias
	}
	o := s.offset(n.at)
	if o < 0 || !bytes.HasPrefix(s.text[o:], []byte(old)) {
		return fmt.Errorf("rig: %q not found in line %d", old, n.at.line)
	}
	s.cuts = append(s.cuts, cut{o, o + len(old), text})
	return nil
}

// insertKey adds a key to a mapping and says whether it found where.
func (s *script) insertKey(m *node, key, value string) bool {
	pair := key + ": " + value
	insert := func(o int, text string) bool {
		s.cuts = append(s.cuts, cut{o, o, text})
		return o >= 0
	}
	var own []position
	for _, e := range m.entries {
		if !e.merged {
			own = append(own, e.at)
		}
	}
	if m.flow {
		end := s.offset(m.end)
		if end < 0 || s.text[end] != '}' {
			return false
		}
		line := s.text[s.lines[m.end.line-1]:end]
		bare := bytes.TrimRight(line, " ")
		if len(bytes.TrimLeft(bare, " ")) > 0 && !bytes.ContainsRune(line, '#') && !bytes.HasSuffix(bare, []byte("{")) && !bytes.HasSuffix(bare, []byte(",")) {
			return insert(end-len(line)+len(bare), ", "+pair)
		}
		return len(own) > 0 && insert(s.offset(own[len(own)-1]), pair+", ")
	}
	if len(own) == 0 {
		return false
	}
	// After the first key, which names the thing, and before the comments that
	// belong to the second.
	if len(own) > 1 {
		indent := strings.Repeat(" ", own[1].column-1)
		line := own[1].line
		if o := s.offset(own[1]); o >= 0 && string(s.text[s.lines[line-1]:o]) == indent {
			for line-1 > own[0].line && s.isComment(line-1) {
				line--
			}
			return insert(s.lines[line-1], indent+pair+s.newline)
		}
	}
	return insert(s.offset(own[0]), pair+s.newline+strings.Repeat(" ", own[0].column-1))
}

// isComment reports whether a line (1-based) is blank or holds a comment only.
func (s *script) isComment(line int) bool {
	end := len(s.text)
	if line < len(s.lines) {
		end = s.lines[line]
	}
	t := bytes.TrimSpace(s.text[s.lines[line-1]:end])
	return len(t) == 0 || t[0] == '#'
}

// replaceBlock replaces a top-level key with its block, or adds it at the end.
func (s *script) replaceBlock(root *node, key, block string) error {
	if root.flow {
		return errors.New("is one flow mapping, to which no block can be added")
	}
	if root.at.column != 1 {
		return errors.New("has an indented top level, to which no block can be added")
	}
	old := find(root.entries, key)
	if old == nil {
		lead := ""
		if len(s.text) > 0 && s.text[len(s.text)-1] != '\n' {
			lead = s.newline
		}
		s.cuts = append(s.cuts, cut{len(s.text), len(s.text), lead + block})
		return nil
	}
	next := len(s.lines) + 1 // first line after the block
	if len(s.text) > 0 && s.text[len(s.text)-1] == '\n' {
		next--
	}
	for _, e := range root.entries {
		if e.at.line > old.at.line {
			next = min(next, e.at.line)
		}
	}
	for next-1 > old.at.line && s.isComment(next-1) {
		next--
	}
	to := len(s.text)
	if next <= len(s.lines) {
		to = s.lines[next-1]
	}
	s.cuts = append(s.cuts, cut{s.lines[old.at.line-1], to, block})
	return nil
}

// run applies the cuts; equal cuts count once, insertions at one offset follow
// each other in the order they were asked for.
func (s *script) run() ([]byte, error) {
	slices.SortStableFunc(s.cuts, func(a, b cut) int { return cmp.Compare(a.from, b.from) })
	var out []byte
	at := 0
	for _, c := range slices.Compact(s.cuts) {
		if c.from < at {
			return nil, errors.New("rig: two changes of one value")
		}
		out = append(out, s.text[at:c.from]...)
		out = append(out, c.text...)
		at = c.to
	}
	return append(out, s.text[at:]...), nil
}
