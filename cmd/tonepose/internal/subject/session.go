package subject

import (
	"cmp"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/document"
	"tonepose/cmd/tonepose/internal/figure"
	"tonepose/cmd/tonepose/internal/footage"
	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/report"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/verdict"
)

// Session is what the page shows of the whole.
type Session struct {
	Mode     string  `json:"mode"` // run, live or bench
	Name     string  `json:"name"`
	Version  int     `json:"version"`
	Ready    bool    `json:"ready"`
	Progress float64 `json:"progress"`
	Failed   string  `json:"failed"` // why nothing can be shown; empty: it can
	Tool     string  `json:"tool"`
	Live     bool    `json:"live"`

	Start    float64 `json:"start_s"`
	End      float64 `json:"end_s"`
	Window   float64 `json:"window_s"`
	Hop      float64 `json:"hop_s"`
	Rows     int     `json:"rows"`
	Unsolved int     `json:"unsolved"`
	Flagged  int     `json:"flagged"`
	InDoubt  int     `json:"in_doubt"`

	Rig       rigFacts        `json:"rig"`
	Emitters  []emitterFacts  `json:"emitters"`
	Channels  []channelFacts  `json:"channels"`
	Sensors   []sensorFacts   `json:"sensors"`
	Recording *recordingFacts `json:"recording"`
	Clock     *clockState     `json:"clock"`
	Mains     *mainsFacts     `json:"mains"`

	Flags    []flagFacts       `json:"flags"`
	Handbook []flagFacts       `json:"handbook"` // of all flags
	Findings []finding         `json:"findings"`
	Answers  []answered        `json:"answers"`
	Cautions []string          `json:"cautions"` // that concern this run
	General  []string          `json:"general_cautions"`
	Facts    []fact            `json:"facts"`
	Options  map[string]string `json:"options"`
	Command  string            `json:"command"`
	Report   string            `json:"report"` // address of the report; empty: none
	Truth    bool              `json:"truth"`
}

type rigFacts struct {
	Name       string  `json:"name"`
	Volume     boxed   `json:"volume"`
	SampleRate float64 `json:"sample_rate_hz"`
}

type boxed struct {
	Min r3.Vec `json:"min_m"`
	Max r3.Vec `json:"max_m"`
}

type emitterFacts struct {
	Name     string   `json:"name"`
	Nominal  float64  `json:"nominal_hz"`
	Current  float64  `json:"current_a_peak"`
	Position r3.Vec   `json:"position_m"`
	Axis     r3.Vec   `json:"axis"`
	Outline  []r3.Vec `json:"outline_m"` // closed; empty: a dipole
	Drive    *int     `json:"drive_channel"`
}

type channelFacts struct {
	Name      string  `json:"name"`
	Role      string  `json:"role"`
	Sensor    *int    `json:"sensor"`
	Emitter   *int    `json:"emitter"`
	FullScale float64 `json:"full_scale_v"`
}

type sensorFacts struct {
	Name     string `json:"name"`
	Channels []int  `json:"channels"`
	Rows     int    `json:"rows"`
	HasTruth bool   `json:"has_truth"`
}

type recordingFacts struct {
	Name       string    `json:"name"`
	Samples    int64     `json:"samples"`
	Channels   int       `json:"channels"`
	SampleRate float64   `json:"sample_rate_hz"`
	Duration   float64   `json:"duration_s"`
	Start      time.Time `json:"start,omitzero"`
	Bits       int       `json:"bits"`
	Unit       string    `json:"unit"`
	Missing    bool      `json:"missing"`
	Why        string    `json:"why_missing"`
	Covered    float64   `json:"covered_s"` // up to where traces can be drawn at any zoom
}

type mainsFacts struct {
	Hz   float64 `json:"hz"`
	Text string  `json:"text"`
}

type flagFacts struct {
	Name    string `json:"name"`
	Bit     uint32 `json:"bit"`
	Rows    int    `json:"rows"`
	Grade   string `json:"grade"`
	Meaning string `json:"meaning"`
	Next    string `json:"next"`
}

type finding struct {
	Words string `json:"words"`
	Rows  int    `json:"rows"`
}

