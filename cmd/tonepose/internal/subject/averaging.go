package subject

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/multitone/window"
)

// Averaging is a way to average, as the page asks for it.
type Averaging struct {
	Window  float64  `json:"window_s"`
	Hop     float64  `json:"hop_s"`
	Taper   string   `json:"taper"`
	LowPass *lowPass `json:"lowpass"`
}

type lowPass struct {
	Kind         string  `json:"kind"`
	Order        int     `json:"order"`
	Bandwidth    float64 `json:"bandwidth_hz"`
	TimeConstant float64 `json:"time_constant_s"`
	ENBW         float64 `json:"enbw_hz"`
}

// Windows are those that are asked for.
func (a *Averaging) Windows(rate float64) (w stream.Windows, flags string, err error) {
	if l := a.LowPass; l != nil {
		kind, err := window.KindByName(l.Kind)
		if err != nil || kind == window.MovingAverage {
			return w, "", mistaken("choose one of the list", "low-pass %q", l.Kind)
		}
		spec := window.Spec{Kind: kind, Order: l.Order, CutoffHz: l.Bandwidth, TimeConstantS: l.TimeConstant, ENBWHz: l.ENBW}
		if _, err := window.Design(spec, rate); err != nil {
			return w, "", mistaken("choose another bandwidth or order", "%v", err)
		}
		name := kind.String()
		if l.Order > 0 {
			name += strconv.Itoa(l.Order)
		}
		flags = "--lowpass " + name
		for _, f := range []struct {
			name, unit string
			v          float64
		}{{"bandwidth", "", l.Bandwidth}, {"time-constant", "s", l.TimeConstant}, {"enbw", "", l.ENBW}} {
			if f.v > 0 {
				flags += " --" + f.name + " " + strconv.FormatFloat(f.v, 'g', -1, 64) + f.unit
			}
		}
		return stream.Windows{LowPass: &stream.LowPass{Spec: spec}}, flags, nil
	}
	if !(a.Window > 0) || a.Window*rate < 16 {
		return w, "", mistaken("make the window longer", "window_s = %g", a.Window)
	}
	if a.Hop == 0 {
		a.Hop = a.Window
	}
	if !(a.Hop*rate >= 1) {
		return w, "", mistaken("must be a sample or more", "hop_s = %g", a.Hop)
	}
	if a.Taper == "" {
		a.Taper = "hann"
	}
	taper, err := window.ForFit(a.Taper)
	if err != nil {
		return w, "", mistaken("choose one of the list", "taper %q", a.Taper)
	}
	flags = fmt.Sprintf("--window %gs --hop %gs --taper %s", a.Window, a.Hop, a.Taper)
	return stream.Windows{Length: a.Window, Hop: a.Hop, Taper: stream.Taper{Name: a.Taper, Cosine: taper.Coefficients()}}, flags, nil
}

// Windows are those that the run was measured with; ok is false for intervals.
func (r *Run) Windows() (w stream.Windows, ok bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.own()
}

// own are the windows of the run, with the lock of what is known of it.
func (r *Run) own() (w stream.Windows, ok bool) {
	o := r.Metadata.Options
	seconds := func(name string) float64 {
		d, _ := time.ParseDuration(o[name])
		return d.Seconds()
	}
	ask := Averaging{Window: seconds("window"), Hop: seconds("hop"), Taper: o["taper"]}
	if kind := o["lowpass"]; kind != "" {
		name := strings.TrimRight(kind, "0123456789")
		number := func(name string) float64 { v, _ := strconv.ParseFloat(o[name], 64); return v }
		order, _ := strconv.Atoi(kind[len(name):])
		ask.LowPass = &lowPass{name, order, number("bandwidth"), seconds("time-constant"), number("enbw")}
	}
	if o["window"] == "" && o["lowpass"] == "" && o["intervals"] == "" { // options of another tool, as demo
		ask.Window = r.window
		ask.Hop = r.Tracks[0].Rows.Hop()
		if !(math.Abs(ask.Hop-ask.Window) < ask.Window/100) {
			return w, false
		}
		ask.Hop = ask.Window
	}
	w, _, err := ask.Windows(r.Rig.SampleRateHz)
	return w, err == nil
}
