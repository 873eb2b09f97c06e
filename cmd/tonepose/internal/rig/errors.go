package rig

import (
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Error is one thing wrong with a rig file: where it stands, what it says,
// what is expected and how to mend it.
type Error struct {
	File    string // as given to Load
	Line    int    // 1-based; 0 for the file as a whole
	Path    string // such as emitters[3].model.radius_m
	Value   string // as written in the file; empty for what is missing
	Message string // what is expected
	Hint    string // how to mend it; may be empty
}

// Error gives "bench.rig.yaml:14: emitters[3].model.radius_m = -0.05: must be
// positive"; the hint is left to the caller.
func (e *Error) Error() string {
	s := e.File + ": "
	if e.Line > 0 {
		s = fmt.Sprintf("%s:%d: ", e.File, e.Line)
	}
	if e.Path != "" {
		s += e.Path
		if e.Value != "" {
			s += " = " + e.Value
		}
		s += ": "
	}
	return s + e.Message
}

// Errors is what is wrong with a rig file, in the file's order: never empty as
// an error, at most the first twenty. errors.As with *Error finds the first.
type Errors []*Error

func (es Errors) Error() string { return errors.Join(es.Unwrap()...).Error() }

// Unwrap lists the single errors.
func (es Errors) Unwrap() []error {
	out := make([]error, len(es))
	for i, e := range es {
		out[i] = e
	}
	return out
}

// sorted brings the errors into the file's order; nil when there are none.
func (es Errors) sorted() error {
	if len(es) == 0 {
		return nil
	}
	slices.SortStableFunc(es, func(a, b *Error) int { return cmp.Compare(a.Line, b.Line) })
	es = es.folded()
	return es[:min(len(es), 20)]
}

var anyIndex = regexp.MustCompile(`\[[0-9]+\]`)

// folded says once what is wrong in the same way at several elements of a list, with the
// lines of the others.
func (es Errors) folded() Errors {
	type slip struct{ path, value, message, hint string }
	var out Errors
	first, others := map[slip]*Error{}, map[*Error][]string{}
	for _, e := range es {
		s := slip{anyIndex.ReplaceAllString(e.Path, "[]"), e.Value, e.Message, e.Hint}
		if f := first[s]; f != nil && s.path != e.Path {
			others[f] = append(others[f], strconv.Itoa(e.Line))
			continue
		}
		first[s] = e
		out = append(out, e)
	}
	for e, lines := range others {
		in := " (and in line "
		if len(lines) > 1 {
			in = " (and in lines "
		}
		if n := len(lines); n > 8 {
			lines = append(lines[:7:7], fmt.Sprintf("… %s: %d in all", lines[n-1], n+1))
		}
		e.Message += in + strings.Join(lines, ", ") + ")"
	}
	return out
}
