package document

import (
	"fmt"
	"math"
	"strings"

	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/verdict"
)

// grade is how good an answer is; more is worse.
type grade int

const (
	sound grade = iota
	doubtful
	wrong
)

func (g grade) String() string { return [...]string{"sound", "in doubt", "wrong"}[g] }

func (g grade) answer() string { return [...]string{"yes", "in doubt", "no"}[g] }

// Answer is one of the five questions to a run, answered.
type Answer struct {
	Question, Answer, Why string
	Short                 string // the answer in a few words
	grade
}

// Grade is how good it is: sound, in doubt or wrong.
func (a *Answer) Grade() string { return a.grade.String() }

// Answers are those to the five questions, in their order.
func (v *Evidence) Answers() []Answer {
	return []Answer{v.samples(), v.tones(), v.fits(), v.where(), v.believed()}
}

// verdict is the worst of the answers, with its reason.
func verdictOf(all []Answer) (worst grade, why string) {
	for _, a := range all {
		if a.grade > worst {
			worst, why = a.grade, a.Why
		}
	}
	return worst, why
}

// partly is sound for none of the rows, wrong for more than half.
func partly(n, of int) grade {
	switch {
	case n == 0:
		return sound
	case 2*n <= of:
		return doubtful
	}
	return wrong
}

func (v *Evidence) samples() Answer {
	a := Answer{Question: "Are the samples sound?", Why: fmt.Sprintf("no faults in %d rows", v.Rows), Short: "no faults"}
	var named []string
	most := 0
	for name, rows := range v.Flags.All {
		if f, err := verdict.ParseFlags(name); err == nil && f&verdict.SampleFaults != 0 {
			named = append(named, fmt.Sprintf("%s in %d", name, rows))
			most = max(most, rows)
		}
	}
	if most > 0 {
		a.Why = fmt.Sprintf("%s of %d rows", strings.Join(named, ", "), v.Rows)
		a.Short = fmt.Sprintf("%d of %d faulty", most, v.Rows)
	}
	if v.Margin != "" {
		a.Why += "; " + v.Margin
	}
	a.grade = partly(most, v.Rows)
	a.Answer = a.answer()
	return a
}

// A tone under 10 sigmas is in doubt, under 3 it is not seen: the phase of its
// coupling is then known to no better than 6 and 20 degrees.
const clearSigmas, seenSigmas = 10, 3

func (v *Evidence) tones() Answer {
	a := Answer{Question: "Does every tone stand clear?", Answer: "–", Why: "the run kept no phasors", Short: "no phasors kept"}
	least := math.Inf(1)
	for _, s := range v.Sensors {
		for e, clear := range s.Clear {
			if clear < least {
				least = clear
				a.Short = fmt.Sprintf("least %s σ (%s)", present.Number(clear, 3), v.Emitters[e])
				a.Why = fmt.Sprintf("all coils of %s together, least %s σ (%s at %s s)", s.Name, present.Number(clear, 3), v.Emitters[e], present.Number(s.At[e], 4))
			}
		}
	}
	if math.IsInf(least, 1) {
		return a
	}
	if least < clearSigmas {
		a.grade = doubtful
	}
	if least < seenSigmas {
		a.grade = wrong
	}
	a.Answer = a.answer()
	return a
}

