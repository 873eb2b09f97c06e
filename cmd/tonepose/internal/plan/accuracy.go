package plan

import (
	"context"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/fieldmodels"
	"tonepose/solver"
	"tonepose/solver/prediction"
)

// Sensor is what a sensor of the bench can be expected to give.
type Sensor struct {
	Sensor   string            `json:"sensor"`
	Freedom  int               `json:"degrees_of_freedom"`
	Poses    int               `json:"poses"` // looked at
	Blind    int               `json:"blind_poses"`
	BlindAt  [][3]float64      `json:"blind_at_m"`
	Position prediction.Spread `json:"position_m"`
	Rotation prediction.Spread `json:"orientation_rad"`
	WorstAt  [3]float64        `json:"worst_at_m"`
	BestAt   [3]float64        `json:"best_at_m"`
	Rates    []Rate            `json:"rates"`
	// Left is the position error that no window lessens, that of the calibration and of
	// stated currents, in 95 % of the poses [m]; 0: the rig has no covariance.
	Left   float64 `json:"calibration_p95_m"`
	Wanted *Wanted `json:"wanted,omitempty"`
	// Digitised is what there would be with the currents measured; nil: they are.
	Digitised *Digitised `json:"digitised,omitempty"`
	Channels  []Range    `json:"dynamic_range"`
	Slices    []Slice    `json:"-"`
}

// Rate is what a window length gives.
type Rate struct {
	WindowS        float64 `json:"window_s"`
	UpdateHz       float64 `json:"update_hz"`
	PositionMedian float64 `json:"position_median_m"`
	PositionP95    float64 `json:"position_p95_m"`
	RotationMedian float64 `json:"orientation_median_rad"`
	RotationP95    float64 `json:"orientation_p95_rad"`
}

// Wanted is the window that reaches the wanted accuracy.
type Wanted struct {
	AccuracyM float64 `json:"accuracy_m"`
	WindowS   float64 `json:"window_s"` // so that 95 % of the poses are at least as good
	UpdateHz  float64 `json:"update_hz"`
	Reached   bool    `json:"reached"` // by the planned window
}

// Range is the dynamic range of one pickup channel, volts at the ADC.
type Range struct {
	Channel     string     `json:"channel"`
	PeakV       float64    `json:"largest_peak_v"` // bound: strongest position, each tone's worst orientation, all tones aligned
	PeakAt      [3]float64 `json:"largest_at_m"`
	FullScaleV  float64    `json:"full_scale_v"` // 0: not stated
	WeakestRMSV float64    `json:"weakest_rms_v"`
	WeakestAt   [3]float64 `json:"weakest_at_m"`
	SigmaV      float64    `json:"sigma_v"`  // of a phasor's component after the window, the noisiest tone
	RangeDB     float64    `json:"range_db"` // largest rms of the same kind over sigma
	Gain        float64    `json:"gain"`
	Suggested   float64    `json:"gain_suggested"`
	ClippedAt   float64    `json:"clipping_share"` // of the positions, where the peak can exceed full scale
}

// Slice is the map of predicted errors in a plane through the volume's middle.
type Slice struct {
	At            float64 // along the plane's normal [m]
	Columns, Rows int
	PositionM     []float64 // row by row from the lowest; +Inf: blind
	RotationRad   []float64
}

const (
	gridSide         = 9  // positions a side of the working volume
	gridOrientations = 12 // at each
	sliceSide        = 27 // positions along a slice's longer side
	// gainReserve is how much of full scale the largest peak may take: common
	// practice, room for noise, mains and coils that differ from their drawing.
	gainReserve = 0.7
	// coarse is the share of the volume's diagonal from which on a deviation is
	// no longer small.
	coarse = 0.03
)

func (p *Plan) sensors(ctx context.Context) error {
	array, err := p.array()
	if err != nil {
		return err
	}
	for i := range p.Bench.Sensors {
		s, err := p.sensor(ctx, array, i)
		if err != nil {
			return err
		}
		p.Sensors = append(p.Sensors, *s)
		p.ready(Predicted)
	}
	return nil
}

// array is the rig's as planned: moved, where a design was made.
func (p *Plan) array() (fieldmodels.Array, error) {
	array, err := p.Bench.Array()
	if err != nil || p.Design == nil {
		return array, err
	}
	for i := range array.Emitters {
		array.Emitters[i] = p.Design.moves[i].Placed(array.Emitters[i])
	}
	return array, nil
}

