package rig

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

type kind int

const (
	scalar kind = iota
	list
	mapping
)

// node is a YAML value with aliases and merges resolved, each part still
// knowing its position in the text.
type node struct {
	kind    kind
	at      position // of the value; of the alias where it came by one
	text    string   // of a scalar
	plain   bool     // a scalar without quotes
	null    bool
	flow    bool     // {…} or […]
	end     position // of the closing bracket of a flow mapping
	items   []*node
	entries []entry
	twice   []entry // keys that were there before
	alias   string  // name, when it came by an alias
}

type entry struct {
	key    string
	at     position // of the key
	value  *node
	merged bool // supplied by <<
}

// position is 1-based; columns count runes.
type position struct{ line, column int }

func at(t *token.Token) position { return position{t.Position.Line, t.Position.Column} }

func (n *node) get(key string) *node {
	if e := find(n.entries, key); e != nil {
		return e.value
	}
	return nil
}

// String gives the value as a message quotes it.
func (n *node) String() string { return shorten(n.inline(6, 2)) }

// inline writes the value on one line, anchors resolved: the first elements of
// each list and mapping, down to a depth.
func (n *node) inline(elements, depth int) string {
	var parts []string
	add := func(key string, value *node) {
		switch {
		case len(parts) < elements:
			parts = append(parts, key+value.inline(elements, depth-1))
		case len(parts) == elements:
			parts = append(parts, "…")
		}
	}
	switch {
	case n.null:
		return cmp.Or(n.text, "null")
	case n.kind == scalar && n.plain:
		return n.text
	case n.kind == scalar:
		return strconv.Quote(n.text)
	case depth < 0:
		return "…"
	case n.kind == list:
		for _, item := range n.items {
			add("", item)
		}
		return "[" + strings.Join(parts, ", ") + "]"
	}
	for _, e := range n.entries {
		add(e.key+": ", e.value)
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

const byteOrderMark = "\ufeff"

// parseYAML builds the tree of a single YAML document.
func parseYAML(file string, text []byte) (root *node, perr *Error) {
	// A broken text must end as a message even where the library gives up.
	defer func() {
		if p := recover(); p != nil {
			root, perr = nil, &Error{File: file, Message: "not valid YAML: the parser failed", Hint: fmt.Sprint(p)}
		}
	}()
	// The parser counts the line of a comment twice when it ends in \r\n;
	// without \r lines and columns are those of the file.
	text = bytes.ReplaceAll(bytes.TrimPrefix(text, []byte(byteOrderMark)), []byte("\r\n"), []byte("\n"))
	if i := bytes.IndexByte(text, '\r'); i >= 0 {
		return nil, &Error{File: file, Line: 1 + bytes.Count(text[:i], []byte("\n")),
			Message: "has a carriage return inside a line", Hint: "end lines by a line feed"}
	}
	tokens := lexer.Tokenize(string(text))
	if line := deepest(tokens); line > 0 {
		return nil, &Error{File: file, Line: line, Message: fmt.Sprintf("nests deeper than %d", maxNesting)}
	}
	f, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, syntaxError(file, text, err)
	}
	var body ast.Node
	for _, d := range f.Docs {
		if d.Body == nil {
			continue
		}
		if body != nil {
			return nil, &Error{File: file, Line: d.Body.GetToken().Position.Line,
				Message: "a second YAML document begins here", Hint: "a rig file holds one document; remove the --- line and what follows"}
		}
		body = d.Body
	}
	if body == nil {
		return nil, &Error{File: file, Message: "is empty", Hint: "a rig file begins with name, sample_rate_hz and channels"}
	}
	c := &converter{file: file, anchors: map[string]*node{}}
	root = c.node(body)
	if c.err != nil {
		return nil, c.err
	}
	return root, nil
}

// maxNesting bounds brackets, and list dashes on one line, so that hostile text
// cannot exhaust the parser's stack; a rig needs seven.
const maxNesting = 64

// maxKeys bounds a mapping; the largest of a rig has seven.
const maxKeys = 1000

// deepest returns the line where a text nests too deeply, or 0.
func deepest(tokens token.Tokens) int {
	depth, dashes, line := 0, 0, 0
	for _, t := range tokens {
		if t.Position.Line != line {
			line, dashes = t.Position.Line, 0
		}
		switch t.Type {
		case token.MappingStartType, token.SequenceStartType:
			depth++
		case token.MappingEndType, token.SequenceEndType:
			depth = max(depth-1, 0)
		case token.SequenceEntryType, token.MappingKeyType, token.TagType, token.AnchorType:
			dashes++
		}
		if depth > maxNesting || dashes > 2*maxNesting {
			return line
		}
	}
	return 0
}

func syntaxError(file string, text []byte, err error) *Error {
	e := &Error{File: file, Message: "not valid YAML: " + err.Error()}
	var ye yaml.Error
	if !errors.As(err, &ye) {
		return e
	}
	e.Message = "not valid YAML: " + ye.GetMessage()
	if t := ye.GetToken(); t != nil {
		e.Line = t.Position.Line
		lines := strings.Split(string(text), "\n")
		if e.Line < 1 || e.Line > len(lines) {
			return e
		}
		s := lines[e.Line-1]
		if line, hint := misindented(lines, e.Line, e.Line+1); line > 0 && !strings.Contains(s, "\t") {
			e.Line, e.Message, e.Hint = line, "wrong indentation", hint
		} else {
			e.Hint = fmt.Sprintf("column %d of %q", t.Position.Column, shorten(s))
			if strings.Contains(s, "\t") {
				e.Hint += "; YAML indents by spaces, not tabs"
			}
		}
	}
	return e
}

type converter struct {
	file    string
	anchors map[string]*node
	err     *Error
}

func (c *converter) fail(p position, format string, args ...any) *node {
	if c.err == nil {
		c.err = &Error{File: c.file, Line: p.line, Message: fmt.Sprintf(format, args...)}
	}
	return &node{kind: scalar, at: p, null: true}
}

func (c *converter) node(n ast.Node) *node {
	if n == nil || n.GetToken() == nil {
		return c.fail(position{}, "a value is missing")
	}
	t := n.GetToken()
	p := at(t)
	switch n := n.(type) {
	case *ast.MappingNode:
		return c.mapping(n)
	case *ast.MappingValueNode:
		return c.mapping(&ast.MappingNode{BaseNode: n.BaseNode, Start: n.Start, Values: []*ast.MappingValueNode{n}})
	case *ast.SequenceNode:
		out := &node{kind: list, at: p, flow: n.IsFlowStyle}
		for _, v := range n.Values {
			out.items = append(out.items, c.node(v))
		}
		return out
	case *ast.AnchorNode:
		name := n.Name.GetToken().Value
		out := c.node(n.Value)
		c.anchors[name] = out
		return out
	case *ast.AliasNode:
		name := n.Value.GetToken().Value
		target, ok := c.anchors[name]
		if !ok {
			return c.fail(p, "*%s refers to no anchor above it", name)
		}
		out := *target
		out.at, out.alias = p, name
		return &out
	case *ast.TagNode:
		return c.fail(p, "the tag %s is not part of a rig file", shorten(t.Value))
	case *ast.NullNode:
		return &node{kind: scalar, at: p, text: t.Value, null: true}
	case *ast.LiteralNode:
		return &node{kind: scalar, at: p, text: n.Value.Value}
	case ast.ScalarNode:
		quoted := t.Type == token.DoubleQuoteType || t.Type == token.SingleQuoteType
		return &node{kind: scalar, at: p, text: t.Value, plain: !quoted}
	}
	return c.fail(p, "unexpected YAML (%s)", n.Type())
}

func (c *converter) mapping(n *ast.MappingNode) *node {
	out := &node{kind: mapping, flow: n.IsFlowStyle}
	if t := n.GetToken(); t != nil {
		out.at = at(t)
	}
	if n.IsFlowStyle && n.End != nil {
		out.end = at(n.End)
	}
	if len(n.Values) > maxKeys {
		c.fail(out.at, "a mapping has %d keys, more than any of a rig file", len(n.Values))
		return out
	}
	var merges []entry
	for i, v := range n.Values {
		kt := v.Key.GetToken()
		e := entry{key: kt.Value, at: at(kt)}
		if i == 0 && !n.IsFlowStyle {
			out.at = e.at
		}
		switch v.Key.(type) {
		case *ast.MergeKeyNode:
			e.value = c.node(v.Value)
			merges = append(merges, e)
			continue
		case *ast.MappingKeyNode:
			c.fail(e.at, "complex keys (?) are not part of a rig file")
			return out
		}
		if find(out.entries, e.key) != nil {
			out.twice = append(out.twice, e)
			continue
		}
		e.value = c.node(v.Value)
		out.entries = append(out.entries, e)
	}
	for _, m := range merges {
		sources := []*node{m.value}
		if m.value.kind == list {
			sources = m.value.items
		}
		for _, s := range sources {
			if s.kind != mapping {
				c.fail(m.at, "<< needs a mapping")
				return out
			}
			for _, e := range s.entries {
				if find(out.entries, e.key) == nil {
					out.entries = append(out.entries, entry{key: e.key, at: m.at, value: e.value, merged: true})
				}
			}
		}
	}
	return out
}

func find(es []entry, key string) *entry {
	for i := range es {
		if es[i].key == key {
			return &es[i]
		}
	}
	return nil
}
