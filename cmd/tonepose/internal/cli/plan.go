package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"tonepose/cmd/tonepose/internal/measure"

	"github.com/spf13/cobra"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/plan"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/terminal"
	"tonepose/fieldmodels/coil"
	"tonepose/multitone/frequencyplan"
	"tonepose/multitone/window"
	"tonepose/solver/prediction"
)

// length is a flag in metres that reads mm, cm, um and m.
type length float64

func (l *length) String() string { return fmt.Sprintf("%.6gmm", float64(*l)*1e3) }
func (l *length) Type() string   { return "length" }
func (l *length) Set(s string) error {
	text := strings.TrimSpace(s)
	unit := 1.0
	for _, u := range []struct {
		suffix string
		unit   float64
	}{{"mm", 1e-3}, {"cm", 1e-2}, {"um", 1e-6}, {"µm", 1e-6}, {"m", 1}} {
		if rest, ok := strings.CutSuffix(text, u.suffix); ok {
			text, unit = strings.TrimSpace(rest), u.unit
			break
		}
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !(v >= 0) || math.IsInf(v, 1) {
		return fmt.Errorf("%q is not a length: write 0.1mm, 30mm or, in metres, 0.03", s)
	}
	*l = length(v * unit)
	return nil
}

type planOptions struct {
	window, orthogonal   time.Duration
	taper, mains         string
	accuracy             length
	wire, pickupWire     string
	distances, points    []string
	optimise             bool
	move                 length
	tiltDeg              float64
	goal                 string
	rigOut, out          string
	stations             string
	spacing, boardSigma  length
	boardTiltDeg         float64
	pace, hold           time.Duration
	levels, attitudes    int
	json, explain, force bool
	seed                 uint64
	plan.Options
}

func newPlan(s Streams) *cobra.Command {
	o := planOptions{move: 0.03, boardSigma: 1e-4}
	cmd := &cobra.Command{
		Use:   "plan RIG",
		Short: "Design a bench before building it: tones, noise, coils, accuracy, exposure",
		Long: `Plan tells what to do with a bench and what to expect of it, from its rig file
alone: it checks the tones, or chooses those that the rig leaves out (tone_hz and
current_a_peak may be missing); finds phases for tones that share an amplifier;
works out averaging, coils and dynamic range; predicts position and orientation
error over the working volume with its blind spots; and compares the field with
published reference levels.

With --optimise it moves and tilts the emitters within bounds so that the
predicted position error becomes small, and writes a new rig file. With
--stations it writes a test plan for a grid board: fill in start_s and stop_s (or
keep to --pace), then give the file to solve --intervals, assess --truth or
calibrate --intervals.

Errors are rms lengths: the square root of the trace of the covariance. They are
what noise alone leaves, the Cramér–Rao bound, which solve reaches.

Exit code: 0 done (cautions are part of a plan), 1 no tones meet the wishes or no
pose in the working volume can be solved, 2 the call or a file was wrong.`,
		Example: `  tonepose plan bench.rig.yaml --window 40ms --accuracy 0.1mm --explain
  tonepose plan bench.rig.yaml --optimise --move 30mm --tilt 45 --rig-out better.rig.yaml
  tonepose plan bench.rig.yaml --out plan --stations board.csv --spacing 50mm --levels 3`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return runPlan(cmd.Context(), args[0], &o, s) },
	}
	f := cmd.Flags()
	f.DurationVar(&o.window, "window", 40*time.Millisecond, "length of one measurement")
	f.DurationVar(&o.orthogonal, "orthogonal", 0, "time over which tones are orthogonal: multiples of its inverse (default the shortest multiple of the window from 40ms on)")
	f.StringVar(&o.taper, "taper", "hann", "weighting of the window: hann, rectangular, blackman-harris, a flat-top …")
	f.Var(&o.accuracy, "accuracy", "wanted rms position error, to be met by 95 % of the poses, as 0.1mm")
	noDefault(f, "accuracy")
	f.Float64Var(&o.NoiseV, "noise", 5e-9, "white noise density at the amplifiers' inputs in V/√Hz")
	f.Float64Var(&o.FlickerHz, "flicker", 0, "corner in Hz where flicker noise equals the white")
	f.IntVar(&o.Bits, "bits", 16, "of the ADC; 0: no quantising noise")
	f.StringVar(&o.mains, "mains", "50,60", "mains frequencies in Hz to keep clear of: 50, 60, both, or none")
	f.Float64Var(&o.LowHz, "low", 2000, "lowest tone to choose, in Hz")
	f.Float64Var(&o.HighHz, "high", 0, "highest tone to choose, in Hz (default half of Nyquist)")
	f.Float64Var(&o.MarginHz, "margin", 0, "distance of tones from mains and products of distortion, in Hz (default half of the tones' grid)")
	f.Float64Var(&o.CurrentA, "current", 0.5, "peak drive current in A of emitters that state none")
	f.StringVar(&o.wire, "wire", "", "copper wire of the emitters, as 0.5mm or awg24 (default: one that fits, assumed)")
	f.StringVar(&o.pickupWire, "pickup-wire", "", "copper wire of the pickups; their thermal noise is then added")
	f.Float64Var(&o.AmbientC, "ambient", 25, "temperature in °C")
	f.StringSliceVar(&o.distances, "distance", []string{"50mm", "100mm", "200mm", "300mm", "500mm", "1m"}, "distances from the nearest coil for exposure")
	f.StringArrayVar(&o.points, "point", nil, "a place for exposure, x,y,z in m in the rig frame; may repeat")
	f.BoolVar(&o.optimise, "optimise", false, "move and tilt the emitters, write a new rig file")
	f.Var(&o.move, "move", "how far an emitter may move along each axis")
	f.Float64Var(&o.tiltDeg, "tilt", 45, "how far an emitter may tilt, in degrees")
	f.StringVar(&o.goal, "goal", "worst", "what to make small: worst or mean error over the working volume")
	f.StringVar(&o.OptimiseForSensor, "sensor", "", "the sensor to optimise for (default the first)")
	f.Uint64Var(&o.seed, "seed", 1, "of the placements from which --optimise starts")
	f.StringVar(&o.rigOut, "rig-out", "", "rig file to write, with chosen tones, currents and places (default DIR/NAME.planned.rig.yaml with --out)")
	f.StringVar(&o.stations, "stations", "", "CSV of a test plan to write")
	o.spacing = 0.1
	f.Var(&o.spacing, "spacing", "of the grid board's places")
	f.IntVar(&o.levels, "levels", 2, "heights of the board, spread over the working volume")
	f.IntVar(&o.attitudes, "attitudes", 3, "attitudes of the sensor at each place, 1 to 6")
	f.DurationVar(&o.pace, "pace", 0, "fill start_s and stop_s in: one station each so long (default: left to be filled in)")
	f.DurationVar(&o.hold, "hold", 2*time.Second, "rest at each station, with --pace")
	f.Var(&o.boardSigma, "board-sigma", "one sigma of each component of a station's place")
	f.Float64Var(&o.boardTiltDeg, "board-tilt-sigma", 0.1, "one sigma of each component of a station's attitude, in degrees")
	f.StringVar(&o.out, "out", "", "directory for plan.txt, plan.json, figures and the planned rig")
	f.BoolVar(&o.explain, "explain", false, "print the formula and source of every number")
	f.BoolVar(&o.json, "json", false, "print the plan as JSON")
	f.BoolVar(&o.force, "force", false, "replace existing files")
	return cmd
}

