package workbench

import (
	"encoding/csv"
	"fmt"
	"math"
	"net/http"
	"strconv"

	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/subject"
	"tonepose/cmd/tonepose/internal/tables"
)

// mostCSV is how many rows of a table are handed out at a time.
const mostCSV = 1 << 20

// rows answers with the rows of a table in a stretch of time, as CSV. Numbers are the
// shortest that read back as the same.
func (s *server) rows(w http.ResponseWriter, q *http.Request) error {
	a := s.asked(q)
	from, to := a.stretch()
	if a.err != nil {
		return a.err
	}
	r, ok := s.now().(*subject.Run)
	if !ok {
		return &badRequest{http.StatusConflict, "the rows of a stream are not kept", "tonepose live --out keeps them"}
	}
	name := a.values.Get("table")
	if name == "" {
		name = tables.PosesName
	}
	out := &csvRows{w: w, name: safeName(r.Name()) + "-" + name}
	if err := r.Look(func(of *subject.Tables) error { return out.table(of, name, from, to) }); err != nil {
		return err
	}
	out.begin()
	if out.csv != nil {
		out.csv.Flush()
	}
	return nil
}

// table writes the rows of a table in a stretch of time.
func (c *csvRows) table(of *subject.Tables, name string, from, to float64) error {
	switch name {
	case tables.PosesName:
		lines := present.LinesCSV
		return rowsFrom(of.Poses, from, to, func(p *tables.Pose) float64 { return p.Time }, func(p *tables.Pose) error {
			if c.begin() {
				if _, err := c.w.Write(lines.Head(false)); err != nil {
					return err
				}
			}
			_, err := c.w.Write(lines.Pose(nil, p))
			return err
		})
	case tables.IntegrityName:
		return rowsFrom(of.Worth, from, to, func(v *tables.Integrity) float64 { return v.Time }, func(v *tables.Integrity) error {
			return c.row([]string{"time_s", "duration_s", "sensor", "chi2", "dof", "quadrature_chi2", "quadrature_dof", "spread_m", "position_error_m", "rotation_error_rad", "flags", "finding"},
				v.Time, v.Duration, v.Sensor, v.Chi2, v.DOF, v.QuadratureChi2, v.QuadratureDOF, v.Spread, v.PositionError, v.RotationError, v.Flags.String(), v.Finding)
		})
	case tables.CouplingsName:
		return rowsFrom(of.Coupled, from, to, func(v *tables.Coupling) float64 { return v.Time }, func(v *tables.Coupling) error {
			return c.row([]string{"time_s", "duration_s", "emitter", "sensor", "channel", "coupling_h", "quadrature_h", "sigma_h", "flags"},
				v.Time, v.Duration, v.Emitter, v.Sensor, v.Channel, v.Value, v.Quadrature, v.Sigma, v.Flags.String())
		})
	case tables.PhasorsName:
		return rowsFrom(of.Phasing, from, to, func(v *tables.Phasor) float64 { return v.Time }, func(v *tables.Phasor) error {
			return c.row([]string{"time_s", "duration_s", "channel", "tone", "tone_hz", "in_phase_v", "quadrature_v", "sigma_v", "flags"},
				v.Time, v.Duration, v.Channel, v.Tone, v.ToneHz, v.InPhase, v.Quadrature, v.Sigma, v.Flags.String())
		})
	default:
		return bad("must be poses, integrity, couplings or phasors", "table = %q", name)
	}
}

// safeName is a name as a header can carry it.
func safeName(name string) string {
	out := []byte(name)
	for i, c := range out {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '.' || c == '_' || c == '-') {
			out[i] = '_'
		}
	}
	return string(out)
}

// csvRows writes rows as CSV, the header before the first.
type csvRows struct {
	w     http.ResponseWriter
	name  string
	begun bool
	csv   *csv.Writer
}

// begin writes the headers of the answer, once; true: it was the first time.
func (c *csvRows) begin() bool {
	if c.begun {
		return false
	}
	c.begun = true
	c.w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	c.w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", c.name+".csv"))
	return true
}

func (c *csvRows) row(head []string, values ...any) error {
	if c.begin() {
		c.csv = csv.NewWriter(c.w)
		if err := c.csv.Write(head); err != nil {
			return err
		}
	}
	fields := make([]string, len(values))
	for i, v := range values {
		switch v := v.(type) {
		case float64:
			if tables.IsNumber(v) {
				fields[i] = strconv.FormatFloat(v, 'g', -1, 64)
			}
		case string:
			fields[i] = tables.Cell(v)
		default:
			fields[i] = fmt.Sprint(v)
		}
	}
	return c.csv.Write(fields)
}

// rowsFrom calls each with the rows of a table in a stretch of time.
func rowsFrom[T tables.Row](f *tables.Finder[T], from, to float64, timeOf func(*T) float64, each func(*T) error) error {
	if f == nil {
		return &badRequest{http.StatusNotFound, "the run kept no such table", "choose another"}
	}
	row, err := f.Search(from)
	if err != nil {
		return err
	}
	batch := make([]T, 256)
	for done := 0; done < mostCSV; {
		n, err := f.Read(row, batch)
		if err != nil || n == 0 {
			return err
		}
		for i := range n {
			if timeOf(&batch[i]) > math.Nextafter(to, math.Inf(1)) {
				return nil
			}
			if err := each(&batch[i]); err != nil {
				return err
			}
		}
		row, done = row+int64(n), done+n
	}
	return nil
}
