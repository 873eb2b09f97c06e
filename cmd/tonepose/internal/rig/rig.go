// Package rig reads the rig file: the bench's channels, emitters and sensors,
// strictly checked, in SI units.
//
// Load reads a file, Rig.Array, Rig.Sensor and Rig.Volume give what the
// libraries need, Channel.Response undoes the receive chain. Rig.Edit changes
// single values of the file's own text, so that a calibrated rig keeps its
// comments, order and formatting.
package rig

import (
	"fmt"
	"io"
	"os"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/yamltree"
)

// maxBytes bounds a rig file; a polyline of 20,000 points fits.
const maxBytes = 1 << 20

// Options tunes Load. The zero value is the strict reading that a solved
// recording needs.
type Options struct {
	// AllowMissingTones accepts emitters without tone_hz or current_a_peak;
	// both are then 0 and still to be chosen.
	AllowMissingTones bool
}

// Rig is a bench as its file states it.
//
// Here and below, a tag names a key of the file and what is asked of its value:
// see reader.fields.
type Rig struct {
	Name          string       `rig:"name"`
	SampleRateHz  float64      `rig:"sample_rate_hz,positive"`
	WorkingVolume Box          `rig:"working_volume"`
	Channels      []Channel    `rig:"channels"` // in the recording's column order
	Emitters      []Emitter    `rig:"emitters"`
	Sensors       []Sensor     `rig:"sensors"`
	Playback      *Playback    `rig:"playback,optional"`    // nil: the drives are digitised, or begin with the recording
	Source        *Instrument  `rig:"source,optional"`      // nil: samples come another way
	Calibration   *Calibration `rig:"calibration,optional"` // nil for a rig that was never calibrated

	File   string // as given to Load or Parse
	Text   []byte // the whole file
	SHA256 string // of Text, lower-case hexadecimal

	root *yamltree.Node
	opts Options
}

// Box is an axis-parallel box in the rig frame [m].
type Box struct {
	Min r3.Vec `rig:"min_m"`
	Max r3.Vec `rig:"max_m"`
}

// Playback says that the recorder itself plays the drives from a file, by the clock
// that it records with, and digitises none of them. When the file began is known to
// lie between two instants of the recording only [s].
type Playback struct {
	EarliestS float64 `rig:"earliest_s"`
	LatestS   float64 `rig:"latest_s"`
}

// Instrument hands out samples in blocks of IEEE 488.2 when it is asked by text commands
// over TCP, the channels of a sample side by side.
type Instrument struct {
	Address  string   `rig:"address"`                     // host:port
	Identity string   `rig:"identity,optional"`           // part of what *IDN? answers; empty: it is not asked
	Start    []string `rig:"start,optional"`              // commands sent once it is connected, which it does not answer
	Errors   string   `rig:"errors,optional"`             // query that it answers by a number, 0 where nothing is wrong; empty: it is not asked
	Block    string   `rig:"block"`                       // query that it answers by a block
	Joined   bool     `rig:"joined,optional"`             // each block goes on where the one before ended
	Format   string   `rig:"format"`                      // of a sample, in SigMF's names of types
	CountV   float64  `rig:"count_v,optional,positive"`   // of a count of every channel [V]; 0: by each channel's full_scale_v
	TimeoutS float64  `rig:"timeout_s,optional,positive"` // longest silence before an answer [s]; 0: 10
}

// Channel is one column of a recording.
type Channel struct {
	Name       string          `rig:"name,unique"`
	FullScaleV float64         `rig:"full_scale_v,optional,positive"` // [V]; 0 when the file does not state it (float recordings)
	Gain       float64         `rig:"gain,optional,nonzero"`          // V_adc/V_coil, negative when inverting; 1 with a Table
	DelayS     float64         `rig:"delay_s,optional"`               // [s]; 0 with a Table
	Table      []ResponsePoint `rig:"response,optional"`
	Tolerance  Tolerance       `rig:"tolerance,optional" keys:"gain delay_s"`

	path string
	file string
	line int
}

// ResponsePoint is one row of a channel's measured transfer V_adc/V_coil.
type ResponsePoint struct {
	Hz       float64 `rig:"hz,positive"`
	Gain     float64 `rig:"gain,positive"`
	PhaseDeg float64 `rig:"phase_deg"`
}

// Emitter is one driven coil.
type Emitter struct {
	Name         string     `rig:"name,unique"`
	ToneHz       float64    `rig:"tone_hz,planned,positive"`        // in the generator's clock; 0 when missing was allowed
	CurrentPeakA float64    `rig:"current_a_peak,planned,positive"` // nominal [A]; 0 when missing was allowed
	Reference    *Reference `rig:"reference,optional"`              // nil: the nominal current at PhaseDeg is all that is known
	PhaseDeg     float64    `rig:"phase_deg,optional"`              // of the current at the recording's first sample, with a Playback at its file's; beside a Reference as it was driven: nothing is solved by it
	Model        Model      `rig:"model"`
	Tolerance    Tolerance  `rig:"tolerance,optional" keys:"center_m axis_rad strength current phase_deg"`
	PhaseStated  bool       // the file has a PhaseDeg
}

