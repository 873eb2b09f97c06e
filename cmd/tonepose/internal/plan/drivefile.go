package plan

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"tonepose/cmd/tonepose/internal/caution"
	"tonepose/cmd/tonepose/internal/files"
	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone/frequencyplan"
	"tonepose/multitone/recording"
)

// Waveform says what file of drive signals is wanted.
type Waveform struct {
	File      string     // .wav, .npy or .csv
	Groups    [][]string // names of the emitters on each channel; nil: those that share a reference channel share one
	Each      bool       // nil Groups: a channel for every emitter instead
	RateHz    float64    // of the player; 0: the rig's
	Bits      int        // 16 or 24; 0: 32-bit floats
	ScaleV    float64    // volts of the player's full scale; 0: chosen
	ScaleA    float64    // instead: amperes of it
	GainAPerV float64    // amperes of the coils per volt of the player; 0: the file is in amperes
	LengthS   float64    // least length: whole periods are repeated
	RampS     float64    // of the soft start, in a file of its own; 0: none
}

// DriveFile is a file of drive signals: whole periods of all tones, so that it can be
// played over and over.
type DriveFile struct {
	File          string         `json:"file"`
	StartFile     string         `json:"start_file,omitempty"` // the soft start, to be played once before it
	About         string         `json:"about"`                // these words in a file beside it
	RateHz        float64        `json:"sample_rate_hz"`
	PeriodSamples int            `json:"period_samples"`
	Samples       int            `json:"samples"`
	StartSamples  int            `json:"start_samples"`
	Bits          int            `json:"bits"` // 0: floats
	Unit          string         `json:"unit"` // V or A
	FullScale     float64        `json:"full_scale"`
	GainAPerV     float64        `json:"amplifier_gain_a_per_v"` // 0: not stated
	HeldLoss      float64        `json:"held_loss"`              // of the highest tone, where the player holds each sample
	Channels      []DriveChannel `json:"channels"`
	Cautions      []string       `json:"cautions"`

	stem, format string
	ramp         int
	groups       []driveGroup
}

// DriveChannel is one channel of a DriveFile, as a rule one amplifier.
type DriveChannel struct {
	Name  string       `json:"name"`
	Tones []DrivenTone `json:"tones"`
	PeakA float64      `json:"peak_a"`
	Crest float64      `json:"crest"`
	Share float64      `json:"peak_share"` // of full scale

	period []float64 // [A]
}

// DrivenTone is one tone of a channel: amplitude and phase of the current, as a cosine
// at the file's first sample.
type DrivenTone struct {
	Emitter  string  `json:"emitter"`
	Hz       float64 `json:"tone_hz"`
	PeakA    float64 `json:"current_a_peak"`
	PhaseDeg float64 `json:"phase_deg"`

	index int
}

const (
	// maxDriveNumbers bounds the samples of a period, all channels together: 128 MB.
	maxDriveNumbers = 1 << 24
	// driveReserve is how much of full scale the peak takes where plan chooses the scale:
	// a player's reconstruction may overshoot its samples (common practice).
	driveReserve = 0.9
)

// check refuses what no bench can have.
func (w *Waveform) check(r *rig.Rig) error {
	to, err := recording.OutputOf(w.File)
	format, rate := to.Format, cmp.Or(w.RateHz, r.SampleRateHz)
	switch {
	case err != nil, format == "sigmf":
		return fmt.Errorf("--drive %s: the name must end in .wav, .npy or .csv", w.File)
	case w.ScaleV > 0 && w.GainAPerV == 0:
		return fmt.Errorf("--drive-scale %g V: state with --amplifier-gain how many amperes the coils get per volt, or state the scale in amperes, as 1A", w.ScaleV)
	case format == "wav" && rate != math.Trunc(rate):
		return fmt.Errorf("--drive %s: a WAV has a whole sample rate, not %g Hz: state --drive-rate, or write .npy", w.File, rate)
	}
	return nil
}

