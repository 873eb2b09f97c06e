package document

import (
	"cmp"
	"context"
	"os"
	"path/filepath"
	"strings"

	"tonepose/cmd/tonepose/internal/assess"
)

// none is the name by which a file is not looked for.
const none = "none"

// places are where a run's other files are looked for: its folder, the one above, the
// present one, and that of its rig file.
func (run *Run) places() []string {
	all := []string{run.Dir, filepath.Join(run.Dir, ".."), "."}
	if rig := run.Metadata.Options["rig"]; rig != "" {
		all = append(all, filepath.Dir(rig))
	}
	return all
}

// beside is the first of some files in the places that is as wanted; empty: none is.
func (run *Run) beside(fits func(name string) bool, names ...string) string {
	for _, dir := range run.places() {
		for _, name := range names {
			path := filepath.Join(dir, name)
			if info, err := os.Stat(path); err == nil && info.Mode().IsRegular() && fits(path) {
				return path
			}
		}
	}
	return ""
}

// recording is a file of the recording's name and size; empty: none.
func (run *Run) recording() string {
	from := &run.Metadata.Recording
	return run.beside(func(name string) bool {
		info, err := os.Stat(name)
		return err == nil && info.Size() == from.Size
	}, filepath.Base(from.Name))
}

// before reads the plan and the calibration: those named, or else a plan of the run's rig
// and the calibration that wrote its rig file.
func (run *Run) before(o *RunOptions) (err error) {
	if o.Plan == "" {
		o.Plan = run.beside(func(name string) bool {
			p, err := readPlan(name)
			return err == nil && p.Rig == run.Rig.Name
		}, "plan.json", filepath.Join("plan", "plan.json"))
	}
	if o.Calibration == "" {
		o.Calibration = run.beside(func(name string) bool {
			c, err := readCalibration(name)
			return err == nil && c.Out != "" && filepath.Base(c.Out) == filepath.Base(run.Metadata.Options["rig"])
		}, "calibration.json")
	}
	if named(o.Plan) {
		if run.plan, err = readPlan(o.Plan); err != nil {
			return err
		}
	}
	if named(o.Calibration) {
		run.calibrated, err = readCalibration(o.Calibration)
	}
	run.Plan, run.Calibration = o.Plan, o.Calibration
	return err
}

func named(file string) bool { return file != "" && file != none }

// assess compares the run with its truth: the one named, or else the file that stands
// beside a simulated recording.
func (run *Run) assess(ctx context.Context, o *RunOptions) (err error) {
	asked := o.Truth != ""
	if !asked {
		name := filepath.Base(run.Metadata.Recording.Name)
		stem := strings.TrimSuffix(name, filepath.Ext(name))
		o.Truth = run.beside(func(string) bool { return stem != "" }, stem+".truth.csv")
	}
	if !named(o.Truth) {
		return nil
	}
	run.Truth = o.Truth
	if run.Assessment, err = assess.Run(ctx, run.Dir, o.Truth, o.Assess); err != nil && !asked && ctx.Err() == nil {
		run.Truth, run.Assessment, err = "", nil, nil // nobody asked for it
	}
	return cmp.Or(err, ctx.Err())
}
