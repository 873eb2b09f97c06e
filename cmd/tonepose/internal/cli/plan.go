package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/plan"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/terminal"
	"tonepose/fieldmodels/coil"
	"tonepose/multitone/frequencyplan"
	"tonepose/solver/prediction"
)

type planOptions struct {
	plan.Options
	layout                prediction.Layout
	move                  float64
	board                 plan.BoardOptions
	optimise              bool
	rigOut, out, stations string
	figures               []string
	drive                 plan.Waveform
	force, explain        bool
	output                outputFlags
}

func newPlan(s Streams) *cobra.Command {
	var o planOptions
	cmd := &cobra.Command{
		Use:   "plan RIG",
		Short: "Design a bench before building it: tones, noise, coils, accuracy, exposure",
		Long: `Plan shows what to do with a bench and what to expect of it, from its rig file
alone: it checks the tones, or chooses those that the rig leaves out (tone_hz and
current_a_peak may be missing); finds phases for tones that share an amplifier;
works out averaging, coils and dynamic range; predicts position and orientation
error over the working volume with its blind spots; and compares the field with
published reference levels.

With --optimise it moves and tilts the emitters within bounds so that the
predicted position error becomes small, and writes a new rig file. With
--stations it writes a test plan for a grid board: fill in start_s and stop_s (or
keep to --pace), then give the file to solve --intervals, assess --truth or
calibrate --intervals; sheets beside it, drawn for the bench, have places, heights,
attitudes and the order. With --drive it writes the signals that drive the coils: one
channel an amplifier, whole periods of the same tones, phases of low crest (or those
that the rig states, phase_deg), and beside it in words what full scale stands for
and what to be careful of.

Driven coils get hot and can burn, and disturb implants: the plan's cautions come last,
and say of which. It is arithmetic, no safety assessment; local codes and licensed
practice decide, and clinical use is out of scope.

Errors are rms lengths: the square root of the trace of the covariance. They are
what noise alone leaves, the Cramér–Rao bound, which solve reaches; for a
calibrated rig with its covariance, what solve then states.

Exit code: 0 done (cautions are part of a plan), 1 no tones meet the wishes, no pose
in the working volume can be solved, or one of the files could not be written, which is
named, 2 the call or a file was wrong.`,
		Example: `  tonepose plan bench.rig.yaml --window 40ms --accuracy 0.1mm --explain
  tonepose plan bench.rig.yaml --optimise --move 30mm --tilt 45 --rig-out better.rig.yaml
  tonepose plan bench.rig.yaml --out plan --stations board.csv --spacing 50mm --levels 3
  tonepose plan bench.rig.yaml --drive drive.wav --drive-ramp 50ms --amplifier-gain 0.5 --rig-out driven.rig.yaml`,
		Args: one,
		RunE: func(cmd *cobra.Command, args []string) error { return runPlan(cmd.Context(), args[0], &o, s) },
	}
	f := cmd.Flags()
	addValue(f, &o.WindowS, "window", "40ms", "duration", aboveZero(seconds), "length of one measurement")
	addValue(f, &o.OrthogonalS, "orthogonal", "", "duration", seconds, "time over which tones are orthogonal: multiples of its inverse (default the shortest multiple of the window from 40ms on)")
	f.StringVar(&o.Taper, "taper", "hann", "weighting of the window: hann, rectangular, blackman-harris …")
	addValue(f, &o.AccuracyM, "accuracy", "", "length", metres, "wanted rms position error, to be met by 95 % of the poses, as 0.1mm")
	addValue(f, &o.NoiseV, "noise", "5e-9", "density", density.atLeast(0), "white noise density at the amplifiers' inputs in V/√Hz")
	addValue(f, &o.FlickerHz, "flicker", "0", "frequency", hertz.atLeast(0), "corner in Hz where flicker noise equals the white")
	addValue(f, &o.Bits, "bits", "16", "int", adcBits, "resolution of the ADC in bits; 0: no quantising noise")
	addValue(f, &o.MainsHz, "mains", "50,60", "list", mainsList, "mains frequencies in Hz to keep clear of: 50, 60, both, or none")
	addValue(f, &o.LowHz, "low", "2000", "frequency", hertz.atLeast(0), "lowest tone to choose, in Hz")
	addValue(f, &o.HighHz, "high", "", "frequency", hertz.atLeast(0), "highest tone to choose, in Hz (default half of Nyquist)")
	addValue(f, &o.MarginHz, "margin", "", "frequency", hertz.atLeast(0), "distance of tones from mains and products of distortion, in Hz (default half of the tones' grid)")
	addValue(f, &o.CurrentA, "current", "0.5", "current", amperes.atLeast(1e-9), "peak drive current in A of emitters that state none")
	addValue(f, &o.Wire, "wire", "", "wire", wire, "copper wire of the emitters, as 0.5mm or awg24 (default: one that fits, assumed)")
	addValue(f, &o.PickupWire, "pickup-wire", "", "wire", wire, "copper wire of the pickups; their thermal noise is then added")
	addValue(f, &o.AmbientC, "ambient", "25", "temperature", celsius.atLeast(-200), "temperature in °C")
	addValue(f, &o.DistancesM, "distance", "50mm,100mm,200mm,300mm,500mm,1m", "lengths", listOf(aboveZero(metres)), "distances from the nearest coil for exposure, separated by commas")
	addValue(f, &o.Points, "point", "", "x,y,z", func(text string) ([]r3.Vec, error) {
		p, err := listOf(metre.number)(text)
		if err != nil || len(p) != 3 {
			return nil, fmt.Errorf("want x,y,z, as 100mm,0,200mm or, in metres, 0.1,0,0.2")
		}
		return append(o.Points, r3.Vec{X: p[0], Y: p[1], Z: p[2]}), nil
	}, "a position for exposure in m in the rig frame; may repeat")
	f.BoolVar(&o.optimise, "optimise", false, "move and tilt the emitters, write a new rig file")
	addValue(f, &o.move, "move", "30mm", "length", metres, "how far an emitter may move along each axis")
	addValue(f, &o.layout.TiltRad, "tilt", "45", "degrees", angle(180), "how far an emitter may tilt, in degrees")
	addValue(f, &o.layout.Goal, "goal", "worst", "goal", oneOf([]string{"worst", "mean"}, prediction.Worst, prediction.Mean), "what to make small: worst or mean error over the working volume")
	f.StringVar(&o.OptimiseForSensor, "sensor", "", "the sensor to optimise for (default the first)")
	f.Uint64Var(&o.layout.Seed, "seed", 1, "seed of the random layouts that --optimise begins with")
	f.StringVar(&o.rigOut, "rig-out", "", "rig file to write, with chosen tones, currents and moved emitters (default DIR/NAME.planned.rig.yaml with --out)")
	f.StringVar(&o.stations, "stations", "", "CSV of a test plan to write")
	addValue(f, &o.board.SpacingM, "spacing", "100mm", "length", metres, "distance between the holes of the grid board, at least 1mm")
	addValue(f, &o.board.Levels, "levels", "2", "int", whole(1, 100), "heights of the board, spread over the working volume")
	addValue(f, &o.board.Orientations, "orientations", "3", "int", whole(1, 6), "orientations of the sensor at each position, 1 to 6")
	addValue(f, &o.board.PaceS, "pace", "", "duration", seconds, "fill start_s and stop_s in: one station each so long (default: left to be filled in)")
	addValue(f, &o.board.HoldS, "hold", "2s", "duration", aboveZero(seconds), "rest at each station, with --pace")
	addValue(f, &o.board.SigmaM, "board-sigma", "0.1mm", "length", aboveZero(metres), "one sigma of each component of a station's position; no board is exact")
	addValue(f, &o.board.SigmaRad, "board-rotation-sigma", "0.1", "degrees", aboveZero(angle(180)), "one sigma of each component of a station's rotation, in degrees")
	f.StringVar(&o.drive.File, "drive", "", "file of the drive signals to write: .wav, .npy or .csv; plays over and over without a seam, with words and cautions beside it")
	addValue(f, &o.drive.Groups, "drive-channels", "", "channels", o.driveChannels, "amplifier: one channel for emitters that share a reference channel (the default); emitter: one each; or groups, as e1+e2,e3+e4")
	addValue(f, &o.drive.Bits, "drive-bits", "16", "int", sampleBits(16, 24, 0), "bits of its samples; 0: floats")
	addValue(f, &o.drive.RateHz, "drive-rate", "", "frequency", hertz.atLeast(1), "its sample rate in Hz (default the rig's)")
	addValue(f, &o.drive.ScaleV, "drive-scale", "", "scale", o.driveScale, "what its full scale stands for: volts of the player, as 2V, or amperes of the coils, as 1A (default: so that the peak is at 90 %)")
	addValue(f, &o.drive.GainAPerV, "amplifier-gain", "", "gain", transfer.positive, "amperes through the coils per volt of the player, at the tones and with the coils connected")
	addValue(f, &o.drive.LengthS, "drive-length", "1s", "duration", seconds, "its least length: whole periods are repeated")
	addValue(f, &o.drive.RampS, "drive-ramp", "", "duration", seconds, "also write a soft start of this length, to be played once before it")
	f.StringVar(&o.out, "out", "", "directory for plan.txt, plan.json, figures and the planned rig")
	addFigures(f, &o.figures, "png,svg", "the figures in --out and of the sheet of --stations")
	alone(f, []string{"optimise"}, "move", "tilt", "goal", "sensor", "seed")
	alone(f, []string{"stations"}, "spacing", "levels", "orientations", "pace", "board-sigma", "board-rotation-sigma")
	alone(f, []string{"pace"}, "hold")
	alone(f, []string{"drive"}, "drive-channels", "drive-bits", "drive-rate", "drive-scale", "amplifier-gain", "drive-length", "drive-ramp")
	f.BoolVar(&o.explain, "explain", false, "print the formula and source of every number")
	f.BoolVar(&o.force, "force", false, "replace existing files")
	o.output.add(f)
	return cmd
}

