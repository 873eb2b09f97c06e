package spectrum

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Tone is a frequency that is known to be there.
type Tone struct {
	Name        string
	Hz          float64
	ToleranceHz float64 // how far off it may be; harmonic n is then n times as far off
}

// Origin classes what a line comes from.
type Origin int

const (
	KnownTone Origin = iota + 1
	MainsHarmonic
	ToneHarmonic
	MainsSideband   // a tone plus or minus a harmonic of the mains
	Intermodulation // 2nd or 3rd order, of two or three tones
)

var originNames = [...]string{KnownTone: "tone", MainsHarmonic: "mains harmonic", ToneHarmonic: "harmonic",
	MainsSideband: "mains sideband", Intermodulation: "intermodulation"}

func (o Origin) String() string {
	return originNames[o]
}

// Explanation is one thing that a line may be.
type Explanation struct {
	Origin Origin
	Text   string  // such as "3 × mains", "2 × e1 − e4", "alias of 9 × e2"
	Hz     float64 // where the explanation has the line, after folding at fs/2
	Alias  bool    // the true frequency lies above fs/2
	// Chance is how likely a line at a random frequency would be explained by
	// something at least this simple. Near 1 the explanation explains nothing.
	Chance float64
}

const (
	toneHarmonics    = 20
	sidebandMultiple = 10
)

// Catalogue holds the frequencies that known tones and the mains can make:
// harmonics of the mains up to the 100th, as far as its sigma tells them apart, and
// of each tone up to the 20th, tones plus or minus up to 10 times the mains, all 2nd
// and 3rd order intermodulation products, and the aliases of all these.
type Catalogue struct {
	rateHz  float64
	names   []string // of tones; the mains comes last
	entries []entry  // rising in hz
}

// entry is Σ times[i]·f[of[i]]; of = −1 is empty.
type entry struct {
	hz, toleranceHz float64
	rank            float64 // lower is simpler
	of              [3]int16
	times           [3]int8
	origin          Origin
	alias           bool
}

// NewCatalogue returns what tones and mains can make at the sample rate. A mains of
// 0 Hz means that there is none.
func NewCatalogue(rateHz float64, tones []Tone, mains Mains) *Catalogue {
	c := &Catalogue{rateHz: rateHz}
	hz, tol := make([]float64, 0, len(tones)+1), make([]float64, 0, len(tones)+1)
	for _, t := range tones {
		c.names = append(c.names, t.Name)
		hz, tol = append(hz, t.Hz), append(tol, t.ToleranceHz)
	}
	c.names = append(c.names, "mains")
	hz, tol = append(hz, mains.Hz), append(tol, 3*mains.SigmaHz)

	add := func(origin Origin, rank float64, parts ...int) { // pairs of index, multiple
		e := entry{origin: origin, rank: rank, of: [3]int16{-1, -1, -1}}
		for i := 0; i < len(parts); i += 2 {
			e.of[i/2], e.times[i/2] = int16(parts[i]), int8(parts[i+1])
			e.hz += hz[parts[i]] * float64(parts[i+1])
			e.toleranceHz += tol[parts[i]] * math.Abs(float64(parts[i+1]))
		}
		if e.hz < 0 {
			e.hz = -e.hz
			for i := range e.times {
				e.times[i] = -e.times[i]
			}
		}
		if e.hz > rateHz/2 {
			e.alias = true
			e.rank++
			e.hz = Alias(e.hz, rateHz)
		}
		c.entries = append(c.entries, e)
	}
	m, signs := len(tones), []int{1, -1}
	if mains.Hz > 0 {
		for n := 1; n <= MostHarmonics && 3*float64(n)*mains.SigmaHz < mains.Hz/4; n++ {
			add(MainsHarmonic, 1+0.01*float64(n), m, n)
		}
	}
	for i := range tones {
		add(KnownTone, 0, i, 1)
		for n := 2; n <= toneHarmonics; n++ {
			add(ToneHarmonic, 1+0.1*float64(n), i, n)
		}
		if mains.Hz > 0 {
			for n := 1; n <= sidebandMultiple; n++ {
				for _, sign := range signs {
					add(MainsSideband, 2+0.1*float64(n), i, 1, m, sign*n)
				}
			}
		}
		for j := range tones {
			for _, sign := range signs {
				if j != i {
					add(Intermodulation, 3, i, 2, j, sign)
				}
				if j <= i {
					continue
				}
				add(Intermodulation, 2, i, 1, j, sign)
				for k := j + 1; k < len(tones); k++ {
					add(Intermodulation, 4, i, 1, j, sign, k, 1)
					add(Intermodulation, 4, i, 1, j, sign, k, -1)
				}
			}
		}
	}
	slices.SortFunc(c.entries, func(a, b entry) int { return cmp.Compare(a.hz, b.hz) })
	return c
}

// Explain returns what a line at hz may be, the simplest first and among equals the
// nearest, at most five; nothing if nothing known lies within toleranceHz plus the
// tones' own tolerance.
func (c *Catalogue) Explain(hz, toleranceHz float64) []Explanation {
	var found []entry
	for _, e := range c.entries {
		if math.Abs(hz-e.hz) <= toleranceHz+e.toleranceHz {
			found = append(found, e)
		}
	}
	slices.SortStableFunc(found, func(a, b entry) int {
		return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(math.Abs(hz-a.hz), math.Abs(hz-b.hz)))
	})
	var out []Explanation
	for _, e := range found[:min(len(found), 5)] {
		out = append(out, Explanation{e.origin, c.text(e), e.hz, e.alias, c.chance(e.rank, toleranceHz)})
	}
	return out
}

// chance returns the share of 0..fs/2 that lies near an entry of at most that rank.
func (c *Catalogue) chance(rank, toleranceHz float64) float64 {
	covered, end := 0.0, 0.0
	for _, e := range c.entries {
		if e.rank > rank {
			continue
		}
		t := toleranceHz + e.toleranceHz
		lo, hi := math.Max(end, e.hz-t), math.Min(e.hz+t, c.rateHz/2)
		if hi > lo {
			covered += hi - lo
			end = hi
		}
	}
	return covered / (c.rateHz / 2)
}

func (c *Catalogue) text(e entry) string {
	var b strings.Builder
	if e.alias {
		b.WriteString("alias of ")
	}
	first := true
	// A positive part first: "e2 − e1", not "−e1 + e2".
	for _, sign := range []int{1, -1} {
		for i, of := range e.of {
			n := int(e.times[i]) * sign
			if of < 0 || n <= 0 {
				continue
			}
			switch {
			case sign < 0:
				b.WriteString(" − ")
			case !first:
				b.WriteString(" + ")
			}
			first = false
			if n > 1 {
				fmt.Fprintf(&b, "%d × ", n)
			}
			b.WriteString(c.names[of])
		}
	}
	return b.String()
}

// Alias is where a frequency appears after sampling at a rate: between 0 and half
// of it [Hz].
func Alias(hz, rateHz float64) float64 { return math.Abs(math.Remainder(hz, rateHz)) }
