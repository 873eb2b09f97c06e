package rig

import (
	"maps"
	"slices"
	"strconv"
	"strings"
)

// flatten lists every scalar, and every list of scalars, by its path; numbers
// in their shortest form. The calibration block is compared apart.
func flatten(root *node) map[string]string {
	out := map[string]string{}
	var walk func(n *node, path string)
	walk = func(n *node, path string) {
		switch n.kind {
		case scalar:
			out[path] = n.leaf()
		case mapping:
			for _, e := range n.entries {
				if path != "" || e.key != "calibration" {
					walk(e.value, join(path, e.key))
				}
			}
		case list:
			var leaves []string
			for _, item := range n.items {
				if item.kind != scalar {
					for i, item := range n.items {
						walk(item, index(path, i))
					}
					return
				}
				leaves = append(leaves, item.leaf())
			}
			out[path] = "[" + strings.Join(leaves, ", ") + "]"
		}
	}
	walk(root, "")
	return out
}

func (n *node) leaf() string {
	if n.plain && decimal.MatchString(n.text) {
		if x, err := strconv.ParseFloat(n.text, 64); err == nil {
			return format(x)
		}
	}
	return n.text
}

func differences(want, got map[string]string) []string {
	var out []string
	for _, path := range slices.Sorted(maps.Keys(want)) {
		if g, ok := got[path]; !ok || g != want[path] {
			out = append(out, path)
		}
	}
	for _, path := range slices.Sorted(maps.Keys(got)) {
		if _, ok := want[path]; !ok {
			out = append(out, path)
		}
	}
	return out
}