// check turns flags into options of the job.
func (o *planOptions) check() error {
	o.WindowS = o.window.Seconds()
	if o.window <= 0 {
		return fmt.Errorf("--window %v: must be positive", o.window)
	}
	if o.OrthogonalS = o.orthogonal.Seconds(); o.orthogonal < 0 {
		return fmt.Errorf("--orthogonal %v: must be positive", o.orthogonal)
	}
	t, err := window.ByName(o.taper)
	if err != nil {
		return err
	}
	a := t.Coefficients()
	if a == nil {
		return fmt.Errorf("--taper %s: must be a sum of cosines, as hann or rectangular", o.taper)
	}
	o.Taper, o.NENBW = o.taper, 1
	for _, c := range a[1:] {
		o.NENBW += c * c / (2 * a[0] * a[0])
	}
	o.AccuracyM = float64(o.accuracy)
	for _, c := range []struct {
		flag    string
		v, from float64
	}{{"noise", o.NoiseV, 0}, {"flicker", o.FlickerHz, 0}, {"low", o.LowHz, 0}, {"high", o.HighHz, 0}, {"margin", o.MarginHz, 0},
		{"current", o.CurrentA, 1e-9}, {"tilt", o.tiltDeg, 0}, {"ambient", o.AmbientC, -200}, {"board-tilt-sigma", o.boardTiltDeg, 0}} {
		if !(c.v >= c.from) || math.IsInf(c.v, 1) {
			return fmt.Errorf("--%s %g: must be finite and at least %g", c.flag, c.v, c.from)
		}
	}
	if o.Bits != 0 && (o.Bits < 4 || o.Bits > 32) {
		return fmt.Errorf("--bits %d: must be 4 to 32, or 0 for no quantising noise", o.Bits)
	}
	switch o.mains {
	case "none", "":
	case "both":
		o.MainsHz = []float64{50, 60}
	default:
		for part := range strings.SplitSeq(o.mains, ",") {
			v, err := strconv.ParseFloat(strings.TrimSpace(part), 64)
			if err != nil || !(v >= 10 && v <= 1000) {
				return fmt.Errorf("--mains %s: want 50, 60, both or none", o.mains)
			}
			o.MainsHz = append(o.MainsHz, v)
		}
	}
	for _, w := range []struct {
		flag, text string
		to         **coil.Wire
	}{{"wire", o.wire, &o.Wire}, {"pickup-wire", o.pickupWire, &o.PickupWire}} {
		if w.text == "" {
			continue
		}
		wire, err := coil.ParseWire(w.text)
		if err != nil {
			return fmt.Errorf("--%s: %w", w.flag, err)
		}
		*w.to = &wire
	}
	for _, text := range o.distances {
		var l length
		if err := l.Set(text); err != nil || l <= 0 {
			return fmt.Errorf("--distance %q: write lengths above zero such as 100mm", text)
		}
		o.DistancesM = append(o.DistancesM, float64(l))
	}
	for _, text := range o.points {
		p, err := parsePoint(text)
		if err != nil {
			return err
		}
		o.Points = append(o.Points, p)
	}
	if err := o.checkStations(); err != nil {
		return err
	}
	return o.checkDesign()
}

