package workbench

import (
	"context"
	"errors"
	"math"
	"math/cmplx"
	"net/http"
	"slices"
	"strconv"
	"sync"

	"tonepose/cmd/tonepose/internal/footage"
	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/subject"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/window"
)

// trial is what became of it.
type trial struct {
	id     string
	clouds []*cloud // by channel
}

// mostTrials are kept; those before them are forgotten.
const mostTrials = 4

// trials keeps the newest.
type trials struct {
	mu     sync.Mutex
	number int
	kept   []*trial
	cancel context.CancelFunc // of the one that is computed; nil: none
}

// begin ends a trial that is still computed: nobody waits for it any more.
func (t *trials) begin(ctx context.Context) (context.Context, context.CancelFunc) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.cancel != nil {
		t.cancel()
	}
	ctx, t.cancel = context.WithCancel(ctx)
	return ctx, t.cancel
}

func (t *trials) keep(clouds []*cloud) *trial {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.number++
	v := &trial{id: strconv.Itoa(t.number), clouds: clouds}
	t.kept = append(t.kept, v)
	if len(t.kept) > mostTrials {
		t.kept = slices.Delete(t.kept, 0, 1)
	}
	return v
}

func (t *trials) find(id string) (*trial, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, v := range t.kept {
		if v.id == id {
			return v, nil
		}
	}
	return nil, &badRequest{http.StatusGone, "this trial is not kept any more", "try it again"}
}

// averagingFacts is what an averaging does to signals and noise, and what it measured.
type averagingFacts struct {
	Kind      string            `json:"kind"`
	Window    float64           `json:"window_s"`
	Hop       float64           `json:"hop_s"`
	Taper     string            `json:"taper"`
	ENBW      float64           `json:"enbw_hz"`
	Bandwidth float64           `json:"bandwidth_hz"`
	Settling1 float64           `json:"settling_1_percent_s"`
	Settling2 float64           `json:"settling_01_percent_s"`
	Delay     float64           `json:"group_delay_s"`
	RowsHz    float64           `json:"rows_hz"`
	NextTone  *stream.Rejection `json:"next_tone"`
	Mains     *stream.Rejection `json:"mains"`
	Joint     bool              `json:"estimated_jointly"`
	Noise     [2]float64        `json:"noise_v_per_rthz"`
	Response  responseFacts     `json:"response"`
	Step      stepFacts         `json:"step"`
	Tones     []toneFacts       `json:"tones"`
	Frames    int               `json:"frames"`
}

type responseFacts struct {
	Hz   []float64 `json:"hz"`
	Gain []float64 `json:"gain"`
}

type stepFacts struct {
	Time  []float64 `json:"time_s"`
	Value []float64 `json:"value"`
}

// toneFacts are of one tone on one channel over the stretch.
type toneFacts struct {
	Emitter   int     `json:"emitter"`
	Channel   int     `json:"channel"`
	Amplitude float64 `json:"amplitude_v"`
	Phase     float64 `json:"phase_rad"`
	Sigma     float64 `json:"sigma_v"`
	Spread    float64 `json:"spread_v"`
	Ratio     float64 `json:"ratio"` // amplitude over sigma
}

// mostValues bounds the phasors that a trial keeps.
const mostValues = 4 << 20

var errPast = errors.New("the stretch is over")