// driveChannels reads how emitters go to the channels of the drive file.
func (o *planOptions) driveChannels(text string) (groups [][]string, err error) {
	o.drive.Each = text == "emitter"
	if text == "amplifier" || o.drive.Each {
		return nil, nil
	}
	for group := range strings.SplitSeq(text, ",") {
		names := strings.Split(group, "+")
		for i := range names {
			if names[i] = strings.TrimSpace(names[i]); names[i] == "" {
				return nil, fmt.Errorf("want amplifier, emitter, or groups of emitters, as e1+e2,e3+e4")
			}
		}
		groups = append(groups, names)
	}
	return groups, nil
}

// driveScale reads volts or amperes.
func (o *planOptions) driveScale(text string) (inVolts float64, err error) {
	switch {
	case strings.HasSuffix(text, "V"):
		return volts.positive(text)
	case strings.HasSuffix(text, "A"):
		o.drive.ScaleA, err = amperes.positive(text)
		return 0, err
	}
	return 0, fmt.Errorf("want volts or amperes, as 2V or 0.5A")
}

// wire reads a copper wire.
func wire(text string) (coil.Wire, error) {
	w, err := coil.ParseWire(text)
	if err == nil {
		return w, nil
	}
	if _, bare := pureNumber.number(text); bare == nil {
		return w, fmt.Errorf("has no unit: write awg%s for a gauge, or a diameter as 0.5mm", text)
	}
	_, words, _ := strings.Cut(err.Error(), fmt.Sprintf("wire %q: ", text))
	return w, errors.New(words)
}