// answered is one of the five questions of the rooms, answered.
type answered struct {
	Room     string `json:"room"`
	Question string `json:"question"`
	Answer   string `json:"answer"`
	Grade    string `json:"grade"` // sound, doubt, wrong or unknown
	Short    string `json:"short"`
	Why      string `json:"why"`
}

type fact struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// describe fills what the rig says.
func (s *Stage) describe(to *Session) {
	r := s.Rig
	to.Rig = rigFacts{r.Name, boxed{r.WorkingVolume.Min, r.WorkingVolume.Max}, r.SampleRateHz}
	to.Channels = make([]channelFacts, len(r.Channels))
	for i := range r.Channels {
		to.Channels[i] = channelFacts{Name: r.Channels[i].Name, Role: "other", FullScale: r.Channels[i].FullScaleV}
	}
	for i, e := range s.emitters() {
		f := emitterFacts{Name: e.Name, Nominal: r.Emitters[i].ToneHz, Current: r.Emitters[i].CurrentPeakA, Position: e.Center, Axis: e.Axis, Outline: e.Outline}
		if ref := r.Emitters[i].Reference; ref != nil {
			c := ref.Channel
			f.Drive = &c
			if to.Channels[c].Emitter = &i; to.Channels[c].Role == "drive" {
				to.Channels[c].Emitter = nil // it carries several
			}
			to.Channels[c].Role = "drive"
		}
		to.Emitters = append(to.Emitters, f)
	}
	for i, m := range s.Roster.sensors {
		for _, c := range m.channels {
			to.Channels[c].Role, to.Channels[c].Sensor = "pickup", &i
		}
		to.Sensors = append(to.Sensors, sensorFacts{Name: m.name, Channels: m.channels, Rows: s.Tracks[i].Rows.Len()})
	}
	for _, name := range append(handbook.Flags(), verdict.InDoubt.String()) {
		to.Handbook = append(to.Handbook, MarkOf(name, 0))
	}
	to.Cautions, to.General = []string{}, cautions
	to.Hop = s.Tracks[0].Rows.Hop()
	to.Flags, to.Findings, to.Answers, to.Facts = []flagFacts{}, []finding{}, []answered{}, []fact{}
}

var cautions = []string{
	"Clinical use is out of scope; it needs regulatory clearance.",
	"Driven coils can exceed exposure reference levels near them and can disturb implants.",
	"Windings of driven coils get hot.",
}

// MarkOf is what the handbook says of a flag, or of rows in doubt.
func MarkOf(name string, rows int) flagFacts {
	bit, grade := InDoubt, "doubt"
	if f, err := verdict.ParseFlags(name); err == nil {
		if bit = uint32(f); f&wrongFlags != 0 {
			grade = "wrong"
		}
	}
	return flagFacts{name, bit, rows, grade, handbook.Meaning(name), plainCode(handbook.Next(name))}
}

// count lists the flags that occur, wrong ones first, and rows in doubt.
func (to *Session) count(c *verdict.Counts, doubtful int) {
	to.Rows, to.Flagged, to.InDoubt = c.Rows, c.Flagged, doubtful
	for name, rows := range c.All {
		to.Flags = append(to.Flags, MarkOf(name, rows))
	}
	if doubtful > 0 {
		to.Flags = append(to.Flags, MarkOf(verdict.InDoubt.String(), doubtful))
	}
	slices.SortStableFunc(to.Flags, func(a, b flagFacts) int { return cmp.Compare(b.Grade, a.Grade) }) // wrong before doubt
}

// tell words what the samples show as a whole.
func (s *Stage) tell(to *Session, survey *stream.Survey) {
	if survey == nil {
		return
	}
	lo, hi, sigma := math.Inf(1), math.Inf(-1), 0.0
	for k, hz := range survey.Hz() {
		ppm := math.Round((hz/s.Rig.Emitters[k].ToneHz-1)*1e9)/1e3 + 0 // no −0
		lo, hi = min(lo, ppm), max(hi, ppm)
		sigma = max(sigma, 1e6*survey.Track.Sigma(k, (to.Start+to.End)/2))
	}
	text := present.Number(lo, 4) + " ppm"
	if hi-lo >= 1e-3 {
		text = present.Number(lo, 4) + " to " + present.Number(hi, 4) + " ppm"
	}
	text = trueMinus(text)
	switch {
	case sigma < 1e-3: // less than a tone turns in a window, a thousand times over
		text += ", σ under 0.001 ppm"
	case !math.IsNaN(sigma) && !math.IsInf(sigma, 0):
		text += ", σ " + present.Number(sigma, 2) + " ppm"
	}
	to.Clock = &clockState{PPM: (lo + hi) / 2, Sigma: sigma, Captured: true, Text: text}
	to.Mains = &mainsFacts{Text: "not seen"}
	if survey.MainsHz > 0 {
		to.Mains = &mainsFacts{survey.MainsHz, fmt.Sprintf("%.3f Hz, %d lines", survey.MainsHz, len(survey.Lines))}
	}
	to.Facts = append(to.Facts, fact{"clock", to.Clock.Text}, fact{"mains", to.Mains.Text})
}

