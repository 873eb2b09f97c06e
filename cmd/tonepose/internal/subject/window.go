package subject

import (
	"math"
	"math/cmplx"
	"sort"
	"sync"

	"tonepose/cmd/tonepose/internal/engine"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
	"tonepose/fieldmodels/rigid"
)

// windows keeps what the newest windows of a stream showed, in a ring of memory that is
// used again.
type windows struct {
	mu    sync.Mutex
	slots []kept
	n     int // windows so far
}

// kept is one window.
type kept struct {
	time, duration float64
	hz             []float64
	phasor         []complex128 // tone·channels + channel
	variance       []float64
	channels       []verdict.Flags
	flags          verdict.Flags
	sensors        []keptSensor
	latency        float64
	skipped        int
}

type keptSensor struct {
	present  bool
	row      solve.Row // must not be copied
	worth    tables.Integrity
	truth    rigid.Pose
	known    bool // truth is
	value    []complex128
	variance []float64
	common   []float64
}

// windowBytes bounds the memory of a ring.
const windowBytes = 32 << 20

func newWindows(emitters, channels int, sensors []member) *windows {
	size := emitters*channels*24 + channels*2 + 256
	for _, m := range sensors {
		size += emitters*len(m.coils)*24 + 2048
	}
	return &windows{slots: make([]kept, max(64, min(windowBytes/size, 60000)))}
}

// add keeps what a window shows, time being that of the whole stream.
func (w *windows) add(s *Stage, seen *engine.Observation, time, latency float64, truth func(sensor int, time float64) (rigid.Pose, bool)) *kept {
	w.mu.Lock()
	defer w.mu.Unlock()
	k := &w.slots[w.n%len(w.slots)]
	w.n++
	if k.sensors == nil {
		k.sensors = make([]keptSensor, len(s.Tracks))
	}
	k.time, k.duration, k.latency, k.skipped, k.flags = time, seen.Duration, latency, seen.Skipped, seen.Flags
	k.hz = append(k.hz[:0], seen.Hz...)
	k.phasor, k.variance = append(k.phasor[:0], seen.Phasor...), append(k.variance[:0], seen.Variance...)
	k.channels = append(k.channels[:0], seen.Channels...)
	for i := range k.sensors {
		k.sensors[i].present = false
	}
	live := tables.Live{Latency: latency, Skipped: seen.Skipped}
	for i := range seen.Sensors {
		v := &seen.Sensors[i]
		of, b := &k.sensors[v.Sensor], &s.Bench.Sensors()[v.Sensor]
		of.present = true
		of.row.Fill(b, seen.Measured, v)
		of.row.Time = time
		of.row.Came(live)
		of.worth = tables.Integrity{Time: time, Duration: seen.Duration, Sensor: b.Name, Verdict: v.Verdict, Flags: v.Flags}
		of.value, of.variance = append(of.value[:0], v.Couplings.Value...), append(of.variance[:0], v.Couplings.Variance...)
		of.common = append(of.common[:0], v.Couplings.Common...)
		if of.known = truth != nil; of.known {
			of.truth, of.known = truth(v.Sensor, time)
		}
	}
	return k
}

// clear is the least level of a window's tones over their noise, on all coils of a
// sensor together.
func (k *kept) clear(m *member, channels int) float64 {
	least := math.Inf(1)
	for e := range k.hz {
		power := 0.0
		for _, c := range m.channels {
			i := e*channels + c
			if v, p := k.variance[i], k.phasor[i]; v > 0 && !math.IsInf(v, 0) {
				power += (real(p)*real(p) + imag(p)*imag(p)) / v
			}
		}
		least = min(least, math.Sqrt(power))
	}
	return least
}

// each calls use with the windows of a stretch of time, in its order, while nothing is
// added.
func (w *windows) each(from, to float64, use func(*kept)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	first := max(0, w.n-len(w.slots))
	at := func(i int) *kept { return &w.slots[i%len(w.slots)] }
	n := w.n - first
	for i := sort.Search(n, func(i int) bool { return at(first+i).time >= from }); i < n && at(first+i).time <= to; i++ {
		use(at(first + i))
	}
}

// newest calls use with the newest window, if there is one.
func (w *windows) newest(use func(*kept)) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.n == 0 {
		return false
	}
	use(&w.slots[(w.n-1)%len(w.slots)])
	return true
}

// shown is what one window showed of a sensor, in memory of its own; nil: nothing.
func (k *kept) shown(s *Stage, sensor int) *Shown {
	of := &k.sensors[sensor]
	if !of.present {
		return nil
	}
	out := &Shown{Pose: of.row.Pose, common: map[int]float64{}}
	own(&out.Pose)
	worth := of.worth
	out.worth = &worth
	if of.known {
		truth := of.truth
		out.truth = &truth
	}
	m := &s.Roster.sensors[sensor]
	for e, name := range s.Roster.Emitters {
		if e < len(of.common) {
			out.common[e] = of.common[e]
		}
		for c, coil := range m.coils {
			i := e*len(m.coils) + c
			out.Couplings = append(out.Couplings, tables.Coupling{Time: k.time, Duration: k.duration, Emitter: name, Sensor: m.name, Channel: coil,
				Value: real(of.value[i]), Quadrature: imag(of.value[i]), Sigma: math.Sqrt(of.variance[i])})
			out.phasors = append(out.phasors, k.row(s, e, m.channels[c]))
		}
	}
	return out
}

// own takes what a pose points to into memory of its own.
func own(p *tables.Pose) {
	if p.Estimate != nil {
		v := *p.Estimate
		p.Estimate = &v
	}
	if p.Tip != nil {
		v := *p.Tip
		p.Tip = &v
	}
	if p.Covariance != nil {
		v := *p.Covariance
		p.Covariance = &v
	}
	if p.Live != nil {
		v := *p.Live
		p.Live = &v
	}
}

// row is one phasor of a window.
func (k *kept) row(s *Stage, tone, channel int) tables.Phasor {
	i := tone*len(s.Rig.Channels) + channel
	v := k.phasor[i]
	if cmplx.IsNaN(v) {
		v = 0
	}
	return tables.Phasor{Time: k.time, Duration: k.duration, Channel: s.Rig.Channels[channel].Name, Tone: s.Roster.Emitters[tone], ToneHz: k.hz[tone],
		InPhase: real(v), Quadrature: imag(v), Sigma: math.Sqrt(k.variance[i]), Flags: k.flags | k.channels[channel]}
}
