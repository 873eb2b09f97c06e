package yamltree

import (
	"strings"
	"testing"
)

func TestNoTree(t *testing.T) {
	for text, want := range map[string]Error{
		"a: 1\rb: 2\n":                                    {1, "has a carriage return inside a line", "end lines by a line feed"},
		strings.Repeat("[", 65):                           {1, "nests deeper than 64", "close the brackets that are open, or check that it is the file meant"},
		"a: 1\n---\nb: 2\n":                               {3, "a second YAML document begins here", "a rig file holds one document; remove the --- line and what follows"},
		"a: 1\nb: *a\n":                                   {2, "*a refers to no anchor above it", "write &a before the value that is meant, or quotes about what is no alias"},
		"a: 1\nb: !!str c\n":                              {2, "the tag !!str is not part of a rig file", "write the value alone"},
		"a: 1\n? b\n: c\n":                                {2, "complex keys (?) are not part of a rig file", "write key: value"},
		"a: &a 1\nb:\n  <<: *a\n":                         {3, "<< needs a mapping", "give an alias of one, or a list of such"},
		"a:\n  b: 1\n   c: 2\n":                           {3, "wrong indentation", "it stands 3 spaces in; the depth of line 2 is 2: what belongs together begins in one column"},
		"a:\n    b: 1\n  c: 2\nd: 3\n":                    {3, "wrong indentation", "it stands 2 spaces in; the depth of line 1 is 0, of line 2 4: what belongs together begins in one column"},
		"{" + strings.Repeat("k: 1, ", maxKeys) + "k: 1}": {1, "a mapping has 1001 keys, more than any of a rig file", "check that it is one"},
	} {
		root, invalid := Parse("rig file", []byte(text))
		if root != nil || invalid == nil || *invalid != want {
			t.Errorf("%.30q: got %+v, %+v, want %+v", text, root, invalid, want)
		}
	}
	for _, text := range []string{"", "# nothing\n", "---\n"} {
		if root, invalid := Parse("rig file", []byte(text)); root != nil || invalid != nil {
			t.Errorf("%q: got %v, %v, want no tree and no error", text, root, invalid)
		}
	}
}

func TestKeysThatStandTwice(t *testing.T) {
	root := parse(t, "a: 1\nb: 2\na: 3\n")
	if len(root.Twice) != 1 || root.Twice[0].Key != "a" || root.Twice[0].At != (Position{3, 1}) || root.Get("a").Text != "1" || root.Get("c") != nil {
		t.Errorf("%+v", root)
	}
}
