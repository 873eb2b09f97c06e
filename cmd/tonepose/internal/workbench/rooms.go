package workbench

import (
	"cmp"
	"math"
	"net/http"
	"slices"
	"strings"

	"tonepose/cmd/tonepose/internal/footage"
	"tonepose/cmd/tonepose/internal/subject"
)

// series answers with columns of a sensor against time.
func (s *server) series(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	t, points := a.track(), a.points(1200)
	from, to := a.stretch()
	var chosen []int
	for _, name := range strings.Split(a.values.Get("columns"), ",") {
		c := subject.ColumnOf(name)
		if c < 0 || len(chosen) >= subject.Columns {
			a.fail("columns", "must be columns of the series with commas between")
			break
		}
		chosen = append(chosen, c)
	}
	if a.err != nil {
		return a.err
	}
	out := newArrays()
	out.set("hop_s", orNull(t.Rows.Hop()))
	b := t.Rows.Bin(from, to, points, chosen)
	out.set("rows", b.Rows)
	out.set("flags_all", b.AllFlags)
	out.set("exact", b.Rows <= points)
	if b.Rows <= points {
		p := t.Rows.Pick(from, to, points, chosen)
		out.f64("time_s", "s", p.Time)
		out.u32("flags", p.Flags)
		for k, c := range chosen {
			out.f32(subject.ColumnNames[c].Name, subject.ColumnNames[c].Unit, p.Values[k])
		}
		return out.write(w)
	}
	out.set("bin_s", (to-from)/float64(points))
	out.f64("time_s", "s", b.Time)
	out.u32("flags", b.Flags)
	out.f32("flagged", "", b.Flagged)
	for k, c := range chosen {
		out.f32(subject.ColumnNames[c].Name+".min", subject.ColumnNames[c].Unit, b.Low[k])
		out.f32(subject.ColumnNames[c].Name+".max", subject.ColumnNames[c].Unit, b.High[k])
	}
	return out.write(w)
}

// path answers with where a sensor was.
func (s *server) path(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	t, points := a.track(), a.points(4000)
	from, to := a.stretch()
	if a.err != nil {
		return a.err
	}
	chosen := []int{subject.ColumnX, subject.ColumnY, subject.ColumnZ, subject.ColumnSigma, subject.ColumnError}
	if a.values.Get("truth") == "1" {
		chosen = append(chosen, subject.ColumnTrueX, subject.ColumnTrueY, subject.ColumnTrueZ)
	}
	p := t.Rows.Pick(from, to, points, chosen)
	out := newArrays()
	out.set("every", p.Every)
	out.f64("time_s", "s", p.Time)
	out.u32("flags", p.Flags)
	for k, c := range chosen {
		out.f32(subject.ColumnNames[c].Name, subject.ColumnNames[c].Unit, p.Values[k])
	}
	return out.write(w)
}

// at answers with everything at the cursor.
func (s *server) at(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	time, only := a.number("time", a.last), a.whole("sensor", -1, -1, len(a.stage.Tracks)-1)
	if a.err != nil {
		return a.err
	}
	m, err := subject.At(r.Context(), s.now(), time, only)
	if err != nil {
		return err
	}
	return answer(w, m)
}

// next answers where the next flag begins.
func (s *server) next(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	t, time, direction := a.track(), a.number("time", a.first), a.whole("direction", 1, -1, 1)
	if a.err != nil {
		return a.err
	}
	row, ok := t.Rows.Turn(time, direction >= 0)
	if !ok {
		return answer(w, map[string]any{"time_s": nil})
	}
	return answer(w, map[string]any{"time_s": row.Time, "flags": subject.MarkNames(row.Flags)})
}

// step answers with the time so many rows on.
func (s *server) step(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	t, time, rows := a.track(), a.number("time", a.first), a.whole("rows", 1, -1e9, 1e9)
	if a.err != nil {
		return a.err
	}
	row, ok := t.Rows.Step(time, rows)
	if !ok {
		return subject.ErrLater
	}
	return answer(w, map[string]any{"time_s": row.Time})
}

// lane is one flag along the strip of time.
type lane struct {
	Name  string       `json:"name"`
	Grade string       `json:"grade"`
	Spans [][2]float64 `json:"spans"` // from, to [s]
}

