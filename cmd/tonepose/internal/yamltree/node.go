// Package yamltree reads YAML as a tree that knows where in the text each part stands,
// and changes values of the text at those places, so that comments, order and
// formatting stay.
//
// Parse gives the tree of a text, NewEdits takes its changes. The tree says what is
// written, not what it means: scalars are texts, and the package rig, which reads its
// files by it, decides what is a number.
package yamltree

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Kind is what a node is.
type Kind int

const (
	Scalar Kind = iota
	List
	Mapping
)

// Node is a YAML value with aliases and merges resolved, each part still
// knowing its position in the text.
type Node struct {
	Kind    Kind
	At      Position // of the value; of the alias where it came by one
	Text    string   // of a scalar
	Plain   bool     // a scalar without quotes
	Null    bool
	Items   []*Node // of a list
	Entries []Entry // of a mapping
	Twice   []Entry // keys that were there before, without values
	Alias   string  // name, when it came by an alias

	flow bool     // {…} or […]
	end  Position // of the closing bracket of a flow mapping
}

// Entry is a key of a mapping with its value.
type Entry struct {
	Key    string
	At     Position // of the key; of << where that supplied it
	Value  *Node
	Merged bool // supplied by <<
}

// Position is 1-based; columns count runes.
type Position struct{ Line, Column int }

// Entry finds a key of a mapping; nil when it has none such.
func (n *Node) Entry(key string) *Entry {
	if i := slices.IndexFunc(n.Entries, func(e Entry) bool { return e.Key == key }); i >= 0 {
		return &n.Entries[i]
	}
	return nil
}

// Get is the value of a key; nil when there is none such.
func (n *Node) Get(key string) *Node {
	if e := n.Entry(key); e != nil {
		return e.Value
	}
	return nil
}

// String gives the value as a message quotes it.
func (n *Node) String() string { return Shorten(n.inline(6, 2)) }

// Inline writes the whole value on one line.
func (n *Node) Inline() string { return n.inline(math.MaxInt, math.MaxInt) }

// inline writes the value on one line, anchors resolved: the first elements of
// each list and mapping, down to a depth.
func (n *Node) inline(elements, depth int) string {
	var parts []string
	add := func(key string, value *Node) {
		switch {
		case len(parts) < elements:
			parts = append(parts, key+value.inline(elements, depth-1))
		case len(parts) == elements:
			parts = append(parts, "…")
		}
	}
	switch {
	case n.Null:
		return cmp.Or(n.Text, "null")
	case n.Kind == Scalar && n.Plain:
		return n.Text
	case n.Kind == Scalar:
		return strconv.Quote(n.Text)
	case depth < 0:
		return "…"
	case n.Kind == List:
		for _, item := range n.Items {
			add("", item)
		}
		return "[" + strings.Join(parts, ", ") + "]"
	}
	for _, e := range n.Entries {
		add(e.Key+": ", e.Value)
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

// Shorten keeps a quoted value to one readable line.
func Shorten(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s)
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}
