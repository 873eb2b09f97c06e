package yamltree

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Error is what keeps a text from being a tree.
type Error struct {
	Line    int // 1-based; 0 for the text as a whole
	Message string
	Hint    string // how to mend it; may be empty
}

func (e *Error) Error() string {
	if e.Line == 0 {
		return e.Message
	}
	return fmt.Sprintf("line %d: %s", e.Line, e.Message)
}

const byteOrderMark = "\ufeff"

// Parse builds the tree of a text that holds one YAML document; nil when it holds
// none. what is the kind of file in messages, such as "rig file".
func Parse(what string, text []byte) (root *Node, invalid *Error) {
	// A broken text must end as a message even where the library gives up.
	defer func() {
		if p := recover(); p != nil {
			root, invalid = nil, &Error{Message: "not valid YAML: the parser failed", Hint: "leave out half of it, and so on, to find the line"}
		}
	}()
	// The parser counts the line of a comment twice when it ends in \r\n;
	// without \r lines and columns are those of the file.
	text = bytes.ReplaceAll(bytes.TrimPrefix(text, []byte(byteOrderMark)), []byte("\r\n"), []byte("\n"))
	if i := bytes.IndexByte(text, '\r'); i >= 0 {
		return nil, &Error{Line: 1 + bytes.Count(text[:i], []byte("\n")),
			Message: "has a carriage return inside a line", Hint: "end lines by a line feed"}
	}
	tokens := lexer.Tokenize(string(text))
	if line := deepest(tokens); line > 0 {
		return nil, &Error{Line: line, Message: fmt.Sprintf("nests deeper than %d", maxNesting), Hint: "close the brackets that are open, or check that it is the file meant"}
	}
	f, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		return nil, syntaxError(text, err)
	}
	var body ast.Node
	for _, d := range f.Docs {
		if d.Body == nil {
			continue
		}
		if body != nil {
			return nil, &Error{Line: d.Body.GetToken().Position.Line,
				Message: "a second YAML document begins here", Hint: "a " + what + " holds one document; remove the --- line and what follows"}
		}
		body = d.Body
	}
	if body == nil {
		return nil, nil
	}
	r := &resolver{what: what, anchors: map[string]*Node{}}
	root = r.node(body)
	if r.err != nil {
		return nil, r.err
	}
	return root, nil
}

// maxNesting bounds brackets, and list dashes on one line, so that hostile text
// cannot exhaust the parser's stack; a rig file needs seven.
const maxNesting = 64

// maxKeys bounds a mapping; those of a rig file have some ten at most.
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

func syntaxError(text []byte, err error) *Error {
	e := &Error{Message: "not valid YAML: " + err.Error()}
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
			e.Hint = fmt.Sprintf("column %d of %q", t.Position.Column, Shorten(s))
			if strings.Contains(s, "\t") {
				e.Hint += "; YAML indents by spaces, not tabs"
			}
		}
	}
	return e
}