func (o *planOptions) checkStations() error {
	switch {
	case o.stations == "":
		return nil
	case !(o.spacing >= 1e-3):
		return fmt.Errorf("--spacing %g m: must be at least 1mm", float64(o.spacing))
	case o.levels < 1 || o.levels > 100:
		return fmt.Errorf("--levels %d: must be 1 to 100", o.levels)
	case o.attitudes < 1 || o.attitudes > 6:
		return fmt.Errorf("--attitudes %d: must be 1 to 6", o.attitudes)
	case o.pace < 0 || o.hold <= 0 || o.pace > 0 && o.hold > o.pace:
		return fmt.Errorf("--pace %v --hold %v: must be positive, and the rest no longer than the pace", o.pace, o.hold)
	case !(o.boardSigma > 0) || !(o.boardTiltDeg > 0):
		return fmt.Errorf("--board-sigma and --board-tilt-sigma must be above zero: no board is exact")
	}
	return nil
}

func (o *planOptions) checkDesign() error {
	o.Slices = o.out != ""
	if !o.optimise {
		return nil
	}
	if o.rigOut == "" && o.out == "" {
		return fmt.Errorf("--optimise writes a new rig file: name it with --rig-out, or give a directory with --out")
	}
	o.Layout = &prediction.Layout{ShiftM: r3.Vec{X: float64(o.move), Y: float64(o.move), Z: float64(o.move)}, TiltRad: o.tiltDeg * math.Pi / 180, Seed: o.seed}
	switch {
	case o.goal == "mean":
		o.Layout.Goal = prediction.Mean
	case o.goal != "worst":
		return fmt.Errorf("--goal %s: must be worst or mean", o.goal)
	case o.tiltDeg > 180:
		return fmt.Errorf("--tilt %g: must be at most 180 degrees", o.tiltDeg)
	case o.move == 0 && o.tiltDeg == 0:
		return fmt.Errorf("--optimise with --move 0 and --tilt 0 leaves nothing to move")
	}
	return nil
}

func parsePoint(text string) (r3.Vec, error) {
	var v [3]float64
	parts := strings.Split(text, ",")
	for i := range v {
		var err error
		if len(parts) == 3 {
			v[i], err = strconv.ParseFloat(strings.TrimSpace(parts[i]), 64)
		}
		if len(parts) != 3 || err != nil || math.IsNaN(v[i]) || math.IsInf(v[i], 0) {
			return r3.Vec{}, fmt.Errorf("--point %q: want x,y,z in metres, as 0.1,0,0.2", text)
		}
	}
	return r3.Vec{X: v[0], Y: v[1], Z: v[2]}, nil
}

// planFailed is an error for which the exit code is 1.
type planFailed struct{ error }

func (planFailed) Is(target error) bool { return target == measure.ErrNoRow }
func (f planFailed) Unwrap() error      { return f.error }