// trueMinus is a text of numbers with minus signs in place of hyphens.
func trueMinus(text string) string { return strings.ReplaceAll(text, "-", "−") }

// Facts are what the page shows of a run.
func (r *Run) Facts() *Session {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := &Session{Mode: "run", Name: r.Name(), Version: r.version, Ready: r.ready, Progress: float64(r.read) / float64(max(r.tables.Poses.Rows(), 1)),
		Failed: words(r.failed), Tool: r.Metadata.Tool, Start: max(0, r.start), End: r.end, Window: r.window, Unsolved: r.none, Options: r.Metadata.Options, Truth: r.truth != nil}
	r.describe(out)
	out.count(&r.counts, r.doubtful)
	for i := range out.Sensors {
		out.Sensors[i].HasTruth = r.truth != nil
	}
	out.Facts = append(out.Facts, fact{"rig", r.Rig.Name})
	out.Recording = &recordingFacts{Name: r.Metadata.Recording.Name, Start: r.Metadata.Recording.Start, Missing: r.film == nil, Why: r.why}
	if f := r.film; f != nil {
		out.Recording.describe(f)
		r.tell(out, f.Known())
	}
	flagged := fmt.Sprintf("%d, windows of %s", out.Rows, present.Quantity(r.window, "s"))
	if w, ok := r.own(); ok && w.LowPass == nil {
		flagged += ", " + w.Taper.Name
	}
	if out.Flagged > 0 {
		flagged += fmt.Sprintf(", %d flagged", out.Flagged)
	}
	if out.InDoubt > 0 {
		flagged += fmt.Sprintf(", %d in doubt", out.InDoubt)
	}
	if out.Unsolved > 0 {
		flagged += fmt.Sprintf(", %d without a pose", out.Unsolved)
	}
	out.Facts = append(out.Facts, fact{"rows", flagged})
	rooms := []string{"recording", "tones", "couplings", "space", "quality"}
	for i, a := range r.answers {
		out.Answers = append(out.Answers, answered{rooms[i], a.Question, a.Answer, gradeOf(&a), a.Short, a.Why})
	}
	for _, f := range r.findings {
		out.Findings = append(out.Findings, finding(f))
	}
	if r.ready && r.failed == nil {
		out.Report = "/report"
	}
	return out
}

func (to *recordingFacts) describe(f *footage.Footage) {
	i := &f.Info
	*to = recordingFacts{Name: i.Name, Samples: i.Samples, Channels: i.Channels, SampleRate: i.SampleRate, Start: i.Start, Bits: i.Bits, Unit: "V",
		Covered: f.Covered(), Missing: false, Why: to.Why}
	if i.Samples >= 0 {
		to.Duration = i.Duration()
	}
	if !i.Volts {
		to.Unit = "full scale"
	}
}

// gradeOf is the grade that a document gives an answer, as the page names it.
func gradeOf(a *document.Answer) string {
	switch {
	case a.Answer == "–":
		return "unknown"
	case a.Grade() == "in doubt":
		return "doubt"
	}
	return a.Grade()
}

// Name is that of the run's folder.
func (r *Run) Name() string {
	dir := r.dir
	if abs, err := filepath.Abs(dir); err == nil {
		dir = abs
	}
	return filepath.Base(filepath.Clean(dir))
}

// emitters are where the rig has them, with the outlines of their coils.
func (s *Stage) emitters() []figure.Emitter { return report.Emitters(s.Rig) }
