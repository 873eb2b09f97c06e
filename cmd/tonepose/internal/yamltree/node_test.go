package yamltree

import (
	"strings"
	"testing"
)

func parse(t *testing.T, text string) *Node {
	t.Helper()
	root, invalid := Parse("rig file", []byte(text))
	if invalid != nil {
		t.Fatal(invalid)
	}
	return root
}

// The example of "Merge Key Language-Independent Type for YAML Version 1.1" (Ben-Kiki,
// Evans, Ingerson, 2005, https://yaml.org/type/merge.html; written down from memory):
// the last four mappings are equal.
func TestMergesOfTheSpecification(t *testing.T) {
	root := parse(t, `
- &CENTER { x: 1, y: 2 }
- &LEFT { x: 0, y: 2 }
- &BIG { r: 10 }
- &SMALL { r: 1 }

- # Explicit keys
  x: 1
  y: 2
  r: 10
  label: center/big

- # Merge one map
  << : *CENTER
  r: 10
  label: center/big

- # Merge multiple maps
  << : [ *CENTER, *BIG ]
  label: center/big

- # Override
  << : [ *BIG, *LEFT, *SMALL ]
  x: 1
  label: center/big
`)
	want := map[string]string{"x": "1", "y": "2", "r": "10", "label": "center/big"}
	for i, m := range root.Items[4:] {
		if len(m.Entries) != len(want) {
			t.Errorf("mapping %d is %s", i, m.Inline())
		}
		for key, value := range want {
			if n := m.Get(key); n == nil || n.Text != value {
				t.Errorf("mapping %d is %s", i, m.Inline())
			}
		}
	}
	if e := root.Items[5].Entry("y"); !e.Merged || e.At != (Position{14, 3}) {
		t.Errorf("a merged key is %+v, want it where << stands", e)
	}
}

// What the tree says of a place, the text has there: counted in lines and runes, whatever
// begins the text or ends its lines.
func TestPlaces(t *testing.T) {
	const text = `# µ before all
bench: {é: 1, "ü": 'two', long: [a, β, "γ"]} # µ
lists:
- - inner
  - &x other # comment
- key: value
  µkey: *x
  empty:
`
	for name, dressed := range map[string]string{"plain": text, "CRLF": strings.ReplaceAll(text, "\n", "\r\n"), "marked": "\ufeff" + text} {
		lines := strings.Split(text, "\n")
		stands := func(p Position, what string) {
			if rest := string([]rune(lines[p.Line-1])[p.Column-1:]); !strings.HasPrefix(strings.TrimLeft(rest, `"'`), what) {
				t.Errorf("%s: line %d, column %d has %q, want %q", name, p.Line, p.Column, rest, what)
			}
		}
		scalars := 0
		var walk func(n *Node)
		walk = func(n *Node) {
			switch {
			case n.Alias != "":
				stands(n.At, "*"+n.Alias)
			case n.Null: // nothing is written
			case n.Kind == Scalar:
				stands(n.At, n.Text)
				scalars++
			}
			for _, item := range n.Items {
				walk(item)
			}
			for _, e := range n.Entries {
				stands(e.At, e.Key)
				walk(e.Value)
			}
		}
		walk(parse(t, dressed))
		if scalars != 8 { // 1, two, a, β, γ, inner, other, value
			t.Errorf("%s: %d scalars", name, scalars)
		}
	}
}

func TestValuesInMessages(t *testing.T) {
	root := parse(t, "a: [1, 'x', null, [2, [3, [4]]], 5, 6, 7]\nb: &b {c: 8}\nd: *b\n")
	for key, want := range map[string][2]string{
		"a": {`[1, "x", null, [2, [3, …]], 5, 6, …]`, `[1, "x", null, [2, [3, [4]]], 5, 6, 7]`},
		"d": {"{c: 8}", "{c: 8}"},
	} {
		n := root.Get(key)
		if n.String() != want[0] || n.Inline() != want[1] {
			t.Errorf("%s is %s, whole %s", key, n, n.Inline())
		}
	}
	if s := Shorten("a\nb" + strings.Repeat("µ", 100)); s != "a b"+strings.Repeat("µ", 57)+"…" {
		t.Errorf("shortened to %s", s)
	}
}
