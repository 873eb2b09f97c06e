package cli

import (
	"errors"
	"fmt"
	"math"
	"tonepose/cmd/tonepose/internal/measure"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/assess"
	"tonepose/cmd/tonepose/internal/files"
)

// pivotSummary is what --pivot prints.
type pivotSummary struct {
	Sensor     string     `json:"sensor"`
	Poses      int        `json:"n"`
	Outliers   int        `json:"outliers"`
	Tip        [3]float64 `json:"tip_m"`
	SigmaTip   [3]float64 `json:"sigma_tip_m"`
	Point      [3]float64 `json:"point_m"`
	SigmaPoint [3]float64 `json:"sigma_point_m"`
	RMS        float64    `json:"rms_m"`
	ChiSquare  float64    `json:"chi2"`
	DOF        int        `json:"dof"`
	Rig        string     `json:"rig,omitempty"`
}

func runPivot(dir string, o *assessOptions, s Streams) error {
	if o.truth != "" {
		return errors.New("--pivot and --truth exclude each other")
	}
	if o.saveRig != "" {
		if err := files.Refuse(o.saveRig, o.force); err != nil {
			return err
		}
	}
	p, a, err := assess.Pivot(dir, o.sensor, o.keepAll, o.seed)
	if errors.Is(err, assess.ErrNothingToCompare) {
		return fmt.Errorf("%w: %w", measure.ErrNoRow, err)
	}
	if err != nil {
		return err
	}
	sum := pivotSummary{Sensor: p.Sensor, Poses: p.Poses, Outliers: len(p.Outliers()), Tip: numbers3(p.Tip.Tip), Point: numbers3(p.Point),
		RMS: p.RMS, ChiSquare: p.ChiSquare, DOF: p.DOF, Rig: o.saveRig}
	for i := range 3 {
		sum.SigmaTip[i], sum.SigmaPoint[i] = math.Sqrt(p.TipCovariance[i][i]), math.Sqrt(p.PointCovariance[i][i])
	}
	if o.saveRig != "" {
		edit := a.Rig.Edit()
		edit.SetVector(fmt.Sprintf("sensors[%d].tip_m", p.Index), p.Tip.Tip)
		if _, err := edit.Save(o.saveRig); err != nil {
			return err
		}
	}
	if o.json {
		return writeNumbers(s.Out, sum)
	}
	fmt.Fprintf(s.Out, "%s: tip from %d poses, %d outliers left out, RMS %.4f mm, chi-square %.1f of %d\n", sum.Sensor, sum.Poses-sum.Outliers, sum.Outliers, sum.RMS*1e3, sum.ChiSquare, sum.DOF)
	for _, row := range []struct {
		name   string
		at, by [3]float64
	}{{"tip, sensor frame", sum.Tip, sum.SigmaTip}, {"pivot, rig frame", sum.Point, sum.SigmaPoint}} {
		fmt.Fprintf(s.Out, "%-18s", row.name)
		for i := range 3 {
			fmt.Fprintf(s.Out, "  %9.4f ± %.4f", row.at[i]*1e3, row.by[i]*1e3)
		}
		fmt.Fprintln(s.Out, " mm")
	}
	_, err = fmt.Fprintf(s.Out, "tip_m: [%.7g, %.7g, %.7g]\n", sum.Tip[0], sum.Tip[1], sum.Tip[2])
	return err
}

func numbers3(v r3.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }
