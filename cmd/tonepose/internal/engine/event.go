package engine

import (
	"fmt"
	"strings"

	"tonepose/cmd/tonepose/internal/bench"
	"tonepose/cmd/tonepose/internal/verdict"
)

// Event is what begins or ends in a stream, or happens there.
type Event struct {
	Time         float64       // [s]
	Flag         verdict.Flags // whose frames it begins or ends; 0: of none
	Begins, Ends bool          // neither: it happens
	Text         string        // a line for a reader
}

const (
	// Of flags that noise may set now and then, so many frames within eventSeconds of each
	// other begin an event.
	eventFrames  = 3
	eventSeconds = 0.1
	// overSeconds without a frame that has the flag end it.
	overSeconds = 0.3
)

// The flags that are watched: of samples by channel, of drives by tone, and of poses by
// sensor. Motion is no event.
var (
	channelFlags = []verdict.Flags{verdict.Clipped, verdict.Gap, verdict.Repeated, verdict.Stuck}
	sensorFlags  = []verdict.Flags{verdict.Distorted, verdict.WrongChannel, verdict.DisturbedTone, verdict.Ambiguous,
		verdict.OutsideVolume, verdict.NotConverged, verdict.Unobservable, verdict.NotJudged}
)

// watch makes events of the flags of frames.
type watch struct {
	bench   *bench.Bench
	tell    func(Event)
	channel [][]standing // by channel and flag
	tone    []standing
	sensor  [][]standing // by sensor and flag
}

// standing is one flag of one channel, tone or sensor.
type standing struct {
	on     bool
	frames int     // that have it, one near the other
	last   float64 // time of the last of them [s]
	text   string  // of what began
}

func newWatch(b *bench.Bench, tell func(Event)) *watch {
	w := &watch{bench: b, tell: tell, tone: make([]standing, len(b.Rig().Emitters))}
	for range b.Rig().Channels {
		w.channel = append(w.channel, make([]standing, len(channelFlags)))
	}
	for range b.Sensors() {
		w.sensor = append(w.sensor, make([]standing, len(sensorFlags)))
	}
	return w
}

// see takes in the flags of an observation.
func (w *watch) see(o *Observation) {
	if o.Skipped > 0 {
		w.tell(Event{Time: o.Time, Text: fmt.Sprintf("%d windows skipped: measuring did not keep up", o.Skipped)})
	}
	rig := w.bench.Rig()
	for c, flags := range o.Channels {
		for k, flag := range channelFlags {
			w.follow(&w.channel[c][k], o, flag, flags&flag != 0, 1, func() string {
				return fmt.Sprintf("%v: channel %s", flag, rig.Channels[c].Name)
			})
		}
	}
	for k, flags := range o.Lost {
		w.follow(&w.tone[k], o, verdict.ReferenceLost, flags != 0, 1, func() string {
			return fmt.Sprintf("%v: drive of %s", verdict.ReferenceLost, rig.Emitters[k].Name)
		})
	}
	for i := range o.Sensors {
		v := &o.Sensors[i]
		for k, flag := range sensorFlags {
			w.follow(&w.sensor[v.Sensor][k], o, flag, v.Flags&flag != 0, eventFrames, func() string {
				text := fmt.Sprintf("%s: %v", w.bench.Sensors()[v.Sensor].Name, flag)
				if v.Verdict.Finding != "" && flag&(verdict.Distorted|verdict.WrongChannel|verdict.DisturbedTone|verdict.NotJudged) != 0 {
					text += ", " + v.Verdict.Finding
				}
				return text
			})
			// Single frames may not tell why they do not fit, where many do.
			if now := &w.sensor[v.Sensor][k]; now.on && flag == verdict.Distorted && strings.Contains(v.Verdict.Finding, verdict.EddyFinding) && !strings.Contains(now.text, verdict.EddyFinding) {
				now.text = fmt.Sprintf("%s: %v, %s", w.bench.Sensors()[v.Sensor].Name, flag, verdict.EddyFinding)
				w.tell(Event{Time: o.Time, Flag: flag, Text: now.text})
			}
		}
	}
}

// follow takes in whether a frame has a flag, which begins with so many frames.
func (w *watch) follow(s *standing, o *Observation, flag verdict.Flags, has bool, frames int, text func() string) {
	switch {
	case has:
		if o.Time-s.last > max(eventSeconds, 1.5*o.Duration) {
			s.frames = 0
		}
		s.frames, s.last = s.frames+1, o.Time
		if o.Duration > eventSeconds {
			frames = 1
		}
		if !s.on && s.frames >= frames {
			s.on, s.text = true, text()
			w.tell(Event{Time: o.Time, Flag: flag, Begins: true, Text: s.text})
		}
	case s.on && o.Time-s.last > max(overSeconds, o.Duration):
		s.on, s.frames = false, 0
		w.tell(Event{Time: o.Time, Flag: flag, Ends: true, Text: s.text})
	}
}
