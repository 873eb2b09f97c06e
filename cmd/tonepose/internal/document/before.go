package document

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"

	"tonepose/cmd/tonepose/internal/calibrate"
	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/solver/prediction"
)

// What came before a run: the plan of its bench, and the calibration of its rig.

// planned is what a document needs of a plan's JSON.
type planned struct {
	Rig    string
	Window struct {
		LengthS float64 `json:"length_s"`
		Taper   string
	}
	Sensors []struct {
		Sensor     string
		Poses      int
		BlindPoses int               `json:"blind_poses"`
		Position   prediction.Spread `json:"position_m"`
	}
	Cautions []string
}

// readPlan reads what plan --out left in a directory, or its plan.json.
func readPlan(name string) (*planned, error) {
	if info, err := os.Stat(name); err == nil && info.IsDir() {
		name = filepath.Join(name, "plan.json")
	}
	p := new(planned)
	if err := readJSON(name, p); err != nil {
		return nil, err
	}
	if p.Window.LengthS <= 0 || len(p.Sensors) == 0 {
		return nil, fmt.Errorf("%s: states no window or no sensor: name the directory that plan --out wrote, or its plan.json", name)
	}
	return p, nil
}

// readCalibration reads what calibrate --json printed.
func readCalibration(name string) (*calibrate.Summary, error) {
	var c struct {
		Recording, Rig, Out, Status string
		Chi2                        float64
		DOF                         int
		Parameters                  []calibrate.Parameter
		Emitters                    []calibrate.Emitter
		Stations                    []struct {
			Outlier   bool
			Coils     int
			Residuals []*float64
		}
		Contradictions []string
	}
	if err := readJSON(name, &c); err != nil {
		return nil, err
	}
	if len(c.Parameters) == 0 || len(c.Stations) == 0 {
		return nil, fmt.Errorf("%s: states no parameters or no stations: name a file that holds what calibrate --json printed", name)
	}
	sum := &calibrate.Summary{Recording: c.Recording, Rig: c.Rig, Out: c.Out, Status: c.Status, Chi2: c.Chi2, DOF: c.DOF,
		Parameters: c.Parameters, Emitters: c.Emitters, Contradictions: c.Contradictions}
	for _, st := range c.Stations {
		s := calibrate.Station{Outlier: st.Outlier, Coils: st.Coils}
		for _, r := range st.Residuals {
			v := math.NaN() // missing
			if r != nil {
				v = *r
			}
			s.Residuals = append(s.Residuals, v)
		}
		if st.Coils < 1 || len(c.Emitters) == 0 {
			return nil, fmt.Errorf("%s: a station without coils, or no emitters: name a file that holds what calibrate --json printed", name)
		}
		sum.Stations = append(sum.Stations, s)
	}
	return sum, nil
}

func readJSON(name string, to any) error {
	text, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s: there is no such file", name)
	}
	if err != nil {
		return err
	}
	if err := json.Unmarshal(text, to); err != nil {
		return unreadable(name, text, err)
	}
	return nil
}

// unreadable says where in a file what is not as it was written stands.
func unreadable(name string, text []byte, err error) error {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	var offset int64
	what := err.Error()
	switch {
	case errors.As(err, &syntax):
		offset, what = syntax.Offset, "not JSON: "+what
	case errors.As(err, &kind):
		offset, what = kind.Offset, fmt.Sprintf("%s is a JSON %s, which it never is", cmp.Or(strings.ToLower(kind.Field), "the whole"), kind.Value)
	}
	line := 1 + bytes.Count(text[:min(int(offset), len(text))], []byte("\n"))
	return fmt.Errorf("%s:%d: %s: it is damaged, or something else: name what plan --out or calibrate --json wrote", name, line, what)
}

// plan compares what was planned with what came out.
func (c *chapter) plan() error {
	p := c.run.plan
	if p == nil {
		return nil
	}
	g := &grid{Head: []string{"sensor", "planned median", "95 %", "worst", "blind", "run, σ median", "σ largest"}}
	for _, s := range p.Sensors {
		row := words(s.Sensor, quantity(s.Position.Median, "m"), quantity(s.Position.P95, "m"), quantity(s.Position.Worst, "m"), fmt.Sprintf("%d of %d", s.BlindPoses, s.Poses), "–", "–")
		if run := c.run.sensor(s.Sensor); run != nil {
			var sigma []float64
			for _, p := range run.Series.all() {
				sigma = append(sigma, p.sigma)
			}
			row[5].Dark, row[6].Dark = quantity(middle(sigma), "m"), quantity(run.MostSigma, "m")
		}
		g.Rows = append(g.Rows, row)
	}
	note := fmt.Sprintf("Error of position, rms length, over the working volume of %s, in %s windows of %s; the run's windows are of %s. A plan counts noise alone; errors fall with the root of the window's length.",
		p.Rig, p.Window.Taper, quantity(p.Window.LengthS, "s"), quantity(c.run.Window, "s"))
	for _, caution := range p.Cautions {
		note += " Caution: " + caution + "."
	}
	c.list("What was planned, and what came", note, g)
	return nil
}

// calibrated shows how the couplings of the calibration fitted, and what it changed.
func (c *chapter) calibrated() error {
	sum := c.run.calibrated
	if sum == nil {
		return nil
	}
	note := fmt.Sprintf("%s, %d stations, chi-square %s of %d", sum.Recording, len(sum.Stations), present.Number(sum.Chi2, 4), sum.DOF)
	for _, f := range []*figure.Figure{report.CalibrationResiduals(sum, "Residuals of the calibration", note), report.CalibrationParameters(sum, "What the calibration changed", note)} {
		if err := c.show(f, true); err != nil {
			return err
		}
	}
	if len(sum.Contradictions) > 0 {
		g := &grid{Words: true, Head: []string{"the calibration's inputs contradict each other"}}
		for _, text := range sum.Contradictions {
			g.Rows = append(g.Rows, words(text))
		}
		c.list("Contradictions", "", g)
	}
	return nil
}
