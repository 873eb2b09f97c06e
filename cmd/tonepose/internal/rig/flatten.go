package rig

import (
	"maps"
	"slices"
	"strconv"
	"strings"

	"tonepose/cmd/tonepose/internal/yamltree"
)

// flatten lists every scalar, and every list of scalars, by its path; numbers
// in their shortest form. The calibration block is compared apart.
func flatten(root *yamltree.Node) map[string]string {
	out := map[string]string{}
	var walk func(n *yamltree.Node, path string)
	walk = func(n *yamltree.Node, path string) {
		switch n.Kind {
		case yamltree.Scalar:
			out[path] = leaf(n)
		case yamltree.Mapping:
			for _, e := range n.Entries {
				if path != "" || e.Key != "calibration" {
					walk(e.Value, join(path, e.Key))
				}
			}
		case yamltree.List:
			if slices.ContainsFunc(n.Items, func(item *yamltree.Node) bool { return item.Kind != yamltree.Scalar }) {
				for i, item := range n.Items {
					walk(item, index(path, i))
				}
				return
			}
			leaves := make([]string, len(n.Items))
			for i, item := range n.Items {
				leaves[i] = leaf(item)
			}
			out[path] = "[" + strings.Join(leaves, ", ") + "]"
		}
	}
	walk(root, "")
	return out
}

// leaf is a scalar as paths are compared: a number in its shortest form.
func leaf(n *yamltree.Node) string {
	if n.Plain && decimal.MatchString(n.Text) {
		if x, err := strconv.ParseFloat(n.Text, 64); err == nil {
			return format(x)
		}
	}
	return n.Text
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
