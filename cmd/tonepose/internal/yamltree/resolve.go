package yamltree

import (
	"fmt"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// resolver turns what the parser found into nodes, without aliases and merges.
type resolver struct {
	what    string // kind of file
	anchors map[string]*Node
	err     *Error
}

func (r *resolver) fail(p Position, message, hint string) *Node {
	if r.err == nil {
		r.err = &Error{Line: p.Line, Message: message, Hint: hint}
	}
	return &Node{Kind: Scalar, At: p, Null: true}
}

func (r *resolver) node(n ast.Node) *Node {
	if n == nil || n.GetToken() == nil {
		return r.fail(Position{}, "a value is missing", "write one behind each key, dash and anchor")
	}
	t := n.GetToken()
	p := at(t)
	switch n := n.(type) {
	case *ast.MappingNode:
		return r.mapping(n)
	case *ast.MappingValueNode:
		return r.mapping(&ast.MappingNode{BaseNode: n.BaseNode, Start: n.Start, Values: []*ast.MappingValueNode{n}})
	case *ast.SequenceNode:
		out := &Node{Kind: List, At: p, flow: n.IsFlowStyle}
		for _, v := range n.Values {
			out.Items = append(out.Items, r.node(v))
		}
		return out
	case *ast.AnchorNode:
		name := n.Name.GetToken().Value
		out := r.node(n.Value)
		r.anchors[name] = out
		return out
	case *ast.AliasNode:
		name := n.Value.GetToken().Value
		target, ok := r.anchors[name]
		if !ok {
			return r.fail(p, fmt.Sprintf("*%s refers to no anchor above it", name), fmt.Sprintf("write &%s before the value that is meant, or quotes about what is no alias", name))
		}
		out := *target
		out.At, out.Alias = p, name
		return &out
	case *ast.TagNode:
		return r.fail(p, fmt.Sprintf("the tag %s is not part of a %s", Shorten(t.Value), r.what), "write the value alone")
	case *ast.NullNode:
		return &Node{Kind: Scalar, At: p, Text: t.Value, Null: true}
	case *ast.LiteralNode:
		return &Node{Kind: Scalar, At: p, Text: n.Value.Value}
	case ast.ScalarNode:
		quoted := t.Type == token.DoubleQuoteType || t.Type == token.SingleQuoteType
		return &Node{Kind: Scalar, At: p, Text: t.Value, Plain: !quoted}
	}
	return r.fail(p, fmt.Sprintf("unexpected YAML (%s)", n.Type()), "write keys with values, lists, numbers and text alone")
}

func (r *resolver) mapping(n *ast.MappingNode) *Node {
	out := &Node{Kind: Mapping, flow: n.IsFlowStyle}
	if t := n.GetToken(); t != nil {
		out.At = at(t)
	}
	if n.IsFlowStyle && n.End != nil {
		out.end = at(n.End)
	}
	if len(n.Values) > maxKeys {
		r.fail(out.At, fmt.Sprintf("a mapping has %d keys, more than any of a %s", len(n.Values), r.what), "check that it is one")
		return out
	}
	var merges []Entry
	for i, v := range n.Values {
		kt := v.Key.GetToken()
		e := Entry{Key: kt.Value, At: at(kt)}
		if i == 0 && !n.IsFlowStyle {
			out.At = e.At
		}
		switch v.Key.(type) {
		case *ast.MergeKeyNode:
			e.Value = r.node(v.Value)
			merges = append(merges, e)
			continue
		case *ast.MappingKeyNode:
			r.fail(e.At, fmt.Sprintf("complex keys (?) are not part of a %s", r.what), "write key: value")
			return out
		}
		if out.Entry(e.Key) != nil {
			out.Twice = append(out.Twice, e)
			continue
		}
		e.Value = r.node(v.Value)
		out.Entries = append(out.Entries, e)
	}
	for _, m := range merges {
		sources := []*Node{m.Value}
		if m.Value.Kind == List {
			sources = m.Value.Items
		}
		for _, s := range sources {
			if s.Kind != Mapping {
				r.fail(m.At, "<< needs a mapping", "give an alias of one, or a list of such")
				return out
			}
			for _, e := range s.Entries {
				if out.Entry(e.Key) == nil {
					out.Entries = append(out.Entries, Entry{Key: e.Key, At: m.At, Value: e.Value, Merged: true})
				}
			}
		}
	}
	return out
}

func at(t *token.Token) Position { return Position{t.Position.Line, t.Position.Column} }