func runPlan(ctx context.Context, file string, o *planOptions, s Streams) error {
	if err := o.check(); err != nil {
		return err
	}
	out, err := o.room(file)
	if err != nil {
		return err
	}
	defer out.Abort()
	r, err := rig.Load(file, rig.Options{AllowMissingTones: true})
	if err != nil {
		return err
	}
	plan, edit, err := plan.Make(ctx, r, o.Options)
	var infeasible *frequencyplan.Infeasible
	if errors.As(err, &infeasible) {
		return withHint(planFailed{err}, "lengthen --orthogonal, widen --low and --high, lower --margin, or ease --mains")
	}
	if err != nil {
		return err
	}
	if err := o.write(out, plan, r, edit, s); err != nil {
		return err
	}
	if o.json {
		e := json.NewEncoder(s.Out)
		e.SetIndent("", "  ")
		err = e.Encode(plan)
	} else {
		err = printPlan(s.Out, terminal.PaintFor(s.Out), plan, &o.Options, o.explain)
	}
	if err != nil {
		return err
	}
	return blindEverywhere(plan)
}

func blindEverywhere(p *plan.Plan) error {
	if len(p.Sensors) == 0 || slices.ContainsFunc(p.Sensors, func(s plan.Sensor) bool { return s.Blind < s.Poses }) {
		return nil
	}
	return withHint(planFailed{fmt.Errorf("no pose in the working volume can be solved")},
		"six degrees of freedom need at least six couplings of emitters that stand and point differently; one pickup coil has five")
}

// room begins --out and refuses outputs that exist, before anything is computed.
func (o *planOptions) room(file string) (*files.Batch, error) {
	if o.out != "" && o.rigOut == "" {
		stem := strings.TrimSuffix(strings.TrimSuffix(filepath.Base(file), filepath.Ext(file)), ".rig")
		o.rigOut = filepath.Join(o.out, stem+".planned.rig.yaml")
	}
	for _, name := range []string{o.rigOut, o.stations} {
		if name == "" {
			continue
		}
		if err := files.Refuse(name, o.force); err != nil {
			return nil, err
		}
	}
	return files.Into(o.out, o.force)
}

// write leaves files; a rig file only if the plan changed anything.
func (o *planOptions) write(out *files.Batch, p *plan.Plan, r *rig.Rig, edit *rig.Edit, s Streams) error {
	if o.out != "" {
		if err := o.writeDirectory(out, p, r, edit); err != nil {
			return err
		}
		fmt.Fprintf(s.Err, "tonepose: figures, plan.txt and plan.json in %s\n", o.out)
	}
	if o.rigOut != "" && o.out == "" && !p.Changed() {
		fmt.Fprintf(s.Err, "tonepose: the rig leaves nothing open and nothing was moved: %s is not written\n", o.rigOut)
	}
	if o.rigOut != "" && p.Changed() {
		if _, err := edit.Save(o.rigOut); err != nil {
			return err
		}
		fmt.Fprintf(s.Err, "tonepose: planned rig in %s\n", o.rigOut)
	}
	if o.stations == "" {
		return nil
	}
	n, err := plan.WriteStations(r, o.stations, plan.BoardOptions{SpacingM: float64(o.spacing), Levels: o.levels, Rotations: o.attitudes,
		PaceS: o.pace.Seconds(), HoldS: o.hold.Seconds(), SigmaM: float64(o.boardSigma), SigmaRad: o.boardTiltDeg * math.Pi / 180, Force: o.force})
	if err != nil {
		return err
	}
	if o.pace > 0 {
		fmt.Fprintf(s.Err, "tonepose: %d stations in %s: begin each at its start_s, counted from the recording's first sample\n", n, o.stations)
	} else {
		fmt.Fprintf(s.Err, "tonepose: %d stations in %s: fill in start_s and stop_s, the seconds from the recording's first sample between which the sensor rested\n", n, o.stations)
	}
	return nil
}

// writeDirectory fills --out.
func (o *planOptions) writeDirectory(out *files.Batch, p *plan.Plan, r *rig.Rig, edit *rig.Edit) error {
	var planned *rig.Rig
	if p.Design != nil {
		text, err := edit.Text()
		if err != nil {
			return err
		}
		if planned, err = rig.Parse(o.rigOut, text, rig.Options{}); err != nil {
			return err
		}
	}
	figures := report.PlanFigures(p, r, planned, report.PlanNote(p, o.Options))
	var text bytes.Buffer
	if err := printPlan(&text, terminal.Paint{}, p, &o.Options, true); err != nil {
		return err
	}
	data, err := json.MarshalIndent(p, "", "  ")
	if err != nil {
		return err
	}
	err = errors.Join(out.Write("plan.txt", text.Bytes()), out.Write("plan.json", append(data, '\n')))
	for _, f := range figures {
		err = errors.Join(err, f.Figure.Save(out, f.Name+".png"))
	}
	if err != nil {
		return err
	}
	return out.Commit()
}