// driveLoop works out by the tones alone, before all that takes long, which emitters go to which
// channel of the file of drive signals, and how long its loop is.
func (p *Plan) driveLoop(context.Context) error {
	w := p.Options.Drive
	if w == nil {
		return nil
	}
	to, err := recording.OutputOf(w.File)
	if err != nil {
		return err
	}
	d := &DriveFile{File: w.File, About: to.Stem + ".txt", RateHz: cmp.Or(w.RateHz, p.Bench.SampleRateHz), Bits: w.Bits, GainAPerV: w.GainAPerV, stem: to.Stem, format: to.Format}
	if d.groups, err = p.groups(w); err != nil {
		return err
	}
	if d.PeriodSamples, err = p.period(d.RateHz, len(d.groups)); err != nil {
		return err
	}
	p.DriveFile = d
	return nil
}

// driveFile completes the file of drive signals, and notes its phases in the planned rig.
func (p *Plan) driveFile(ctx context.Context) error {
	w, d := p.Options.Drive, p.DriveFile
	if d == nil {
		return nil
	}
	for _, g := range d.groups {
		c, err := p.driveChannel(ctx, g, d)
		if err != nil {
			return err
		}
		d.Channels = append(d.Channels, *c)
	}
	if err := d.scale(w); err != nil {
		return err
	}
	d.Samples = d.PeriodSamples * max(1, int(math.Ceil(w.LengthS*d.RateHz/float64(d.PeriodSamples)-1e-9)))
	if w.RampS > 0 {
		d.ramp = max(1, int(math.Round(w.RampS*d.RateHz)))
		d.StartSamples = d.PeriodSamples * ((d.ramp + d.PeriodSamples - 1) / d.PeriodSamples)
		d.StartFile = d.stem + ".start." + d.format
	}
	if numbers := (d.Samples + d.StartSamples) * len(d.groups); numbers > 16*maxDriveNumbers {
		return fmt.Errorf("the drive file would have %d samples: shorten --drive-length or --drive-ramp", numbers)
	}
	highest := 0.0
	for _, t := range p.Tones.Tones {
		highest = max(highest, t.Hz)
	}
	x := math.Pi * highest / d.RateHz
	d.HeldLoss = 1 - math.Sin(x)/x
	d.Cautions = append([]string{caution.Standing}, p.Cautions...)
	p.driven(d)
	for _, c := range d.Channels {
		for _, t := range c.Tones {
			p.Edit.SetNumber(fmt.Sprintf("emitters[%d].phase_deg", t.index), t.PhaseDeg)
		}
	}
	return nil
}

// driven puts the phases of a drive file, and what follows from them, where others were
// planned for what the reference channels see.
func (p *Plan) driven(file *DriveFile) {
	phases := map[string]float64{}
	for _, c := range file.Channels {
		for _, t := range c.Tones {
			phases[t.Emitter] = t.PhaseDeg
		}
	}
	for i := range p.Drives {
		d := &p.Drives[i]
		var radians []float64
		for k, e := range d.Emitters {
			d.PhasesDeg[k] = phases[e]
			radians = append(radians, phases[e]*math.Pi/180)
		}
		if crest, err := frequencyplan.CrestFactor(d.hz, d.volts, radians, d.PeriodS); err == nil {
			d.PeakV *= crest / d.Crest
			d.Crest = crest
		}
	}
}

// driveGroup are the emitters of one channel.
type driveGroup struct {
	name     string
	emitters []int
}

func (p *Plan) groups(w *Waveform) (groups []driveGroup, err error) {
	r := p.Bench
	if w.Groups == nil {
		shared := map[int]int{}
		for i, e := range r.Emitters {
			if e.Reference != nil && !w.Each {
				if g, ok := shared[e.Reference.Channel]; ok {
					groups[g].emitters = append(groups[g].emitters, i)
					continue
				}
				shared[e.Reference.Channel] = len(groups)
				groups = append(groups, driveGroup{r.Channels[e.Reference.Channel].Name, []int{i}})
				continue
			}
			groups = append(groups, driveGroup{e.Name, []int{i}})
		}
		return groups, nil
	}
	taken := map[string]bool{}
	for _, names := range w.Groups {
		g := driveGroup{name: strings.Join(names, "+")}
		for _, name := range names {
			i := slices.IndexFunc(p.Tones.Tones, func(t Tone) bool { return t.Emitter == name })
			switch {
			case i < 0:
				return nil, fmt.Errorf("--drive-channels: the rig has no emitter %q", name)
			case taken[name]:
				return nil, fmt.Errorf("--drive-channels: emitter %s stands twice: one channel drives it", name)
			}
			taken[name] = true
			g.emitters = append(g.emitters, i)
		}
		groups = append(groups, g)
	}
	for _, t := range p.Tones.Tones {
		if !taken[t.Emitter] {
			return nil, fmt.Errorf("--drive-channels: emitter %s is on no channel: add it, or leave the flag out", t.Emitter)
		}
	}
	return groups, nil
}

