// Package exposure compares the field of a bench with published reference
// levels for people: ICNIRP, Guidelines for limiting exposure to time-varying
// electric and magnetic fields (1 Hz to 100 kHz), Health Physics 99(6):818–836,
// 2010, whose magnetic reference levels run to 10 MHz.
//
// It is arithmetic, not an assessment: reference levels are rms values of the
// field without a person in it, they concern nerve stimulation only (above
// 100 kHz limits on heating apply besides), they do not assure implants, and
// what is binding is local law, judged by whoever is licensed to. Clinical use is
// out of scope.
//
// NewBench takes the Emitters; its At tells the Field at a point, Largest the largest at a distance, Reaches how far from
// each coil the levels are exceeded. ReferenceLevel and Ratio are the published arithmetic alone. Fields are in tesla rms,
// places in metres in the rig frame.
package exposure

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/fieldmodels"
)

// Group is whom a reference level is for.
type Group int

// Groups of ICNIRP 2010.
const (
	GeneralPublic Group = iota
	Occupational
	groups = iota
)

// The band of the magnetic reference levels [Hz]; above HeatingHz limits on
// heating apply besides.
const (
	LowestHz  = 1.0
	HighestHz = 10e6
	HeatingHz = 100e3
)

// StaticImplantT is the static flux density [T] above which people with implanted
// electronic devices or ferromagnetic implants may be harmed. It says nothing of
// alternating fields.
//
// Source: ICNIRP, Guidelines on limits of exposure to static magnetic fields,
// Health Physics 96(4):504–514, 2009 (the sentence as quoted in a public archive).
const StaticImplantT = 0.5e-3

// ReferenceLevel returns the magnetic reference level [T rms] at hz. At 3 kHz,
// where two bands of the general public's table disagree by their rounding, the
// lower one counts. Outside 1 Hz to 10 MHz there is none: an error.
//
// Source: ICNIRP 2010, Tables 3 and 4.
func ReferenceLevel(g Group, hz float64) (float64, error) {
	for _, b := range bands[g] {
		if hz >= LowestHz && hz <= b.to {
			return b.tesla / math.Pow(hz, b.power), nil
		}
	}
	return 0, fmt.Errorf("exposure: %g Hz: ICNIRP 2010 has magnetic reference levels from 1 Hz to 10 MHz", hz)
}

// bands of the reference levels: tesla/hz^power up to a frequency [Hz].
var bands = [groups][]struct{ to, tesla, power float64 }{
	GeneralPublic: {{8, 4e-2, 2}, {25, 5e-3, 1}, {400, 2e-4, 0}, {3000, 8e-2, 1}, {HighestHz, 2.7e-5, 0}},
	Occupational:  {{8, 0.2, 2}, {25, 2.5e-2, 1}, {300, 1e-3, 0}, {3000, 0.3, 1}, {HighestHz, 1e-4, 0}},
}

// Tone is one frequency of a field at a point.
type Tone struct {
	Hz   float64
	BRMS float64 // [T]
}

// Ratio returns Σ B_k/B_ref(f_k), which the guideline wants not above 1.
//
// Source: ICNIRP 2010, equation (5): the summation for stimulation, which takes
// all tones to peak together.
func Ratio(g Group, tones []Tone) (float64, error) {
	sum := 0.0
	for _, t := range tones {
		level, err := ReferenceLevel(g, t.Hz)
		if err != nil {
			return 0, err
		}
		sum += t.BRMS / level
	}
	return sum, nil
}

// Emitter is a driven coil of the bench.
type Emitter struct {
	fieldmodels.Emitter
	Hz          float64
	CurrentPeak float64 // [A]
}

// Field is that of a bench at a point.
type Field struct {
	PeakT float64         // Σ of the tones' peaks: what the field can reach when all align
	RMST  float64         // root of the sum of the tones' squares
	Ratio [groups]float64 // by Group: Σ B/B_ref
}

// Bench is a set of emitters with the reference levels of their tones.
type Bench struct {
	emitters []Emitter
	levels   [groups][]float64
}

// NewBench prepares emitters; a tone outside the reference levels' band is an
// error.
func NewBench(emitters []Emitter) (*Bench, error) {
	b := &Bench{emitters: emitters}
	if len(emitters) == 0 {
		return nil, fmt.Errorf("exposure: no emitters")
	}
	for _, e := range emitters {
		for g := range Group(groups) {
			level, err := ReferenceLevel(g, e.Hz)
			if err != nil {
				return nil, fmt.Errorf("emitter %s: %w", e.Name, err)
			}
			b.levels[g] = append(b.levels[g], level)
		}
	}
	return b, nil
}

// At returns the field at p [m]; on a conductor it is infinite.
func (b *Bench) At(p r3.Vec) Field {
	var f Field
	squares := 0.0
	for i, e := range b.emitters {
		peak := math.Inf(1)
		if v, err := e.Source.Field(p); err == nil {
			// r3.Norm takes several times as long, for fields of 1e±150 T.
			peak = math.Sqrt(r3.Norm2(v)) * e.CurrentPeak
		}
		rms := peak / math.Sqrt2
		f.PeakT += peak
		squares += rms * rms
		for g := range f.Ratio {
			f.Ratio[g] += rms / b.levels[g][i]
		}
	}
	f.RMST = math.Sqrt(squares)
	return f
}
