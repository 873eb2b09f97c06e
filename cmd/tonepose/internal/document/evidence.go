package document

import (
	"cmp"
	"math"
	"slices"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
)

// Evidence is what the five questions to a run are answered from: sums over its rows, so
// that whoever goes through the tables anyway can answer without reading them again.
type Evidence struct {
	Rows       int
	Unsolved   int // rows without a pose
	Flags      verdict.Counts
	Emitters   []string
	Sensors    []*SensorEvidence // that have rows
	Margin     string            // of the samples, in words; empty: not known
	Assessment *assess.Summary   // nil: no truth is known
}

// SensorEvidence is what the rows of one sensor amount to.
type SensorEvidence struct {
	Name    string
	Rows    int
	Poses   int // rows with a pose
	Outside int // rows outside of the working volume

	// Sums over all poses: χ² and its degrees of freedom, and those of the quadrature parts.
	Chi2, DOF, Quadrature, Quadratics float64

	LeastSigma, MostSigma float64 // stated rms length of the error of position [m]; none: least > most
	Judged, Doubtful      int     // poses without a flag, and how many of them are in doubt

	// Least level of all coils over their noise, by emitter [sigmas], and when that was [s];
	// nil: the run kept no phasors.
	Clear, At []float64
}

// NewSensorEvidence is that of a sensor of which no row was seen yet.
func NewSensorEvidence(name string) *SensorEvidence {
	return &SensorEvidence{Name: name, LeastSigma: math.Inf(1), MostSigma: math.Inf(-1)}
}

// Pose takes a row of the table of poses.
func (s *SensorEvidence) Pose(p *tables.Pose) {
	s.Rows++
	if p.Estimate != nil {
		s.Poses++
	}
	if p.Flags&verdict.OutsideVolume != 0 {
		s.Outside++
	}
	if p.Covariance != nil {
		sigma := positionSigma(p.Covariance)
		s.LeastSigma, s.MostSigma = min(s.LeastSigma, sigma), max(s.MostSigma, sigma)
	}
	if p.DOF > 0 && tables.IsNumber(p.Chi2) {
		s.Chi2 += p.Chi2
		s.DOF += float64(p.DOF)
	}
}

// Worth takes what a row is worth.
func (s *SensorEvidence) Worth(v *tables.Integrity) {
	if v.QuadratureDOF > 0 && tables.IsNumber(v.QuadratureChi2) {
		s.Quadrature += v.QuadratureChi2
		s.Quadratics += float64(v.QuadratureDOF)
	}
}

// Row takes both of a row, of which it is known whether it is in doubt; v is nil where it
// is not known what the pose is worth.
func (s *SensorEvidence) Row(p *tables.Pose, v *tables.Integrity, doubtful bool) {
	s.Pose(p)
	if v != nil {
		s.Worth(v)
	}
	if p.DOF > 0 && p.Flags == 0 {
		s.Judged++
		if doubtful {
			s.Doubtful++
		}
	}
}

// positionSigma is the rms length of the stated error of position [m].
func positionSigma(c *tables.Covariance) float64 {
	return math.Sqrt(max(0, c.At(0, 0)+c.At(1, 1)+c.At(2, 2)))
}

// Levels are how far the tones stand over the noise of one sensor, all of its coils
// together: the least of all windows, which are taken one after the other.
type Levels struct {
	Clear, At []float64 // as SensorEvidence has them
	power     []float64 // by emitter
	seen      []bool
}

// NewLevels are those of so many emitters.
func NewLevels(emitters int) *Levels {
	l := &Levels{make([]float64, emitters), make([]float64, emitters), make([]float64, emitters), make([]bool, emitters)}
	for e := range l.Clear {
		l.Clear[e] = math.Inf(1)
	}
	return l
}

// Add takes the level of a tone on one of the sensor's coils, over its noise [sigmas].
func (l *Levels) Add(emitter int, ratio float64) {
	if tables.IsNumber(ratio) {
		l.power[emitter] += ratio * ratio
		l.seen[emitter] = true
	}
}

// End ends a window that was at a time [s].
func (l *Levels) End(time float64) {
	for e, power := range l.power {
		if level := math.Sqrt(power); l.seen[e] && level < l.Clear[e] {
			l.Clear[e], l.At[e] = level, time
		}
		l.power[e], l.seen[e] = 0, false
	}
}

// Finding is a finding in words, and in how many rows.
type Finding struct {
	Words string
	Rows  int
}

// Findings counts findings.
type Findings map[string]int

// mostFindings bounds how many different findings are kept.
const mostFindings = 64

// Add counts what was found in one more row; empty: nothing.
func (f Findings) Add(words string) {
	if words != "" && (f[words] > 0 || len(f) < mostFindings) {
		f[words]++
	}
}

// Listed are the findings, the most frequent first.
func (f Findings) Listed() (all []Finding) {
	for words, rows := range f {
		all = append(all, Finding{words, rows})
	}
	slices.SortFunc(all, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(b.Rows, a.Rows), cmp.Compare(a.Words, b.Words))
	})
	return all
}