// flags answers with the stretches of every flag that occurs, wrong ones first.
func (s *server) flags(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	t, points := a.track(), a.points(1200)
	from, to := a.stretch()
	if a.err != nil {
		return a.err
	}
	half := (to - from) / float64(points) / 2
	b := t.Rows.Bin(from, to, points, []int{subject.ColumnSkipped})
	if hop := t.Rows.Hop(); hop > 0 {
		half = max(half, hop/2)
	}
	lanes := []*lane{}
	var bits []uint32
	for _, name := range subject.MarkNames(b.AllFlags) {
		mark := subject.MarkOf(name, 0)
		bits = append(bits, mark.Bit)
		lanes = append(lanes, &lane{Name: name, Grade: mark.Grade, Spans: [][2]float64{}})
	}
	gaps, skipped := [][2]float64{}, [][2]float64{}
	add := func(to *[][2]float64, t float64) {
		if n := len(*to); n > 0 && t-half <= (*to)[n-1][1]+half/8 {
			(*to)[n-1][1] = t + half
			return
		}
		*to = append(*to, [2]float64{t - half, t + half})
	}
	for i, time := range b.Time {
		for k, l := range lanes {
			if b.Flags[i]&bits[k] != 0 {
				add(&l.Spans, time)
			}
		}
		if b.High[0][i] > 0 {
			add(&skipped, time)
		}
		if i > 0 && time-b.Time[i-1] > 4*half {
			gaps = append(gaps, [2]float64{b.Time[i-1] + half, time - half})
		}
	}
	slices.SortStableFunc(lanes, func(x, y *lane) int { return cmp.Compare(y.Grade, x.Grade) })
	return answer(w, map[string]any{"flags": lanes, "skipped": skipped, "gaps": gaps})
}

// traces answers with least and largest samples.
func (s *server) traces(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	channels, points := a.channels(), a.points(800)
	from, to := a.stretch()
	if a.err != nil {
		return a.err
	}
	film, err := s.film()
	if err != nil {
		return err
	}
	done, err := s.large(r.Context())
	if err != nil {
		return err
	}
	defer done()
	var scale []float64
	for i := range a.stage.Rig.Channels {
		scale = append(scale, a.stage.Rig.Channels[i].FullScaleV)
	}
	strip, err := film.Strip(r.Context(), channels, max(from, 0), to, points, scale)
	if err != nil {
		return err
	}
	out := newArrays()
	out.set("exact", strip.Exact)
	out.set("start_s", strip.Start)
	out.set("step_s", strip.Step)
	unit := "V"
	if !film.Info.Volts {
		unit = "full scale"
	}
	out.set("unit", unit)
	shares := []map[string]any{}
	for _, v := range strip.Share {
		shares = append(shares, map[string]any{"channel": v.Channel, "min_v": orNull(v.Min), "max_v": orNull(v.Max), "share": orNull(v.Share), "faults": v.Faults})
	}
	out.set("share", shares)
	for k := range strip.Low {
		name := channelName(channels[k])
		if strip.Exact {
			out.f32(name, unit, strip.Low[k])
			continue
		}
		out.f32(name+".min", unit, strip.Low[k])
		out.f32(name+".max", unit, strip.High[k])
	}
	return out.write(w)
}

// film is the samples, or why there are none as the page is told.
func (s *server) film() (*footage.Footage, error) {
	film, err := s.now().Samples()
	if err != nil && err != subject.ErrLater {
		return nil, &badRequest{http.StatusConflict, err.Error(), "name the recording with --recording"}
	}
	return film, err
}

