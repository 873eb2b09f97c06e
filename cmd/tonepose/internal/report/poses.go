package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
)

// Poses gathers the rows of one sensor for their figures, in bounded memory: of a long
// run, the worst of every second, fourth, … row.
type Poses struct {
	Sensor string

	rows         []judged
	count, every int
	dof          int
}

// judged is a row of poses and what it is worth.
type judged struct {
	time             float64
	place            r3.Vec // NaN: no pose
	sigma, estimated float64
	chi2             float64
	state            verdict.State
}

// drawnPoses is how many are kept at most: several a printed dot.
const drawnPoses = 1 << 12

// Add takes a row with its estimated error, NaN if there is none, and its state.
func (p *Poses) Add(row *tables.Pose, estimated float64, state verdict.State) {
	nan := math.NaN()
	j := judged{time: row.Time, place: r3.Vec{X: nan, Y: nan, Z: nan}, sigma: nan, estimated: estimated, chi2: row.Chi2, state: state}
	if row.Estimate != nil {
		j.place = row.Estimate.Position
	}
	if c := row.Covariance; c != nil {
		j.sigma = math.Sqrt(max(0, c.At(0, 0)+c.At(1, 1)+c.At(2, 2)))
	}
	p.dof = max(p.dof, row.DOF)
	p.every = max(p.every, 1)
	if p.count++; (p.count-1)%p.every != 0 {
		if last := &p.rows[len(p.rows)-1]; j.state > last.state {
			*last = j
		}
		return
	}
	if p.rows = append(p.rows, j); len(p.rows) <= drawnPoses {
		return
	}
	p.every *= 2
	kept := p.rows[:0]
	for i := 0; i < len(p.rows); i += 2 {
		worse := p.rows[i]
		if i+1 < len(p.rows) && p.rows[i+1].state > worse.state {
			worse = p.rows[i+1]
		}
		kept = append(kept, worse)
	}
	p.rows = kept
}

// Track is where the sensor was, in the order of the times.
func (p *Poses) Track() figure.Track {
	t := figure.Track{Name: p.Sensor}
	for _, j := range p.inTime() {
		t.Points = append(t.Points, j.place)
	}
	return t
}

// Quality draws what the poses are worth over time.
func (p *Poses) Quality(title string) *figure.Figure {
	d := figure.QualityData{Title: title, DOF: p.dof,
		Note: "sigma: rms length of the stated error of position; estimated error: radius that holds 95 %, distortion by metal included"}
	for _, j := range p.inTime() {
		d.Time, d.Sigma, d.Estimated, d.Chi2 = append(d.Time, j.time), append(d.Sigma, j.sigma), append(d.Estimated, j.estimated), append(d.Chi2, j.chi2)
		d.InDoubt, d.Flagged = append(d.InDoubt, j.state == verdict.InDoubt), append(d.Flagged, j.state == verdict.Flagged)
	}
	return figure.Quality(d)
}

// inTime are the rows in the order of their times: intervals come in any.
func (p *Poses) inTime() []judged {
	slices.SortStableFunc(p.rows, func(a, b judged) int { return cmp.Compare(a.time, b.time) })
	return p.rows
}

// SaveRun adds the figures of a run to files: the path of all sensors, and what the poses
// of each are worth.
func SaveRun(to *files.Batch, run string, r *rig.Rig, all []*Poses, formats []string) error {
	if len(formats) == 0 {
		return nil
	}
	path, figures := figure.PathData{Title: run + ": path", Emitters: Emitters(r)}, map[string]*figure.Figure{}
	rows := 0
	for _, p := range all {
		if p.count == 0 {
			continue
		}
		rows += p.count
		path.Estimated = append(path.Estimated, p.Track())
		name, title := "quality", run+": what the poses are worth"
		if len(all) > 1 {
			name, title = p.Sensor+"-quality", title+", "+p.Sensor
		}
		figures[name] = p.Quality(title)
	}
	path.Note = fmt.Sprintf("%d rows of poses; lengths to scale", rows)
	figures["path"] = figure.Path(path)
	return Save(to, "", figures, formats)
}