// measured is the phasors of a stretch of a run as measure gives them with the same windows.
func measured(ctx context.Context, r *subject.Run, film *footage.Footage, survey *stream.Survey, w stream.Windows, from, to float64) (*averagingFacts, []*cloud, error) {
	rec, err := r.Reopen(ctx)
	if err != nil {
		return nil, nil, err
	}
	defer rec.Close()
	tones, names := r.Bench.Tones(), film.Info.Names
	var clouds []*cloud
	place := map[string]*cloud{}
	for _, name := range names {
		c := newCloud(r.Roster.Emitters)
		clouds = append(clouds, c)
		place[name] = c
	}
	values := 0
	write := measure.Phasors(tones, names, nil, func(rows ...tables.Phasor) error {
		if values += len(rows); values > mostValues {
			return bad("choose a shorter stretch or a longer hop", "%d phasors are too many to show", values)
		}
		for i := range rows {
			place[rows[i].Channel].add(&rows[i])
		}
		return nil
	})
	result, frames := measure.Result{Info: film.Info, Survey: survey}, 0
	m := stream.Measurement{Tones: tones, Windows: w, Widen: true}
	err = result.Measure(ctx, rec, m, func(f *stream.Measured) error {
		switch {
		case f.Time > to:
			return errPast
		case f.Time < from:
			return nil
		}
		frames++
		return write(f)
	}, nil)
	if err != nil && !errors.Is(err, errPast) {
		return nil, nil, err
	}
	facts, err := averagingOf(w, film.Info.SampleRate, result.Averaging)
	if err != nil {
		return nil, nil, err
	}
	facts.Frames = frames
	for c, of := range clouds {
		for e := range r.Roster.Emitters {
			t := of.tone(e)
			level, phase := cmplx.Polar(complex(t.MeanRe, t.MeanIm))
			facts.Tones = append(facts.Tones, toneFacts{e, c, level, phase, t.Sigma, t.Spread, level / t.Sigma})
		}
	}
	return facts, clouds, nil
}

// averagingOf is what windows do to signals and noise.
func averagingOf(w stream.Windows, rate float64, a *stream.Averaging) (*averagingFacts, error) {
	out := &averagingFacts{Kind: a.Kind, Window: a.WindowS, Hop: w.Hop, Taper: w.Taper.Name, ENBW: a.ENBWHz, Bandwidth: a.BandwidthHz, Settling1: a.Settling1S,
		Settling2: a.Settling01S, Delay: a.GroupDelayS, RowsHz: a.RowsHz, NextTone: a.NextTone, Mains: a.Mains, Joint: a.Joint,
		Noise: [2]float64{a.DensityLow, a.DensityHigh}}
	if w.LowPass == nil {
		out.Response, out.Step = windowCurves(&w)
		return out, nil
	}
	p, err := window.Design(w.LowPass.Spec, rate)
	if err != nil {
		return nil, err
	}
	out.Response, out.Step = lowPassCurves(p)
	return out, nil
}

const curvePoints = 200

// windowCurves are the frequency response of a window's weights beside a tone, out to
// ten over its length, and what a step of amplitude does to its frames.
func windowCurves(w *stream.Windows) (f responseFacts, s stepFacts) {
	terms, length := w.Taper.Terms(), w.Length
	for i := range curvePoints {
		hz := 10 / length * float64(i) / (curvePoints - 1)
		f.Hz = append(f.Hz, hz)
		f.Gain = append(f.Gain, math.Abs(cosineGain(terms, hz*length)))
		// Weights a_k·cos(2πku) for u from −½ to ½: their integral from −½ on.
		u := float64(i)/(curvePoints-1) - 0.5
		v := u + 0.5
		for k, a := range terms[1:] {
			j := 2 * math.Pi * float64(k+1)
			v += a / terms[0] * math.Sin(j*u) / j
		}
		s.Time = append(s.Time, (u+0.5)*length)
		s.Value = append(s.Value, v)
	}
	return f, s
}