// predictor predicts what solve states of a sensor: by the noise, and by what a
// calibration has left of errors.
func (p *Plan) predictor(array fieldmodels.Array, sensor int) (*prediction.Predictor, error) {
	noise, err := p.noise(sensor)
	if err != nil {
		return nil, err
	}
	problems, err := bench.Problems(p.Bench)
	if err != nil {
		return nil, err
	}
	problem := problems[sensor]
	problem.Array = array
	return prediction.New(problem, noise)
}

// predict surveys the working volume for a sensor.
func (p *Plan) predict(ctx context.Context, array fieldmodels.Array, sensor int) (*prediction.Predictor, prediction.Summary, error) {
	var none prediction.Summary
	predictor, err := p.predictor(array, sensor)
	if err != nil {
		return nil, none, err
	}
	spots, err := predictor.Survey(ctx, prediction.Grid(p.Bench.Volume(), gridSide), prediction.Orientations(gridOrientations))
	if err != nil {
		return nil, none, err
	}
	return predictor, prediction.Summarise(spots), nil
}

func (p *Plan) sensor(ctx context.Context, array fieldmodels.Array, sensor int) (*Sensor, error) {
	r, o := p.Bench, &p.Options
	predictor, sum, err := p.predict(ctx, array, sensor)
	if err != nil {
		return nil, err
	}
	s := &Sensor{Sensor: r.Sensors[sensor].Name, Freedom: predictor.Freedom(), Poses: sum.Poses, Blind: sum.Blind,
		Position: sum.Position, Rotation: sum.Rotation, WorstAt: vector(sum.Worst.Position), BestAt: vector(sum.Best.At)}
	for _, at := range sum.BlindAt {
		s.BlindAt = append(s.BlindAt, vector(at))
	}
	switch {
	case sum.Blind == sum.Poses:
		p.caution("sensor %s can not be located at all with this bench: too few couplings, or emitters too much alike", s.Sensor)
	case sum.Blind > 0:
		p.caution("sensor %s is blind in %d of %d poses: their positions are listed under blind spots", s.Sensor, sum.Blind, sum.Poses)
	}
	reach := r3.Norm(r3.Sub(r.WorkingVolume.Max, r.WorkingVolume.Min))
	if x := s.Position.P95; x > coarse*reach && !math.IsInf(x, 1) {
		p.caution("sensor %s: predicted errors come to a good part of the working volume: the bound takes fields for straight over an error's length, so real errors are larger, and poses ambiguous", s.Sensor)
	}
	if err := p.rates(ctx, s, predictor); err != nil {
		return nil, err
	}
	if s.Digitised, err = p.digitised(ctx, array, sensor, s); err != nil {
		return nil, err
	}
	if s.Channels, err = p.ranges(ctx, array, sensor); err != nil {
		return nil, err
	}
	if o.Slices {
		s.Slices, err = slicesOf(ctx, predictor, r.Volume())
	}
	return s, err
}

// slicesOf maps the errors in the three planes, by their normals.
func slicesOf(ctx context.Context, p *prediction.Predictor, v solver.Volume) (all []Slice, err error) {
	size, lowest := vector(r3.Sub(v.Max, v.Min)), vector(v.Min)
	for axis, across := range [][2]int{{1, 2}, {0, 2}, {0, 1}} { // along columns and rows
		a, b := size[across[0]], size[across[1]]
		longer := math.Max(a, b)
		s := Slice{At: lowest[axis] + size[axis]/2,
			Columns: max(5, int(math.Round(sliceSide*a/longer))), Rows: max(5, int(math.Round(sliceSide*b/longer)))}
		spots, err := p.Survey(ctx, prediction.Slice(v, axis, s.Columns, s.Rows), prediction.Orientations(gridOrientations/2))
		if err != nil {
			return nil, err
		}
		for _, spot := range spots {
			s.PositionM = append(s.PositionM, spot.PositionM)
			s.RotationRad = append(s.RotationRad, spot.RotationRad)
		}
		all = append(all, s)
	}
	return all, nil
}