// period is the least number of samples that holds whole periods of all tones.
func (p *Plan) period(rateHz float64, channels int) (int, error) {
	common, whole := millihertz(rateHz)
	if !whole {
		return 0, fmt.Errorf("a sample rate of %g Hz is no multiple of 0.001 Hz: no loop of samples holds whole periods", rateHz)
	}
	rate := common
	longest, of := 1, p.Tones.Tones[0]
	for _, t := range p.Tones.Tones {
		n, whole := millihertz(t.Hz)
		switch {
		case !whole:
			return 0, fmt.Errorf("%s: tone_hz = %.10g is no multiple of 0.001 Hz: no loop holds whole periods: round it", t.Emitter, t.Hz)
		case t.Hz >= rateHz/2:
			return 0, fmt.Errorf("%s: tone_hz = %.10g is not under half the player's rate of %g Hz: raise --drive-rate", t.Emitter, t.Hz, rateHz)
		}
		common = greatestDivisor(common, n)
		if l := rate / greatestDivisor(rate, n); l > longest {
			longest, of = l, t
		}
	}
	n := rate / common
	if n*channels > maxDriveNumbers {
		return 0, fmt.Errorf("the tones share no period under %.3g s at %g Hz (%s at %.10g Hz alone needs %.3g s): put tones on a coarser grid, as multiples of %g Hz",
			float64(n)/rateHz, rateHz, of.Emitter, of.Hz, float64(longest)/rateHz, p.Tones.GridHz)
	}
	return n, nil
}

// millihertz is a frequency in whole millihertz, and whether it is one.
func millihertz(hz float64) (int, bool) {
	n := math.Round(hz * 1e3)
	return int(n), math.Abs(hz*1e3-n) <= 1e-6
}

func greatestDivisor(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// driveChannel sums the tones of a channel over a period.
func (p *Plan) driveChannel(ctx context.Context, g driveGroup, d *DriveFile) (*DriveChannel, error) {
	c := &DriveChannel{Name: g.name, period: make([]float64, d.PeriodSamples)}
	phases, err := p.drivenPhases(ctx, g.emitters)
	if err != nil {
		return nil, err
	}
	var hz, amplitudes, radians []float64
	square := 0.0
	for k, i := range g.emitters {
		t := p.Tones.Tones[i]
		// Hundredths of a degree: what is printed and what the rig states is what is played.
		deg := math.Round(phases[k]*100)/100 + 0
		c.Tones = append(c.Tones, DrivenTone{t.Emitter, t.Hz, t.CurrentPeakA, deg, i})
		phase := deg * math.Pi / 180
		hz, amplitudes, radians = append(hz, t.Hz), append(amplitudes, t.CurrentPeakA), append(radians, phase)
		square += t.CurrentPeakA * t.CurrentPeakA / 2
		cycles := int(math.Round(t.Hz * float64(d.PeriodSamples) / d.RateHz))
		for n := range c.period {
			turn := float64(cycles*n%d.PeriodSamples) / float64(d.PeriodSamples)
			c.period[n] += t.CurrentPeakA * math.Cos(2*math.Pi*turn+phase)
		}
	}
	for _, v := range c.period {
		c.PeakA = max(c.PeakA, math.Abs(v))
	}
	rms := math.Sqrt(square)
	// What the player makes between the samples may be higher.
	if crest, err := frequencyplan.CrestFactor(hz, amplitudes, radians, commonPeriod(hz)); err == nil {
		c.PeakA = max(c.PeakA, crest*rms)
	}
	c.Crest = c.PeakA / rms
	return c, ctx.Err()
}

// drivenPhases are those that the rig states; else those found for a drive channel of
// the plan, if the same emitters share both or one has a channel to itself; else found
// here [°].
func (p *Plan) drivenPhases(ctx context.Context, emitters []int) ([]float64, error) {
	r := p.Bench
	phases, hz, amplitudes := make([]float64, len(emitters)), make([]float64, len(emitters)), make([]float64, len(emitters))
	stated, planned := true, len(emitters) == 1
	for _, d := range p.Drives {
		planned = planned || len(d.Emitters) == len(emitters)
	}
	for k, i := range emitters {
		e := &r.Emitters[i]
		hz[k], amplitudes[k] = e.ToneHz, e.CurrentPeakA
		stated = stated && e.PhaseStated
		found, ok := p.plannedPhase(e.Name)
		phases[k] = found
		planned = planned && ok
	}
	switch {
	case stated:
		for k, i := range emitters {
			phases[k] = r.Emitters[i].PhaseDeg
		}
		return phases, nil
	case planned:
		return phases, nil
	}
	radians, _, err := lowCrest(ctx, hz, amplitudes, commonPeriod(hz))
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		radians = risingSchroeder(hz, amplitudes)
	}
	for k := range phases {
		phases[k] = radians[k] * 180 / math.Pi
	}
	return phases, nil
}