// spectrum answers with the spectrum of a stretch.
func (s *server) spectrum(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	channels, points := a.channels(), a.points(1000)
	from, to := a.stretch()
	film, err := s.film()
	if err == nil {
		err = a.err
	}
	if err != nil {
		return err
	}
	low, high := a.number("low_hz", 0), a.number("high_hz", film.Info.SampleRate/2)
	if low < 0 || !(high > low) {
		a.fail("high_hz", "must lie above low_hz, which is 0 or more")
	}
	if a.err != nil {
		return a.err
	}
	done, err := s.large(r.Context())
	if err != nil {
		return err
	}
	defer done()
	h, err := film.Hear(r.Context(), a.stage.Rig, channels, max(from, 0), to)
	if err != nil {
		return err
	}
	d := h.Densities[0]
	out := newArrays()
	out.set("resolution_hz", d.ENBWHz)
	out.set("averages", d.Segments)
	out.set("spread", h.Spread)
	out.set("unit", "V/√Hz")
	slices.SortFunc(h.Lines, func(x, y footage.MarkedLine) int { return cmp.Compare(y.Peak, x.Peak) })
	lines := []footage.MarkedLine{}
	for _, l := range h.Lines {
		if l.Hz >= low && l.Hz <= high && len(lines) < 400 {
			lines = append(lines, l)
		}
	}
	out.set("lines", lines)
	out.set("floor", h.Floors)
	first, end := max(1, int(math.Ceil(low/d.StepHz))), min(len(d.PSD), int(high/d.StepHz)+1)
	edges := binEdges(first, end, points, a.values.Get("scale") == "log")
	hz := make([]float64, len(edges)-1)
	for i := range hz {
		hz[i] = d.Hz(edges[i])
		if n := edges[i+1] - edges[i]; n > 1 {
			hz[i] = d.StepHz * (float64(edges[i]) + float64(n-1)/2)
		}
	}
	out.f64("hz", "Hz", hz)
	for k, c := range channels {
		v := make([]float32, len(hz))
		for i := range v {
			v[i] = float32(math.Sqrt(slices.Max(h.Densities[k].PSD[edges[i]:edges[i+1]])))
		}
		out.f32(channelName(c), "V/√Hz", v)
	}
	return out.write(w)
}

// binEdges cuts bins from first to end into so many groups at most.
func binEdges(first, end, groups int, log bool) []int {
	edges := []int{first}
	for i := 1; i <= groups; i++ {
		share := float64(i) / float64(groups)
		at := float64(first) + share*float64(end-first)
		if log {
			at = float64(first) * math.Pow(float64(end)/float64(first), share)
		}
		if e := min(int(math.Round(at)), end); e > edges[len(edges)-1] {
			edges = append(edges, e)
		}
	}
	return edges
}

// faults answers with what is wrong with the samples.
func (s *server) faults(w http.ResponseWriter, _ *http.Request) error {
	film, err := s.film()
	if err != nil {
		return err
	}
	survey := film.Known()
	if survey == nil {
		return subject.ErrLater
	}
	type fault struct {
		Kind    string  `json:"kind"`
		Channel *int    `json:"channel"`
		Start   float64 `json:"start_s"`
		Stop    float64 `json:"stop_s"`
	}
	events := []fault{}
	for _, e := range survey.Monitor.Events() {
		f := fault{Kind: e.Kind.String(), Start: survey.Time(float64(e.Start)), Stop: survey.Time(float64(e.Stop))}
		if e.Channel >= 0 {
			f.Channel = &e.Channel
		}
		events = append(events, f)
	}
	return answer(w, map[string]any{"events": events, "words": survey.Faults()})
}

// gathered are the phasors of one channel in a stretch, of every so many-th window.
func (s *server) gathered(r *http.Request, a *asked) (c *cloud, every int, err error) {
	channel, points := a.channel(), a.points(2000)
	from, to := a.stretch()
	if a.err != nil {
		return nil, 0, a.err
	}
	done, err := s.large(r.Context())
	if err != nil {
		return nil, 0, err
	}
	defer done()
	c = newCloud(a.stage.Roster.Emitters)
	every, err = s.now().Phasors(r.Context(), channel, from, to, points, c.add)
	return c, every, err
}

// cloud answers with the phasors of one channel, by emitter.
func (s *server) cloud(w http.ResponseWriter, r *http.Request) error {
	c, every, err := s.gathered(r, s.asked(r))
	if err != nil {
		return err
	}
	out := newArrays()
	out.set("decimated", every)
	c.write(out)
	return out.write(w)
}

// phasors answers with one tone on one channel against time.
func (s *server) phasors(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	emitter := a.whole("emitter", 0, 0, len(a.stage.Roster.Emitters)-1)
	c, every, err := s.gathered(r, a)
	if err != nil {
		return err
	}
	out := newArrays()
	out.set("exact", every == 1)
	out.set("decimated", every)
	c.course(out, emitter)
	return out.write(w)
}
