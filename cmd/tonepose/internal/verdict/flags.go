package verdict

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"
	"sync/atomic"
)

// Flags says what is doubtful about a row: a set of the bits below. The zero
// value means no doubt.
type Flags uint16

// The flags, in the order in which a table names them.
const (
	Clipped       Flags = 1 << iota // samples at the end of the converter's range, or at a level that the channel does not exceed
	Gap                             // samples missing inside the window
	Repeated                        // a block of samples came twice
	Stuck                           // a channel that does not move
	ReferenceLost                   // drive current absent or too small to measure
	Motion                          // phasors bend measurably inside the window
	Distorted                       // the couplings do not fit the field model: metal near
	WrongChannel                    // one channel or emitter exchanged, reversed or mis-scaled
	Ambiguous                       // a second pose fits as well
	OutsideVolume                   // the pose lies outside the working volume
	NotConverged                    // the fit stopped early
	Unobservable                    // the couplings do not fix the pose
	NotJudged                       // the fit could not be judged: the row of the integrity table says why
	DisturbedTone                   // a tone shares its frequency with something else: its couplings count less

	allFlags = 1<<iota - 1
)

var flagNames = [...]string{
	"clipped", "gap", "repeated", "stuck", "reference lost", "motion", "distorted",
	"wrong channel", "ambiguous", "outside working volume", "not converged", "unobservable",
	"not judged", "disturbed tone",
}

// formerNames are those of earlier schemas.
var formerNames = map[string]Flags{"outside volume": OutsideVolume}

// flagTexts keeps each text once it was asked for, so that a row costs no
// allocation.
var flagTexts [allFlags + 1]atomic.Pointer[string]

// String returns the names joined by ';' in their fixed order, empty for none.
// Bits without a name are left out.
func (f Flags) String() string {
	f &= allFlags
	if f == 0 {
		return ""
	}
	if s := flagTexts[f].Load(); s != nil {
		return *s
	}
	s := strings.Join(f.Names(), ";")
	flagTexts[f].Store(&s)
	return s
}

// Names lists the names of the set flags in their fixed order.
func (f Flags) Names() []string {
	f &= allFlags
	names := make([]string, 0, bits.OnesCount16(uint16(f)))
	for i, name := range flagNames {
		if f&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	return names
}

// ParseFlags reads what String writes, or wrote in earlier schemas: names in any
// order, spaces around them ignored. An unknown name is an error.
func ParseFlags(s string) (Flags, error) {
	var f Flags
	for len(s) > 0 {
		var name string
		name, s, _ = strings.Cut(s, ";")
		bit, ok := flagOf(strings.TrimSpace(name))
		if !ok {
			return 0, fmt.Errorf("flag %q: must be one of %s", name, strings.Join(flagNames[:], ", "))
		}
		f |= bit
	}
	return f, nil
}

func flagOf(name string) (Flags, bool) {
	if i := slices.Index(flagNames[:], name); i >= 0 {
		return 1 << i, true
	}
	f, ok := formerNames[name]
	return f, ok
}

// Counts counts rows by their flags.
type Counts struct {
	Rows    int // all
	Flagged int // with a flag
	by      [len(flagNames)]int
}

// Add counts a row.
func (c *Counts) Add(f Flags) {
	c.Rows++
	if f == 0 {
		return
	}
	c.Flagged++
	for i := range c.by {
		if f&(1<<i) != 0 {
			c.by[i]++
		}
	}
}

// All yields the flags that rows had, in their fixed order, with the number of
// these rows.
func (c *Counts) All(yield func(name string, rows int) bool) {
	for i, n := range c.by {
		if n > 0 && !yield(flagNames[i], n) {
			return
		}
	}
}
