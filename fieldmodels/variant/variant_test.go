package variant

import (
	"slices"
	"testing"
)

// withLevels registers a kernel of numbers for which the processor has the levels
// marked as there.
func withLevels(t *testing.T, there ...bool) (*int, *Kernel[int], []*Level) {
	before := kernels
	t.Cleanup(func() { kernels = before })
	inUse := 1
	k := New("number", &inUse)
	levels := []*Level{Go}
	for i, ok := range there {
		l := &Level{string(rune('a' + i)), append(slices.Clip(levels[i].features), feature{string(rune('a' + i)), &ok})}
		levels = append(levels, l)
		k.Add(l, 10*(i+1))
	}
	return &inUse, k, levels
}

func TestTheFastestThatTheProcessorRunsIsChosen(t *testing.T) {
	for _, c := range []struct {
		there []bool
		want  int
	}{{nil, 1}, {[]bool{true, true}, 20}, {[]bool{true, false}, 10}, {[]bool{false, false}, 1}} {
		inUse, k, levels := withLevels(t, c.there...)
		if *inUse != c.want {
			t.Errorf("%v: %d in use, want %d", c.there, *inUse, c.want)
		}
		if want := levels[c.want/10]; k.Chosen() != want {
			t.Errorf("%v: chosen %s, want %s", c.there, k.Chosen().Name, want.Name)
		}
	}
}

func TestEachRunsWhatIsThereAndRestores(t *testing.T) {
	inUse, k, levels := withLevels(t, true, false)
	var got []int
	for range k.Each() {
		got = append(got, *inUse)
	}
	if !slices.Equal(got, []int{1, 10}) || *inUse != 10 {
		t.Errorf("ran %v and left %d, want 1 and 10 and left 10", got, *inUse)
	}
	for range k.Each() {
		break
	}
	if *inUse != 10 {
		t.Errorf("a loop that was left restores %d, want 10", *inUse)
	}
	all := All()
	want := []Variant{
		{"number", Go, false, true},
		{"number", levels[1], true, true},
		{"number", levels[2], false, false},
	}
	if !slices.Equal(all[len(all)-3:], want) {
		t.Errorf("list %v, want %v", all, want)
	}
	if missing := levels[2].Missing(); !slices.Equal(missing, []string{"b"}) {
		t.Errorf("missing %v, want b", missing)
	}
}

func TestUseGo(t *testing.T) {
	inUse, _, _ := withLevels(t, true, true)
	restore := UseGo()
	if *inUse != 1 {
		t.Errorf("%d in use, want the definition, 1", *inUse)
	}
	restore()
	if *inUse != 20 {
		t.Errorf("restored %d, want 20", *inUse)
	}
}