func adcBits(text string) (int, error) {
	n, err := bits.number(text)
	if err == nil && n != 0 && !(n >= 4 && n <= 32 && n == math.Trunc(n)) {
		err = errors.New("must be a whole number from 4 to 32, or 0")
	}
	return int(n), err
}

func mainsList(text string) ([]float64, error) {
	switch text {
	case "none", "":
		return nil, nil
	case "both":
		return []float64{50, 60}, nil
	}
	list, err := listOf(hertz.between(10, 1000))(text)
	if err != nil {
		return nil, fmt.Errorf("want 50, 60, both or none")
	}
	return list, nil
}

// check completes the options.
func (o *planOptions) check(file string) error {
	if b := &o.board; b.PaceS > 0 && b.HoldS > b.PaceS {
		return fmt.Errorf("--pace %gs --hold %gs: the rest must not be longer than the pace", b.PaceS, b.HoldS)
	}
	o.Slices = o.out != ""
	if o.drive.File != "" {
		o.Drive = &o.drive
	}
	if o.optimise {
		if o.rigOut == "" && o.out == "" {
			return fmt.Errorf("--optimise writes a new rig file: name it with --rig-out, or give a directory with --out")
		}
		if o.move == 0 && o.layout.TiltRad == 0 {
			return fmt.Errorf("--optimise with --move 0 and --tilt 0 leaves nothing to move")
		}
		o.layout.ShiftM = r3.Vec{X: o.move, Y: o.move, Z: o.move}
		o.Layout = &o.layout
	}
	if o.out != "" && o.rigOut == "" {
		o.rigOut = filepath.Join(o.out, filepath.Base(rigStem(file))+".planned.rig.yaml")
	}
	for _, name := range []string{o.rigOut, o.stations, o.drive.File} {
		if err := files.Refuse(name, o.force); err != nil {
			return err
		}
	}
	return nil
}