// ranges bounds the signals of a sensor's channels over the working volume.
func (p *Plan) ranges(ctx context.Context, array fieldmodels.Array, sensor int) ([]Range, error) {
	r := p.Bench
	positions := prediction.Grid(r.Volume(), gridSide)
	fields := make([][]float64, len(positions)) // |B| of each emitter's current [T peak]
	for i, at := range positions {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		fields[i] = p.fields(array, at)
	}
	var out []Range
	for k := range r.Sensors[sensor].Coils {
		c := &r.Sensors[sensor].Coils[k]
		ch := &r.Channels[c.Channel]
		d := Range{Channel: ch.Name, FullScaleV: ch.FullScaleV, Gain: ch.Gain, WeakestRMSV: math.Inf(1), Suggested: math.NaN()}
		var perTesla []float64
		density := 0.0
		for _, e := range r.Emitters {
			at, err := p.receiveChain(c.Channel, e.ToneHz, p.thermal(c))
			if err != nil {
				return nil, err
			}
			perTesla = append(perTesla, at.gain*2*math.Pi*e.ToneHz*c.AreaTurnsM2)
			density = math.Max(density, at.density)
		}
		d.SigmaV = p.sigma(density)
		clipped := 0
		strongest := 0.0 // rms, mean over orientations
		for i, at := range positions {
			peak, square := floats.Dot(perTesla, fields[i]), 0.0
			for e, b := range fields[i] {
				v := perTesla[e] * b
				square += v * v / 2 / 3 // a third: all orientations alike
			}
			rms := math.Sqrt(square)
			strongest = math.Max(strongest, rms)
			if peak > d.PeakV {
				d.PeakV, d.PeakAt = peak, vector(at)
			}
			if rms < d.WeakestRMSV {
				d.WeakestRMSV, d.WeakestAt = rms, vector(at)
			}
			if ch.FullScaleV > 0 && peak > ch.FullScaleV {
				clipped++
			}
		}
		d.RangeDB = 20 * math.Log10(strongest/(d.SigmaV/math.Sqrt2))
		d.ClippedAt = float64(clipped) / float64(len(positions))
		if len(ch.Table) > 0 {
			d.Gain = math.NaN() // it is the table's
		} else if ch.FullScaleV > 0 {
			d.Suggested = roundDown(gainReserve * ch.FullScaleV / d.PeakV * math.Abs(ch.Gain))
		}
		out = append(out, d)
	}
	p.rangeCautions(out)
	return out, nil
}

// fields are those of each emitter's current at a position [T peak]; +Inf on a wire.
func (p *Plan) fields(array fieldmodels.Array, at r3.Vec) (list []float64) {
	for e := range array.Emitters {
		b, err := array.Emitters[e].Source.Field(at)
		size := math.Inf(1)
		if err == nil {
			size = r3.Norm(b) * p.Bench.Emitters[e].CurrentPeakA
		}
		list = append(list, size)
	}
	return list
}

// clipping tells of a position of a sensor whether one of its channels can exceed full scale
// there, in the worst orientation.
func (p *Plan) clipping() (func(sensor int, at r3.Vec) bool, error) {
	r := p.Bench
	array, err := p.array()
	if err != nil {
		return nil, err
	}
	type input struct {
		perTesla []float64 // of each emitter
		fullV    float64
	}
	inputs := make([][]input, len(r.Sensors)) // of each sensor's coils
	for s := range r.Sensors {
		for k := range r.Sensors[s].Coils {
			c := &r.Sensors[s].Coils[k]
			in := input{fullV: r.Channels[c.Channel].FullScaleV}
			for _, e := range r.Emitters {
				at, err := p.receiveChain(c.Channel, e.ToneHz, p.thermal(c))
				if err != nil {
					return nil, err
				}
				in.perTesla = append(in.perTesla, at.gain*2*math.Pi*e.ToneHz*c.AreaTurnsM2)
			}
			inputs[s] = append(inputs[s], in)
		}
	}
	return func(sensor int, at r3.Vec) bool {
		fields := p.fields(array, at)
		return slices.ContainsFunc(inputs[sensor], func(in input) bool {
			return in.fullV > 0 && floats.Dot(in.perTesla, fields) > in.fullV
		})
	}, nil
}

// rangeCautions warns of channels that clip or stay small.
func (p *Plan) rangeCautions(ranges []Range) {
	var clip, small alike
	share := 0.0
	for _, d := range ranges {
		used := d.PeakV / d.FullScaleV
		clip.add(d.Channel, used, d.ClippedAt > 0)
		small.add(d.Channel, used, used < gainReserve/3)
		share = math.Max(share, d.ClippedAt)
	}
	if clip.names != nil {
		p.caution("%v: can clip in up to %.3g %% of the working volume, where peaks reach %.3g times full scale in the worst orientation: lower the gain as suggested, or keep away from the coils",
			clip, 100*share, clip.most)
	}
	if small.names != nil {
		p.caution("%v: at most %.3g %% of full scale is used: more gain makes quantising noise matter less", small, 100*small.most)
	}
}

// roundDown keeps two significant digits.
func roundDown(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 1) {
		return math.NaN()
	}
	unit := math.Pow(10, math.Floor(math.Log10(x))-1)
	return math.Floor(x/unit+1e-9) * unit
}

func vector(v r3.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }
