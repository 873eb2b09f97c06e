package subject

import (
	"fmt"
	"math"
	"time"

	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/verdict"
)

// recently is how long the answers about a stream look back [s].
const recently = 10

// answered are the five questions about a stream, by its last seconds: renewed twice a
// second, with the lock of the stream.
func (f *Stream) answered() []answered {
	if time.Since(f.answerAt) < answersEvery {
		return f.answers
	}
	f.answerAt = time.Now()
	all := recent{least: math.Inf(1), low: math.Inf(1), high: math.Inf(-1)}
	for _, t := range f.Tracks {
		all.take(t)
	}
	f.answers = nil
	if all.rows > 0 {
		f.answers = all.answers(f.setup.Truth != nil)
	}
	return f.answers
}

// recent is what the last seconds showed.
type recent struct {
	rows, faulty, flagged, misfit, unlikely, solved int
	flags                                           verdict.Flags
	least                                           float64 // level of the tones over their noise
	chi2, dof                                       float64
	low, high                                       float64 // sigma of position [m]
	inside, judged                                  int     // errors within the 95 % radius
}

const misfits = verdict.Distorted | verdict.WrongChannel | verdict.NotConverged | verdict.DisturbedTone

func (a *recent) take(t *Track) {
	_, last, ok := t.Rows.Span()
	if !ok {
		return
	}
	p := t.Rows.Pick(last-recently, last, 2000, []int{ColumnClear, ColumnChi2, ColumnDOF, ColumnSigma, ColumnTrueError, ColumnError})
	for i, bits := range p.Flags {
		v := func(k int) float64 { return float64(p.Values[k][i]) }
		f := verdict.Flags(bits)
		if math.IsNaN(v(0)) && f == 0 && math.IsNaN(v(1)) {
			continue // a gap
		}
		a.rows++
		a.flags |= f
		if f != 0 {
			a.flagged++
		}
		if f&verdict.SampleFaults != 0 {
			a.faulty++
		}
		if f&misfits != 0 {
			a.misfit++
		}
		a.least = min(a.least, v(0))
		if v(2) > 0 && !math.IsNaN(v(1)) {
			a.chi2, a.dof, a.solved = a.chi2+v(1), a.dof+v(2), a.solved+1
			if bits == InDoubt {
				a.unlikely++
			}
		}
		if s := v(3); !math.IsNaN(s) {
			a.low, a.high = min(a.low, s), max(a.high, s)
		}
		if !math.IsNaN(v(4)) && !math.IsNaN(v(5)) {
			if a.judged++; v(4) <= v(5) {
				a.inside++
			}
		}
	}
}

func (a *recent) answers(truth bool) []answered {
	count := func(room, question string, n int, none, some string) answered {
		out := answered{Room: room, Question: question, Answer: "yes", Grade: "sound", Short: none, Why: fmt.Sprintf("%s in the last %d s", none, recently)}
		if n > 0 {
			out.Short = fmt.Sprintf("%d of %d %s", n, a.rows, some)
			out.Why = fmt.Sprintf("%s in the last %d s", out.Short, recently)
			if out.Answer, out.Grade = "in doubt", "doubt"; 2*n > a.rows {
				out.Answer, out.Grade = "no", "wrong"
			}
		}
		return out
	}
	samples := count("recording", "Are the samples sound?", a.faulty, "no faults", "faulty")
	tones := answered{Room: "tones", Question: "Does every tone stand clear?", Answer: "yes", Grade: "sound", Short: "least " + present.Number(a.least, 3) + " σ"}
	switch {
	case a.least < seenSigmas:
		tones.Answer, tones.Grade = "no", "wrong"
	case a.least < clearSigmas:
		tones.Answer, tones.Grade = "in doubt", "doubt"
	}
	tones.Why = fmt.Sprintf("all coils together, %s in the last %d s", tones.Short, recently)
	fits := count("couplings", "Do the couplings fit?", a.misfit, "mean χ² –", "do not fit")
	if a.solved > 0 {
		text := fmt.Sprintf("mean χ² %s of %s", present.Number(a.chi2/float64(a.solved), 3), present.Number(a.dof/float64(a.solved), 2))
		if a.misfit == 0 {
			fits.Short = text
			expected := 2 * verdict.Doubtful * float64(a.solved) // of two chi-squares
			if float64(a.unlikely) > expected+4*math.Sqrt(expected)+1 {
				fits.Answer, fits.Grade = "in doubt", "doubt"
			}
		}
		fits.Why = fmt.Sprintf("%s in the last %d s", text, recently)
	}
	where := answered{Room: "space", Question: "Where is the sensor, how sure?", Answer: "–", Grade: "unknown", Short: "no pose", Why: "no pose came out"}
	if a.low <= a.high {
		where.Answer = fmt.Sprintf("σ %s to %s", present.Quantity(a.low, "m"), present.Quantity(a.high, "m"))
		where.Grade, where.Short, where.Why = "sound", where.Answer, fmt.Sprintf("in the last %d s", recently)
		if a.flags&verdict.OutsideVolume != 0 {
			where.Grade, where.Why = "doubt", "partly outside of the working volume "+where.Why
		}
	}
	believed := count("quality", "May I believe it?", a.flagged, "nothing flagged", "flagged")
	if truth && a.judged > 0 {
		share := float64(a.inside) / float64(a.judged)
		believed.Short = present.Number(100*share, 3) + " % inside 95 %"
		believed.Why = fmt.Sprintf("%s in the last %d s, %d flagged", believed.Short, recently, a.flagged)
		believed.Answer, believed.Grade = "yes", "sound"
		// Three standard deviations of a share of 95 %, and two points for the prediction.
		if share < 0.93-3*math.Sqrt(0.95*0.05/float64(a.judged)) {
			believed.Answer, believed.Grade = "in doubt", "doubt"
		}
		if share < 0.5 {
			believed.Answer, believed.Grade = "no", "wrong"
		}
	}
	return []answered{samples, tones, fits, where, believed}
}