// planFailed is an error for which the exit code is 1.
type planFailed struct{ error }

func (planFailed) Is(target error) bool { return target == measure.ErrNoRow }
func (f planFailed) Unwrap() error      { return f.error }

func runPlan(ctx context.Context, file string, o *planOptions, s Streams) error {
	if err := o.check(file); err != nil {
		return err
	}
	out, err := files.Into(o.out, o.force)
	if err != nil {
		return err
	}
	defer out.Abort()
	progress := terminal.NewProgress(s.Err, o.output.quiet || o.output.json)
	defer progress.Clear()
	o.Progress = progress.Show
	var page *present.PlanPage
	if !o.output.json && !o.output.quiet { // every table as soon as it is ready
		page = present.NewPlanPage(s.Out, o.explain)
		o.Ready = func(p *plan.Plan, part plan.Part) {
			progress.Clear()
			page.Show(p, part)
		}
	}
	p, err := plan.Run(ctx, file, o.Options)
	var infeasible *frequencyplan.Infeasible
	if errors.As(err, &infeasible) {
		return withHint(planFailed{err}, "lengthen --window, so that tones may stand closer, or --orthogonal, which makes their grid finer; widen --low and --high, lower --margin, or ease --mains")
	}
	if err != nil {
		return err
	}
	if o.stations != "" {
		if err := p.CheckStations(o.board); err != nil {
			return err
		}
	}
	failed := o.leave(p, out, s)
	if page != nil {
		err = page.Err()
	} else {
		err = o.output.show(s, p, nil)
	}
	if err != nil || failed != nil {
		return errors.Join(err, failed)
	}
	if p.Blind() {
		return withHint(planFailed{fmt.Errorf("no pose in the working volume can be solved")},
			"six degrees of freedom need at least six couplings of emitters that stand and point differently; one pickup coil has five")
	}
	return nil
}