// Reference says where an emitter's current is digitised.
type Reference struct {
	Channel           int     `rig:"channel"`                     // index into Rig.Channels
	TransimpedanceOhm float64 `rig:"transimpedance_ohm,positive"` // V_coil of the channel per ampere [Ω]
}

// Sensor is a rigid body with pickup coils; vectors are in its own frame.
type Sensor struct {
	Name  string  `rig:"name,unique"`
	TipM  *r3.Vec `rig:"tip_m,optional"` // point of interest [m]; nil when not stated
	Coils []Coil  `rig:"coils"`
}

// Coil is one pickup of a sensor.
type Coil struct {
	Channel     int       `rig:"channel"`        // index into Rig.Channels
	CenterM     r3.Vec    `rig:"center_m"`       // [m]
	Axis        r3.Vec    `rig:"axis,direction"` // as in the file, not necessarily unit
	AreaTurnsM2 float64   `rig:"area_turns_m2,positive"`
	RadiusM     float64   `rig:"radius_m,optional,nonnegative"` // 0: a point
	Tolerance   Tolerance `rig:"tolerance,optional" keys:"center_m axis_rad sensitivity"`
}

// Tolerance holds one standard deviation of what a calibration may move, and of what
// is stated of a current because nothing measures it; 0 where the file states none.
type Tolerance struct {
	CenterM     float64 `rig:"center_m,optional,positive"`    // of each component [m]
	AxisRad     float64 `rig:"axis_rad,optional,positive"`    // of each component of the tilt [rad]
	Strength    float64 `rig:"strength,optional,positive"`    // of an emitter, relative
	Sensitivity float64 `rig:"sensitivity,optional,positive"` // of a coil, relative
	Current     float64 `rig:"current,optional,positive"`     // of an emitter without reference, relative
	PhaseDeg    float64 `rig:"phase_deg,optional,positive"`   // of the same
	Gain        float64 `rig:"gain,optional,positive"`        // of a channel, relative
	DelayS      float64 `rig:"delay_s,optional,positive"`     // of a channel [s]
}

// Load reads and checks a rig file. What is wrong with its content comes back
// as Errors, in the file's order.
func Load(name string, opts Options) (*Rig, error) {
	text, err := readFile(name, "rig file")
	if err != nil {
		return nil, err
	}
	return Parse(name, text, opts)
}

// readFile reads a text as far as tells whether it is too large; what is what it should be.
func readFile(name, what string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return nil, fmt.Errorf("%s: is a directory: name a %s", name, what)
	}
	return io.ReadAll(io.LimitReader(f, maxBytes+1))
}

// Parse is Load for a text in memory; name stands in the messages.
func Parse(name string, text []byte, opts Options) (*Rig, error) {
	if len(text) > maxBytes {
		return nil, Errors{{File: name, Message: "is larger than 1 MiB, too large for a rig file"}}
	}
	root, perr := parseTree(name, rigKind, text)
	if perr != nil {
		return nil, Errors{perr}
	}
	rg := &Rig{File: name, Text: text, SHA256: sha256Of(text), root: root, opts: opts}
	r := &reader{file: name, opts: opts, rig: rg, names: map[string]yamltree.Position{}}
	r.read(value{r, root, "", ""}, rg)
	if len(r.errs) == 0 {
		r.checkRig(rg)
	}
	if err := r.errs.sorted(); err != nil {
		return nil, err
	}
	return rg, nil
}

// What a text is, for messages, and with which keys it begins.
type kind struct{ words, begins string }

var (
	rigKind   = kind{"rig file", "name, sample_rate_hz and channels"}
	sceneKind = kind{"scene", "metal or events"}
)

// parseTree is the tree of a text; a wrong one names its file.
func parseTree(file string, k kind, text []byte) (*yamltree.Node, *Error) {
	root, invalid := yamltree.Parse(k.words, text)
	switch {
	case invalid != nil:
		return nil, &Error{File: file, Line: invalid.Line, Message: invalid.Message, Hint: invalid.Hint}
	case root == nil:
		return nil, &Error{File: file, Message: "is empty", Hint: "a " + k.words + " begins with " + k.begins}
	}
	return root, nil
}

// ChannelIndex finds a channel by its name.
func (r *Rig) ChannelIndex(name string) (int, bool) {
	i := slices.IndexFunc(r.Channels, func(c Channel) bool { return c.Name == name })
	return max(i, 0), i >= 0
}

// SensorNames lists the sensors in their order.
func (r *Rig) SensorNames() (names []string) {
	for _, s := range r.Sensors {
		names = append(names, s.Name)
	}
	return names
}

// NyquistHz is half the sample rate; every tone lies below it.
func (r *Rig) NyquistHz() float64 { return r.SampleRateHz / 2 }
