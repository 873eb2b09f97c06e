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
func (run *Run) Answers() []Answer {
	return []Answer{run.samples(), run.tones(), run.fits(), run.where(), run.believed()}
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

func (run *Run) samples() Answer {
	a := Answer{Question: "Are the samples sound?", Why: fmt.Sprintf("no faults in %d rows", run.Rows), Short: "no faults"}
	var named []string
	most := 0
	for name, rows := range run.Flags.All {
		if f, err := verdict.ParseFlags(name); err == nil && f&verdict.SampleFaults != 0 {
			named = append(named, fmt.Sprintf("%s in %d", name, rows))
			most = max(most, rows)
		}
	}
	if most > 0 {
		a.Why = fmt.Sprintf("%s of %d rows", strings.Join(named, ", "), run.Rows)
		a.Short = fmt.Sprintf("%d of %d faulty", most, run.Rows)
	}
	if margin := run.margin(); margin != "" {
		a.Why += "; " + margin
	}
	a.grade = partly(most, run.Rows)
	a.Answer = a.answer()
	return a
}

// A tone under 10 sigmas is in doubt, under 3 it is not seen: the phase of its
// coupling is then known to no better than 6 and 20 degrees.
const clearSigmas, seenSigmas = 10, 3

func (run *Run) tones() Answer {
	a := Answer{Question: "Does every tone stand clear?", Answer: "–", Why: "the run kept no phasors", Short: "no phasors kept"}
	least := math.Inf(1)
	for _, s := range run.Sensors {
		if s.Tones == nil {
			continue
		}
		for e, clear := range s.Tones.Clear {
			if clear < least {
				least = clear
				a.Short = fmt.Sprintf("least %s σ (%s)", present.Number(clear, 3), run.Rig.Emitters[e].Name)
				a.Why = fmt.Sprintf("all coils of %s together, least %s σ (%s at %s s)", s.Name, present.Number(clear, 3), run.Rig.Emitters[e].Name, present.Number(s.Tones.At[e], 4))
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

func (run *Run) fits() Answer {
	a := Answer{Question: "Do the couplings fit?"}
	bad := 0
	for name, rows := range run.Flags.All {
		if f, err := verdict.ParseFlags(name); err == nil && f&(verdict.Distorted|verdict.WrongChannel|verdict.NotConverged|verdict.DisturbedTone) != 0 {
			bad = max(bad, rows)
		}
	}
	var words []string
	unlikely, judged := 0, 0
	chi2, dof, rows := 0.0, 0.0, 0.0
	for _, s := range run.Sensors {
		text := ""
		chi2, dof, rows = chi2+s.Series.sums.chi2, dof+s.Series.sums.dof, rows+float64(s.Poses)
		if sum := &s.Series.sums; sum.dof > 0 {
			n := float64(s.Poses)
			text = fmt.Sprintf("mean χ² %s of %s", present.Number(sum.chi2/n, 3), present.Number(sum.dof/n, 3))
			if sum.quadratics > 0 {
				text += fmt.Sprintf("; quadrature %s of %s", present.Number(sum.quadrature/n, 3), present.Number(sum.quadratics/n, 3))
			}
		}
		if len(run.Sensors) > 1 {
			text = s.Name + " " + text
		}
		words = append(words, text)
		for _, p := range s.Series.all() {
			if p.DOF > 0 && p.Flags == 0 {
				judged++
				if p.state == verdict.InDoubt {
					unlikely++
				}
			}
		}
	}
	if bad > 0 {
		words = append(words, fmt.Sprintf("%d of %d rows flagged", bad, run.Rows))
	}
	if dof > 0 {
		a.Short = fmt.Sprintf("mean χ² %s of %s", present.Number(chi2/rows, 3), strings.TrimSuffix(present.Number(dof/rows, 3), ".0"))
	}
	a.grade = partly(bad, run.Rows)
	if expected := 2 * verdict.Doubtful * float64(judged); float64(unlikely) > expected+4*math.Sqrt(expected)+1 {
		words = append(words, fmt.Sprintf("%d more in doubt, where noise makes %s", unlikely, present.Number(expected, 2)))
		a.grade = max(a.grade, doubtful)
	}
	a.Why, a.Answer = strings.Join(words, "; "), a.answer()
	return a
}

func (run *Run) where() Answer {
	a := Answer{Question: "Where is the sensor, how sure?", Answer: "–", Why: "no pose came out", Short: "no pose"}
	lo, hi, outside := math.Inf(1), math.Inf(-1), 0
	for _, s := range run.Sensors {
		lo, hi = min(lo, s.Series.sums.leastSigma), max(hi, s.Series.sums.mostSigma)
		outside += s.Outside
	}
	a.grade = max(partly(run.Unsolved, run.Rows), partly(outside, run.Rows))
	if run.Unsolved == run.Rows {
		a.grade = wrong
	}
	if lo <= hi {
		a.Answer = fmt.Sprintf("σ %s to %s", present.Quantity(lo, "m"), present.Quantity(hi, "m"))
		a.Short, a.Why = a.Answer, "inside the working volume at all times"
	}
	if outside > 0 {
		a.Why = fmt.Sprintf("outside of the working volume in %d of %d rows", outside, run.Rows)
	}
	if run.Unsolved > 0 {
		a.Why += fmt.Sprintf("; %d of %d rows have no pose", run.Unsolved, run.Rows)
	}
	return a
}

func (run *Run) believed() Answer {
	a := Answer{Question: "May I believe it?", Short: fmt.Sprintf("%d of %d flagged", run.Flags.Flagged, run.Rows)}
	switch sum := run.Assessment; {
	case sum == nil && run.Flags.Flagged == 0:
		a.Why = "no truth was given: the samples show nothing against it"
	case sum == nil:
		a.grade = partly(run.Flags.Flagged, run.Rows)
		a.Why = fmt.Sprintf("no truth was given; %d of %d rows are flagged", run.Flags.Flagged, run.Rows)
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