func (v *Evidence) fits() Answer {
	a := Answer{Question: "Do the couplings fit?"}
	bad := 0
	for name, rows := range v.Flags.All {
		if f, err := verdict.ParseFlags(name); err == nil && f&(verdict.Distorted|verdict.WrongChannel|verdict.NotConverged|verdict.DisturbedTone) != 0 {
			bad = max(bad, rows)
		}
	}
	var words []string
	unlikely, judged := 0, 0
	chi2, dof, rows := 0.0, 0.0, 0.0
	for _, s := range v.Sensors {
		text := ""
		chi2, dof, rows = chi2+s.Chi2, dof+s.DOF, rows+float64(s.Poses)
		if s.DOF > 0 {
			n := float64(s.Poses)
			text = fmt.Sprintf("mean χ² %s of %s", present.Number(s.Chi2/n, 3), present.Number(s.DOF/n, 3))
			if s.Quadratics > 0 {
				text += fmt.Sprintf("; quadrature %s of %s", present.Number(s.Quadrature/n, 3), present.Number(s.Quadratics/n, 3))
			}
		}
		if len(v.Sensors) > 1 {
			text = s.Name + " " + text
		}
		words = append(words, text)
		judged, unlikely = judged+s.Judged, unlikely+s.Doubtful
	}
	if bad > 0 {
		words = append(words, fmt.Sprintf("%d of %d rows flagged", bad, v.Rows))
	}
	if dof > 0 {
		a.Short = fmt.Sprintf("mean χ² %s of %s", present.Number(chi2/rows, 3), strings.TrimSuffix(present.Number(dof/rows, 3), ".0"))
	}
	a.grade = partly(bad, v.Rows)
	if expected := 2 * verdict.Doubtful * float64(judged); float64(unlikely) > expected+4*math.Sqrt(expected)+1 {
		words = append(words, fmt.Sprintf("%d more in doubt, where noise makes %s", unlikely, present.Number(expected, 2)))
		a.grade = max(a.grade, doubtful)
	}
	a.Why, a.Answer = strings.Join(words, "; "), a.answer()
	return a
}

func (v *Evidence) where() Answer {
	a := Answer{Question: "Where is the sensor, how sure?", Answer: "–", Why: "no pose came out", Short: "no pose"}
	lo, hi, outside := math.Inf(1), math.Inf(-1), 0
	for _, s := range v.Sensors {
		lo, hi = min(lo, s.LeastSigma), max(hi, s.MostSigma)
		outside += s.Outside
	}
	a.grade = max(partly(v.Unsolved, v.Rows), partly(outside, v.Rows))
	if v.Unsolved == v.Rows {
		a.grade = wrong
	}
	if lo <= hi {
		a.Answer = fmt.Sprintf("σ %s to %s", present.Quantity(lo, "m"), present.Quantity(hi, "m"))
		a.Short, a.Why = a.Answer, "inside the working volume at all times"
	}
	if outside > 0 {
		a.Why = fmt.Sprintf("outside of the working volume in %d of %d rows", outside, v.Rows)
	}
	if v.Unsolved > 0 {
		a.Why += fmt.Sprintf("; %d of %d rows have no pose", v.Unsolved, v.Rows)
	}
	return a
}

func (v *Evidence) believed() Answer {
	a := Answer{Question: "May I believe it?", Short: fmt.Sprintf("%d of %d flagged", v.Flags.Flagged, v.Rows)}
	switch sum := v.Assessment; {
	case sum == nil && v.Flags.Flagged == 0:
		a.Why = "no truth was given: the samples show nothing against it"
	case sum == nil:
		a.grade = partly(v.Flags.Flagged, v.Rows)
		a.Why = fmt.Sprintf("no truth was given; %d of %d rows are flagged", v.Flags.Flagged, v.Rows)
	case sum.WithCovariance == 0:
		a.grade, a.Why = doubtful, "no pose states its uncertainty"
	default:
		a.Why = fmt.Sprintf("squared error %s of the predicted one; %s %% inside their 95 %% region", present.Number(sum.NormalisedMean, 3), present.Number(100*sum.Coverage95, 3))
		a.Short = fmt.Sprintf("%s %% inside 95 %%", present.Number(100*sum.Coverage95, 3))
		// Three standard deviations of a share of 95 %, and two points for the prediction itself.
		if spread := 3 * math.Sqrt(0.95*0.05/float64(sum.WithCovariance)); sum.Coverage95 < 0.93-spread {
			a.grade = doubtful
		}
		if sum.Coverage95 < 0.5 {
			a.grade = wrong
		}
	}
	a.Answer = a.answer()
	return a
}