// cosineGain is the transform of a sum of cosines over a window, x bins off, over that
// at 0: Σ a_k·½(sinc(x−k) + sinc(x+k))/a_0.
func cosineGain(terms []float64, x float64) (sum float64) {
	for k, a := range terms {
		sum += a / terms[0] * (sinc(x-float64(k)) + sinc(x+float64(k))) / 2
	}
	return sum
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// lowPassCurves are those of a low-pass, out to ten times its noise bandwidth.
func lowPassCurves(p *window.LowPass) (f responseFacts, s stepFacts) {
	top := min(10*p.ENBWHz(), p.SampleRateHz()/2)
	for i := range curvePoints {
		hz := top * float64(i) / (curvePoints - 1)
		f.Hz, f.Gain = append(f.Hz, hz), append(f.Gain, cmplx.Abs(p.Response(hz)))
	}
	settled := p.SettlingS(1e-3)
	every := max(1, int(settled*p.SampleRateHz()/curvePoints))
	filter, one := p.NewFilter(every), make([]complex128, every)
	for i := range one {
		one[i] = 1
	}
	var out [1]complex128
	for i := range curvePoints {
		if filter.Process(out[:], one) == 1 {
			s.Time = append(s.Time, float64((i+1)*every)/p.SampleRateHz())
			s.Value = append(s.Value, real(out[0]))
		}
	}
	return f, s
}

// whatif measures a stretch in another way beside the run's own.
func (s *server) whatif(w http.ResponseWriter, q *http.Request) error {
	var ask struct {
		subject.Averaging
		From float64 `json:"from_s"`
		To   float64 `json:"to_s"`
	}
	if err := receive(w, q, &ask); err != nil {
		return err
	}
	r, ok := s.now().(*subject.Run)
	if !ok {
		return &badRequest{http.StatusConflict, "a stream has no second window at the same samples", "turn the window of the bench, or look at a recording"}
	}
	film, err := s.film()
	if err != nil {
		return err
	}
	survey := film.Known()
	if survey == nil {
		return subject.ErrLater
	}
	windows, flags, err := ask.Windows(film.Info.SampleRate)
	if err != nil {
		return err
	}
	if !(ask.From >= 0) || !(ask.To > ask.From) {
		return bad("must be a stretch of the recording", "from_s = %g, to_s = %g", ask.From, ask.To)
	}
	ctx, cancel := s.trials.begin(q.Context())
	defer cancel()
	done, err := s.large(ctx)
	if err != nil {
		return err
	}
	defer done()
	facts, clouds, err := measured(ctx, r, film, survey, windows, ask.From, ask.To)
	if err != nil {
		return trialError(err)
	}
	var own *averagingFacts
	if had, ok := r.Windows(); ok {
		if own, _, err = measured(ctx, r, film, survey, had, ask.From, ask.To); err != nil {
			return trialError(err)
		}
	}
	kept := s.trials.keep(clouds)
	command := "tonepose measure " + film.Info.Name + " --rig "
	if name := r.Metadata.Options["rig"]; name != "" {
		command += name
	} else {
		command += r.Rig.Name + ".rig.yaml"
	}
	return answer(w, map[string]any{"id": kept.id, "trial": facts, "run": own, "frames": facts.Frames, "options": flags, "command": command + " " + flags})
}

// trialError tells the page what its choice was wrong for.
func trialError(err error) error {
	var b *badRequest
	if errors.As(err, &b) || errors.Is(err, context.Canceled) {
		return err
	}
	return &badRequest{http.StatusUnprocessableEntity, err.Error(), "choose another window or low-pass"}
}

// trialCloud and trialPhasors answer with the phasors of a trial.
func (s *server) trialCloud(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	channel := a.channel()
	t, err := s.trials.find(a.values.Get("id"))
	if err == nil {
		err = a.err
	}
	if err != nil {
		return err
	}
	out := newArrays()
	out.set("decimated", 1)
	t.clouds[channel].write(out)
	return out.write(w)
}

func (s *server) trialPhasors(w http.ResponseWriter, r *http.Request) error {
	a := s.asked(r)
	channel, emitter := a.channel(), a.whole("emitter", 0, 0, len(a.stage.Roster.Emitters)-1)
	t, err := s.trials.find(a.values.Get("id"))
	if err == nil {
		err = a.err
	}
	if err != nil {
		return err
	}
	out := newArrays()
	out.set("exact", true)
	t.clouds[channel].course(out, emitter)
	return out.write(w)
}

// choices are the tapers and low-passes that can be tried.
func (s *server) choices(w http.ResponseWriter, _ *http.Request) error {
	type choice struct {
		Name   string `json:"name"`
		Words  string `json:"words"`
		Orders []int  `json:"orders,omitempty"`
	}
	tapers := []choice{{Name: "hann", Words: "Hann: the usual one"}, {Name: "rectangular", Words: "rectangular: least noise, most leakage"},
		{Name: "blackman-harris", Words: "Blackman–Harris: 92 dB of leakage down"}}
	orders := []int{1, 2, 3, 4, 5, 6, 7, 8}
	lowPasses := []choice{{"cascade", "equal first-order stages, as an RC filter each", orders}, {"butterworth", "flat up to its bandwidth", orders}, {"fir", "linear phase, steep", nil}}
	rate := s.now().Base().Rig.SampleRateHz
	return answer(w, map[string]any{"tapers": tapers, "lowpasses": lowPasses, "least_window_s": 16 / rate, "greatest_s": 60})
}
