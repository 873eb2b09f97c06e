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
			if slices.ContainsFunc(n.items, func(item *node) bool { return item.kind != scalar }) {
				for i, item := range n.items {
					walk(item, index(path, i))
				}
				return
			}
			leaves := make([]string, len(n.items))
			for i, item := range n.items {
				leaves[i] = item.leaf()
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

// differences are the paths whose values differ, or are in one alone.
func differences(want, got map[string]string) []string {
	all := maps.Clone(want)
	maps.Copy(all, got)
	maps.DeleteFunc(all, func(path, _ string) bool {
		w, wanted := want[path]
		g, there := got[path]
		return wanted == there && w == g
	})
	return slices.Sorted(maps.Keys(all))
}
