package plan

import (
	"context"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/solver"
	"tonepose/solver/prediction"
)

// coilClearance keeps housings apart [m].
const coilClearance = 5e-3

// Design is what moving the emitters gains.
type Design struct {
	Sensor string  `json:"sensor"` // that it was made for
	Goal   string  `json:"goal"`
	Moves  []Move  `json:"moves"`
	Trials int     `json:"trials"`
	Before Outcome `json:"before"`
	After  Outcome `json:"after"`
	Slices []Slice `json:"-"` // before the moves
	moves  []prediction.Move
}

// Move is what becomes of one emitter.
type Move struct {
	Emitter string     `json:"emitter"`
	ShiftM  [3]float64 `json:"shift_m"`
	TiltRad [3]float64 `json:"tilt_rad"` // rotation vector about its centre, rig frame
	CenterM [3]float64 `json:"center_m"`
	Axis    [3]float64 `json:"axis"`
}

// Outcome is the predicted accuracy of a layout.
type Outcome struct {
	Position prediction.Spread `json:"position_m"`
	Rotation prediction.Spread `json:"orientation_rad"`
	Blind    int               `json:"blind_poses"`
}

// design moves the emitters and notes the moves in the edit.
func (p *Plan) design(ctx context.Context) error {
	r, o := p.Bench, &p.Options
	if o.Layout == nil {
		return nil
	}
	if r.Calibration != nil {
		return fmt.Errorf("%s is calibrated: its calibration holds for the emitters where they stand: plan from the rig before calibration", r.File)
	}
	sensor := 0
	if o.OptimiseForSensor != "" {
		if sensor = slices.IndexFunc(r.Sensors, func(s rig.Sensor) bool { return s.Name == o.OptimiseForSensor }); sensor < 0 {
			return fmt.Errorf("the rig has no sensor %q", o.OptimiseForSensor)
		}
	}
	array, err := r.Array()
	if err != nil {
		return err
	}
	noise, err := p.noise(sensor)
	if err != nil {
		return err
	}
	layout := *o.Layout
	for i := range r.Emitters {
		layout.RadiusM = append(layout.RadiusM, extent(&r.Emitters[i].Model, array.Emitters[i].Center)+coilClearance)
	}
	best, err := prediction.Optimise(ctx, solver.Problem{Array: array, Sensor: r.Sensor(sensor), Volume: r.Volume()}, noise, layout)
	if err != nil {
		return err
	}
	d := &Design{Sensor: r.Sensors[sensor].Name, Goal: map[prediction.Goal]string{prediction.Worst: "worst", prediction.Mean: "mean"}[layout.Goal], Trials: best.Trials, moves: best.Moves}
	predictor, before, err := p.predict(ctx, array, sensor)
	if err == nil && o.Slices {
		d.Slices, err = slicesOf(ctx, predictor, r.Volume())
	}
	if err != nil {
		return err
	}
	p.Design = d
	if array, err = p.array(); err != nil {
		return err
	}
	_, after, err := p.predict(ctx, array, sensor)
	if err != nil {
		return err
	}
	d.Before, d.After = outcomeOf(before), outcomeOf(after)
	for i, m := range best.Moves {
		moved := array.Emitters[i]
		d.Moves = append(d.Moves, Move{moved.Name, vector(m.Shift), vector(m.Tilt), vector(moved.Center), vector(moved.Axis)})
		p.Edit.MoveEmitter(i, m.Shift, m.Tilt, 1)
	}
	return nil
}

func outcomeOf(s prediction.Summary) Outcome { return Outcome{s.Position, s.Rotation, s.Blind} }

// extent is the radius of a ball round center that holds a model's conductor [m].
func extent(m *rig.Model, center r3.Vec) float64 {
	most := 0.0
	switch m.Type {
	case "polyline":
		for _, p := range m.PointsM {
			most = math.Max(most, r3.Norm(r3.Sub(p, center)))
		}
	case "sum":
		for i := range m.Parts {
			most = math.Max(most, extent(&m.Parts[i], center))
		}
	case "rectangle":
		most = r3.Norm(r3.Sub(m.CenterM, center)) + math.Hypot(m.WidthM, m.HeightM)/2
	default:
		most = r3.Norm(r3.Sub(m.CenterM, center)) + math.Hypot(max(m.RadiusM, m.OuterRadiusM), m.LengthM/2)
	}
	return most
}