func (p *Plan) plannedPhase(emitter string) (float64, bool) {
	for _, d := range p.Drives {
		if k := slices.Index(d.Emitters, emitter); k >= 0 {
			return d.PhasesDeg[k], true
		}
	}
	return 0, false
}

// scale settles what full scale stands for.
func (d *DriveFile) scale(w *Waveform) error {
	d.Unit = "A"
	gain := 1.0
	if w.GainAPerV > 0 && w.ScaleA == 0 {
		d.Unit, gain = "V", w.GainAPerV
	}
	largest, of := 0.0, ""
	for i := range d.Channels {
		c := &d.Channels[i]
		for n := range c.period {
			c.period[n] /= gain
		}
		if v := c.PeakA / gain; v > largest {
			largest, of = v, c.Name
		}
	}
	d.FullScale = max(w.ScaleA, w.ScaleV)
	if d.FullScale == 0 {
		d.FullScale = roundUp(largest / driveReserve)
	}
	if largest > d.FullScale {
		return fmt.Errorf("channel %s peaks at %.4g %s, more than the full scale of %g %s: lower the currents, or raise --drive-scale", of, largest, d.Unit, d.FullScale, d.Unit)
	}
	for i := range d.Channels {
		d.Channels[i].Share = d.Channels[i].PeakA / gain / d.FullScale
	}
	return nil
}

// roundUp keeps two significant digits.
func roundUp(x float64) float64 {
	unit := math.Pow(10, math.Floor(math.Log10(x))-1)
	return math.Ceil(x/unit-1e-9) * unit
}

// Write adds the drive file, and its soft start, to a batch.
func (d *DriveFile) Write(batch *files.Batch) error {
	describe := recording.Description{Format: d.format, SampleRate: d.RateHz, Bits: d.Bits}
	for _, c := range d.Channels {
		describe.Names, describe.FullScale = append(describe.Names, c.Name), append(describe.FullScale, d.FullScale)
	}
	for _, f := range []struct {
		name          string
		samples, ramp int
	}{{d.File, d.Samples, 0}, {d.StartFile, d.StartSamples, d.ramp}} {
		if f.name == "" {
			continue
		}
		describe.Samples = int64(f.samples)
		err := batch.Fill(f.name, func(to io.Writer) error {
			w, err := recording.NewWriter(to, nil, describe)
			if err != nil {
				return fmt.Errorf("%s: %w", f.name, err)
			}
			block := make([][]float64, len(d.Channels))
			for first := 0; first < f.samples; first += d.PeriodSamples {
				for c := range block {
					block[c] = d.Channels[c].period
					if first < f.ramp {
						block[c] = rising(block[c], first, f.ramp)
					}
				}
				if err := w.Write(block); err != nil {
					return err
				}
			}
			return w.Close()
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// rising is a period that begins at sample first of a start over ramp samples: a raised
// cosine, which has neither step nor corner.
func rising(period []float64, first, ramp int) []float64 {
	out := slices.Clone(period)
	for n := range out {
		if at := first + n; at < ramp {
			out[n] *= (1 - math.Cos(math.Pi*float64(at)/float64(ramp))) / 2
		}
	}
	return out
}