// leave writes all files of a plan, which appear in one step. A part that fails leaves out
// its own files alone.
func (o *planOptions) leave(p *plan.Plan, out *files.Batch, s Streams) error {
	// Those that flags name, and others that go with them, which are not asked for.
	named, along := &files.Batch{Force: o.force}, &files.Batch{Force: true}
	defer named.Abort()
	defer along.Abort()
	var failed error
	var notes []func() // what is said of files that are there
	add := func(part string, note func(), err error) {
		failed = errors.Join(failed, measure.StepFailed(part, err))
		if note != nil {
			notes = append(notes, note)
		}
	}
	note, err := o.addDrive(named, p.DriveFile, s)
	add("drive signals", note, err)
	note, err = o.addOut(out, p, s)
	add("files in --out", note, err)
	note, err = o.addRig(along, p, s)
	add("planned rig", note, err)
	note, err = o.addStations(named, along, p, s)
	add("stations", note, err)
	if err := files.Commit(named, along, out); err != nil {
		return errors.Join(failed, err)
	}
	for _, note := range notes {
		note()
	}
	return failed
}

// addOut adds figures and tables in --out.
func (o *planOptions) addOut(to *files.Batch, p *plan.Plan, s Streams) (func(), error) {
	if to == nil {
		return nil, nil
	}
	err := errors.Join(to.Together(func() error {
		return draw(s, &o.output, func() error { return report.SavePlan(to, p, o.figures) })
	}),
		to.Fill("plan.txt", func(w io.Writer) error { return present.Plan(w, p, true) }),
		to.Fill("plan.json", func(w io.Writer) error { return present.JSON(w, p) }))
	if err != nil {
		return nil, err
	}
	return func() { o.output.note(s, "figures, plan.txt and plan.json in %s", o.out) }, nil
}

// addDrive adds the file of drive signals, with words beside it.
func (o *planOptions) addDrive(to *files.Batch, d *plan.DriveFile, s Streams) (func(), error) {
	if d == nil {
		return nil, nil
	}
	err := to.Together(func() error {
		return errors.Join(to.Fill(d.About, func(w io.Writer) error { return present.DriveFile(w, d) }), d.Write(to))
	})
	if err != nil {
		return nil, err
	}
	return func() {
		o.output.note(s, "drive signals in %s, what they are in %s", d.File, d.About)
		if o.rigOut == "" {
			o.output.note(s, "--rig-out writes a rig with their tones, currents and phases")
		}
	}, nil
}

// addRig adds the planned rig, if the plan changed anything.
func (o *planOptions) addRig(to *files.Batch, p *plan.Plan, s Streams) (func(), error) {
	switch {
	case o.rigOut != "" && p.Changed():
		err := to.Together(func() error {
			_, err := p.Edit.Add(to, o.rigOut)
			return err
		})
		if err != nil {
			return nil, err
		}
		return func() { o.output.note(s, "planned rig in %s", o.rigOut) }, nil
	case o.rigOut != "" && o.out == "":
		return func() {
			o.output.note(s, "the rig leaves nothing open and nothing was moved: %s is not written", o.rigOut)
		}, nil
	}
	return nil, nil
}

// addStations adds the test plan, and along with it its sheets.
func (o *planOptions) addStations(to, along *files.Batch, p *plan.Plan, s Streams) (func(), error) {
	if o.stations == "" {
		return nil, nil
	}
	board, err := p.Stations(o.board)
	if err == nil {
		err = to.Write(o.stations, board.Text)
	}
	if err != nil {
		return nil, err
	}
	var sheets []string
	err = along.Together(func() error {
		return draw(s, &o.output, func() (err error) {
			sheets, err = report.SaveStations(along, p.Bench, o.stations, board.Text, o.figures)
			return err
		})
	})
	return func() {
		if board.Left > 0 {
			o.output.note(s, "%d positions are left out, as channels can clip there", board.Left)
		}
		for _, name := range sheets {
			o.output.note(s, "drawn in %s", name)
		}
		if o.board.PaceS > 0 {
			o.output.note(s, "%d stations in %s: begin each at its start_s, counted from the recording's first sample", board.Rows, o.stations)
		} else {
			o.output.note(s, "%d stations in %s: visit them in this order, then tonepose inspect RECORDING --rig RIG --stations %[2]s --out DIR finds when the sensor rested at each (or fill in start_s and stop_s, in seconds from the first sample)", board.Rows, o.stations)
		}
	}, err
}
