package yamltree

import (
	"strings"
	"testing"
)

// Each change is what a hand would make, whatever begins the text or ends its lines.
func TestEdits(t *testing.T) {
	for name, c := range map[string]struct {
		before string
		change func(e *Edits, root *Node)
		after  string
	}{
		"scalar":                    {"µ: [1,  2 ] # 2\n", func(e *Edits, root *Node) { e.Replace(root.Get("µ").Items[1], "30") }, "µ: [1,  30 ] # 2\n"},
		"alias":                     {"a: &x {b: 1}\nc: *x # x\n", func(e *Edits, root *Node) { e.Replace(root.Get("c"), "{b: 2}") }, "a: &x {b: 1}\nc: {b: 2} # x\n"},
		"value behind an anchor":    {"a: &x 1\nc: *x\n", func(e *Edits, root *Node) { e.Replace(root.Get("a"), "2") }, "a: &x 2\nc: *x\n"},
		"key of one line":           {"a: {b: 1 } # c\n", func(e *Edits, root *Node) { e.InsertKey(root.Get("a"), "k", "2") }, "a: {b: 1, k: 2 } # c\n"},
		"key of lines in brackets":  {"a: {\n  b: 1, # one\n  c: 2, # two\n}\n", func(e *Edits, root *Node) { e.InsertKey(root.Get("a"), "k", "2") }, "a: {\n  b: 1, # one\n  k: 2, c: 2, # two\n}\n"},
		"key of a block":            {"a:\n  name: b\n\n  # of c\n  c: 1\n", func(e *Edits, root *Node) { e.InsertKey(root.Get("a"), "k", "2") }, "a:\n  name: b\n  k: 2\n\n  # of c\n  c: 1\n"},
		"key of a block of one":     {"- name: b # first\n", func(e *Edits, root *Node) { e.InsertKey(root.Items[0], "k", "2") }, "- k: 2\n  name: b # first\n"},
		"two keys at one place":     {"a: {b: 1}\n", func(e *Edits, root *Node) { m := root.Get("a"); e.InsertKey(m, "k", "2"); e.InsertKey(m, "l", "3") }, "a: {b: 1, k: 2, l: 3}\n"},
		"one key, asked for twice":  {"a: {b: 1}\n", func(e *Edits, root *Node) { m := root.Get("a"); e.InsertKey(m, "k", "2"); e.InsertKey(m, "k", "2") }, "a: {b: 1, k: 2}\n"},
		"block in the middle":       {"a: 1\nb:\n  c: 2\n\n# of d\nd: 3\n", func(e *Edits, root *Node) { setBlock(e, root) }, "a: 1\nb:\n  x: 9\n\n# of d\nd: 3\n"},
		"block at the end":          {"a: 1\nb: {c: 2}\n", func(e *Edits, root *Node) { setBlock(e, root) }, "a: 1\nb:\n  x: 9\n"},
		"new block, line not ended": {"a: 1", func(e *Edits, root *Node) { setBlock(e, root) }, "a: 1\nb:\n  x: 9\n"},
		"head":                      {"a: 1\n", func(e *Edits, root *Node) { e.Head("# new") }, "# new\na: 1\n"},
		"head that is there":        {"a: 1\n# new\n", func(e *Edits, root *Node) { e.Head("# new") }, "a: 1\n# new\n"},
		"head above a block":        {"b: 1\n", func(e *Edits, root *Node) { e.Head("# new"); setBlock(e, root) }, "# new\nb:\n  x: 9\n"},
	} {
		for _, mark := range []string{"", "\ufeff"} {
			for _, newline := range []string{"\n", "\r\n"} {
				if !strings.Contains(c.before, "\n") && newline != "\n" {
					continue // no line says how lines end
				}
				dress := func(s string) string { return mark + strings.ReplaceAll(s, "\n", newline) }
				before := dress(c.before)
				e := NewEdits([]byte(before))
				c.change(e, parse(t, before))
				after, err := e.Text()
				if err != nil || string(after) != dress(c.after) {
					t.Errorf("%s: got %q, %v, want %q", name, after, err, dress(c.after))
				}
			}
		}
	}
}

func setBlock(e *Edits, root *Node) {
	if err := e.SetBlock(root, "b", "b:"+e.Newline+"  x: 9"+e.Newline); err != nil {
		panic(err)
	}
}

func TestEditsWithoutPlace(t *testing.T) {
	const text = "a: {<<: {b: 1}}\nc: d\n"
	root := parse(t, text)
	e := NewEdits([]byte(text))
	if e.InsertKey(&Node{Kind: Mapping}, "k", "1") {
		t.Error("a key was added to a mapping that has none of its own")
	}
	e.Replace(root.Get("c"), "x")
	e.Replace(root.Get("c"), "y")
	if _, err := e.Text(); err == nil || err.Error() != "two changes of one value" {
		t.Errorf("two changes of one value: %v", err)
	}
	e = NewEdits([]byte("a: 1\n"))
	e.Replace(root.Get("c"), "x")
	if _, err := e.Text(); err == nil || err.Error() != `"d" not found in line 2` {
		t.Errorf("a change of another text: %v", err)
	}
	for text, want := range map[string]string{
		"{a: 1}\n": "is one flow mapping, to which no block can be added",
		"  a: 1\n": "has an indented top level, to which no block can be added",
	} {
		if err := NewEdits([]byte(text)).SetBlock(parse(t, text), "b", "b: 1\n"); err == nil || err.Error() != want {
			t.Errorf("%q: got %v, want %s", text, err, want)
		}
	}
}
