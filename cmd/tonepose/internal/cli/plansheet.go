package cli

import (
	"fmt"
	"io"
	"math"
	"strings"

	"tonepose/cmd/tonepose/internal/plan"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/terminal"
)

// sheet is one table of a plan with what --explain says of its columns.
type sheet struct {
	title   string
	columns []sheetColumn
	rows    [][]string
	notes   []string
}

// sheetColumn is a column with the formula and the source of its numbers; both
// empty for names and for what the rig file or a flag states.
type sheetColumn struct {
	name, unit, formula, source string
}

// textUnit marks a column of words.
const textUnit = "text"

func (t *sheet) row(cells ...string) { t.rows = append(t.rows, cells) }
func (t *sheet) note(format string, values ...any) {
	t.notes = append(t.notes, fmt.Sprintf(format, values...))
}

func (t *sheet) write(w io.Writer, paint terminal.Paint, explain bool) error {
	if len(t.rows) == 0 && len(t.notes) == 0 {
		return nil
	}
	if _, err := fmt.Fprintf(w, "\n%s\n", paint.Bold(t.title)); err != nil {
		return err
	}
	if len(t.rows) > 0 {
		var columns []terminal.Column
		for _, c := range t.columns {
			if c.unit == textUnit {
				columns = append(columns, terminal.Column{Name: c.name, Left: true})
			} else {
				columns = append(columns, terminal.Column{Name: c.name, Unit: c.unit})
			}
		}
		table := terminal.NewTable(columns...)
		for _, r := range t.rows {
			table.Row(r...)
		}
		var b strings.Builder
		if err := table.Write(&b, paint); err != nil {
			return err
		}
		for line := range strings.Lines(b.String()) {
			io.WriteString(w, "  "+line)
		}
	}
	for _, n := range t.notes {
		fmt.Fprintf(w, "  %s\n", n)
	}
	if explain {
		for _, c := range t.columns {
			if c.formula == "" {
				continue
			}
			line := fmt.Sprintf("  · %s: %s", c.name, c.formula)
			if c.source != "" {
				line += " (" + c.source + ")"
			}
			fmt.Fprintln(w, paint.Faint(line))
		}
	}
	return nil
}

// num prints v in units of unit to three digits; – where there is no number.
func num(v plan.Real, unit float64) string {
	if x := float64(v); math.IsInf(x, 0) {
		return "–"
	}
	return present.Number(float64(v)/unit, 3)
}

// at prints a place in millimetres.
func at(p [3]plan.Real) string {
	return fmt.Sprintf("%.0f, %.0f, %.0f", zero(p[0]*1e3), zero(p[1]*1e3), zero(p[2]*1e3))
}

// zero has no sign.
func zero(v plan.Real) float64 {
	if math.Abs(float64(v)) < 0.5 {
		return 0
	}
	return float64(v)
}

// printPlan prints a plan for people.
func printPlan(w io.Writer, paint terminal.Paint, p *plan.Plan, o *plan.Options, explain bool) error {
	noise := fmt.Sprintf("%s white noise at the amplifiers' inputs", present.Quantity(o.NoiseV, "V/√Hz"))
	if o.FlickerHz > 0 {
		noise += fmt.Sprintf(", flicker corner %s", present.Quantity(o.FlickerHz, "Hz"))
	}
	if o.Bits > 0 {
		noise += fmt.Sprintf(", %d-bit ADC", o.Bits)
	}
	if _, err := fmt.Fprintf(w, "%s: %s a channel, %s windows of %s (noise bandwidth %s, %s updates)\n%s\n", paint.Bold(p.Rig), present.Quantity(p.SampleRateHz, "Hz"),
		p.Window.Taper, present.Quantity(p.Window.LengthS, "s"), present.Quantity(p.Window.ENBWHz, "Hz"), present.Quantity(p.Window.UpdateHz, "Hz"), noise); err != nil {
		return err
	}
	if explain {
		fmt.Fprintln(w, paint.Faint("  · noise bandwidth: NENBW/(2·window), one-sided; NENBW 1 rectangular, 1.5 Hann (Harris, Proc. IEEE 66, 1978)"))
	}
	sheets := []*sheet{tonesSheet(p, o), drivesSheet(p), budgetSheet(p, o, explain), coilsSheet(p, o), drivingSheet(p), pickupsSheet(p)}
	for i := range p.Sensors {
		sheets = append(sheets, accuracySheet(p, &p.Sensors[i]), ratesSheet(p, &p.Sensors[i]), rangeSheet(p, &p.Sensors[i]))
	}
	sheets = append(sheets, designSheet(p), movesSheet(p), reachSheet(p), fieldSheet(p), cautionsSheet(p))
	for _, t := range sheets {
		if t == nil {
			continue
		}
		if err := t.write(w, paint, explain); err != nil {
			return err
		}
	}
	return nil
}
