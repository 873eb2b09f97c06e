package workbench

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"net/http"
	"net/url"
	"path"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"

	"tonepose/cmd/tonepose/internal/document"
	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/subject"
)

//go:embed page
var page embed.FS

// server answers the page.
type server struct {
	options Options
	guard   admittance
	routes  map[string]func(http.ResponseWriter, *http.Request) error
	shows   subject.Subject // a run or a stream; nil: the virtual bench
	bench   *virtualBench   // nil: another subject
	feed    *feed
	trials  trials
	stopped chan struct{}
	once    sync.Once
	work    context.CancelFunc
	done    sync.WaitGroup
	busy    chan struct{} // who computes something large
}

// mostBusy is how many large requests are worked on at a time; others wait.
const mostBusy = 4

func newServer(o Options) *server {
	s := &server{options: o, stopped: make(chan struct{}), feed: newFeed(), busy: make(chan struct{}, mostBusy)}
	s.routes = map[string]func(http.ResponseWriter, *http.Request) error{
		"GET /api/session":  s.session,
		"GET /api/series":   s.series,
		"GET /api/path":     s.path,
		"GET /api/at":       s.at,
		"GET /api/next":     s.next,
		"GET /api/step":     s.step,
		"GET /api/flags":    s.flags,
		"GET /api/traces":   s.traces,
		"GET /api/spectrum": s.spectrum,
		"GET /api/faults":   s.faults,
		"GET /api/cloud":    s.cloud,
		"GET /api/phasors":  s.phasors,
		"GET /api/events":   s.events,
		"GET /api/slices":   s.slice,
		"GET /api/allan":    s.allan,
		"GET /api/rows.csv": s.rows,

		"GET /api/bench":              s.knobs,
		"POST /api/bench":             s.turn,
		"GET /api/experiments":        s.experiments,
		"POST /api/experiments/start": s.beginExperiment,
		"POST /api/experiments/step":  s.stepExperiment,

		"POST /api/leaveout":      s.omit,
		"POST /api/whatif":        s.whatif,
		"GET /api/whatif/cloud":   s.trialCloud,
		"GET /api/whatif/phasors": s.trialPhasors,
		"GET /api/whatif/choices": s.choices,
		"GET /report":             s.report,
	}
	return s
}

// open begins with what is to be shown.
func (s *server) open(ctx context.Context) error {
	ctx, s.work = context.WithCancel(ctx)
	o := &s.options
	switch {
	case o.Run.Dir != "":
		r, err := subject.OpenRun(o.Run, s.feed.tell)
		if err != nil {
			return err
		}
		s.shows = r
		s.done.Go(func() { r.Prepare(ctx, o.Run) })
	case o.Follow.Name != "":
		f, err := subject.OpenStream(o.Follow, s.feed.tell)
		if err != nil {
			return err
		}
		s.shows = f
		s.done.Go(func() { f.Run(ctx) })
	default:
		var err error
		if s.bench, err = openBench(ctx, s.feed); err != nil {
			return err
		}
	}
	return nil
}

// now is what is shown.
func (s *server) now() subject.Subject {
	if s.bench != nil {
		return s.bench.subject()
	}
	return s.shows
}

// stop ends what readers wait for.
func (s *server) stop() { s.once.Do(func() { close(s.stopped) }) }

func (s *server) end() {
	s.stop()
	s.work()
	if s.bench != nil {
		s.bench.close()
	}
	s.done.Wait()
	if s.shows != nil {
		s.shows.Close()
	}
}

func (s *server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
	if !s.guard.pass(w, r) {
		return
	}
	method := r.Method
	if method == http.MethodHead {
		method = http.MethodGet
	}
	answer, ok := s.routes[method+" "+r.URL.Path]
	if !ok {
		answer = s.file
	}
	if err := answer(w, r); err != nil {
		var b *badRequest
		var m *subject.Mistake
		switch {
		case errors.As(err, &m):
			refuse(w, http.StatusBadRequest, m.Text, m.Mend)
		case errors.As(err, &b):
			refuse(w, b.status, b.text, b.mend)
		case errors.Is(err, subject.ErrLater):
			// No fault of the page: a browser would note one in its console.
			refuse(w, http.StatusAccepted, "this is not known yet", "wait")
		case r.Context().Err() != nil: // nobody reads
		default:
			refuse(w, http.StatusInternalServerError, err.Error(), "")
		}
	}
}

// kinds are the types of the page's files.
var kinds = map[string]string{".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}

// file answers with a file of the page: those that were built in, and no others.
func (s *server) file(w http.ResponseWriter, r *http.Request) error {
	name, ok := strings.CutPrefix(r.URL.Path, "/page/")
	if r.URL.Path == "/" {
		name, ok = "index.html", true
	}
	f := files()[name]
	if !ok || f == nil {
		return &badRequest{http.StatusNotFound, "nothing is at this address", "begin at /"}
	}
	h := w.Header()
	h.Set("Content-Type", f.kind)
	h.Set("Cache-Control", "no-cache") // ask, and hear that nothing changed
	h.Set("Vary", "Accept-Encoding")
	h.Set("ETag", f.tag)
	if r.Header.Get("If-None-Match") == f.tag {
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	data := f.plain
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		data = f.packed
	}
	_, err := w.Write(data)
	return err
}

// pageFile is a file of the page as it is sent.
type pageFile struct {
	kind, tag     string
	plain, packed []byte
}

// files are those of the page, by name.
var files = sync.OnceValue(func() map[string]*pageFile {
	all := map[string]*pageFile{}
	names, err := fs.Glob(page, "page/*")
	if err != nil {
		panic(err) // the pattern is right
	}
	for _, name := range names {
		kind := kinds[path.Ext(name)]
		data, err := fs.ReadFile(page, name)
		if err != nil || kind == "" {
			continue
		}
		var b bytes.Buffer
		z, _ := gzip.NewWriterLevel(&b, gzip.BestCompression) // a level that there is
		z.Write(data)
		z.Close()
		sum := sha256.Sum256(data)
		all[path.Base(name)] = &pageFile{kind, `"` + hex.EncodeToString(sum[:12]) + `"`, data, b.Bytes()}
	}
	return all
})

// badRequest is what the page should not have asked for.
type badRequest struct {
	status     int
	text, mend string
}

func (b *badRequest) Error() string { return b.text }

func bad(mend, format string, values ...any) error {
	return &badRequest{http.StatusBadRequest, fmt.Sprintf(format, values...), mend}
}

func refuse(w http.ResponseWriter, status int, text, mend string) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(map[string]any{"error": text, "mend": mend, "wait": mend == "wait"})
}

func answer(w http.ResponseWriter, v any) error {
	var b bytes.Buffer
	if err := present.JSON(&b, v); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	_, err := w.Write(b.Bytes())
	return err
}

// mostBody bounds what the page may send.
const mostBody = 64 << 10

func receive(w http.ResponseWriter, r *http.Request, to any) error {
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, mostBody))
	d.DisallowUnknownFields()
	if err := d.Decode(to); err != nil {
		return bad("see the address's description", "what was sent: %v", err)
	}
	return nil
}

// large waits until not too many large requests are worked on; done lets the next in.
func (s *server) large(ctx context.Context) (done func(), err error) {
	select {
	case s.busy <- struct{}{}:
		return func() { <-s.busy }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// asked reads the parameters of a request, with the first error.
type asked struct {
	values url.Values
	stage  *subject.Stage
	first  float64 // where what is shown begins and ends [s]
	last   float64
	err    error
}

func (s *server) asked(r *http.Request) *asked {
	a := &asked{values: r.URL.Query(), stage: s.now().Base()}
	a.first, a.last = math.Inf(1), math.Inf(-1)
	for _, t := range a.stage.Tracks {
		if first, last, ok := t.Rows.Span(); ok {
			a.first, a.last = min(a.first, first), max(a.last, last)
		}
	}
	return a
}

func (a *asked) fail(name, mend string) {
	if a.err == nil {
		a.err = bad(mend, "%s = %q", name, a.values.Get(name))
	}
}

func (a *asked) number(name string, otherwise float64) float64 {
	text := a.values.Get(name)
	if text == "" {
		return otherwise
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		a.fail(name, "must be a number")
		return otherwise
	}
	return v
}

func (a *asked) whole(name string, otherwise, least, most int) int {
	v := a.number(name, float64(otherwise))
	if v != math.Trunc(v) || v < float64(least) || v > float64(most) {
		a.fail(name, fmt.Sprintf("must be a whole number from %d to %d", least, most))
		return otherwise
	}
	return int(v)
}

// stretch is from … to; a negative from counts from the end.
func (a *asked) stretch() (from, to float64) {
	if math.IsInf(a.first, 0) { // no row yet
		a.first, a.last = 0, 0
	}
	to = a.number("to", a.last)
	if from = a.number("from", a.first); from < 0 {
		from += a.last
	}
	if !(from <= to) {
		a.fail("to", "must not lie before from")
	}
	return from, to
}

func (a *asked) sensor() int { return a.whole("sensor", 0, 0, len(a.stage.Tracks)-1) }

func (a *asked) track() *subject.Track { return a.stage.Tracks[a.sensor()] }

func (a *asked) channel() int { return a.whole("channel", 0, 0, len(a.stage.Rig.Channels)-1) }

// mostPoints bounds how many points a figure may ask for.
const mostPoints = 20000

func (a *asked) points(otherwise int) int { return a.whole("points", otherwise, 1, mostPoints) }

// channels are those of a list.
func (a *asked) channels() (list []int) {
	text := a.values.Get("channels")
	if text == "" {
		for i := range a.stage.Rig.Channels {
			list = append(list, i)
		}
		return list
	}
	for _, word := range strings.Split(text, ",") {
		c, err := strconv.Atoi(word)
		if err != nil || c < 0 || c >= len(a.stage.Rig.Channels) || len(list) >= len(a.stage.Rig.Channels) {
			a.fail("channels", "must be numbers of channels with commas between")
			return nil
		}
		list = append(list, c)
	}
	return list
}

func (s *server) session(w http.ResponseWriter, _ *http.Request) error { return answer(w, s.facts()) }

func (s *server) facts() *subject.Session {
	f := s.now().Facts()
	if r, ok := s.now().(*subject.Run); ok && s.options.Command != nil {
		f.Command = s.options.Command(r.Metadata)
	}
	return f
}

// report is the document of a run.
func (s *server) report(w http.ResponseWriter, q *http.Request) error {
	r, ok := s.now().(*subject.Run)
	if !ok {
		return &badRequest{http.StatusNotFound, "a stream has no report", "tonepose live --out keeps it, and tonepose report reads that"}
	}
	defer debug.FreeOSMemory() // a long run's report takes more than all that the page shows
	doc, err := r.Document(q.Context())
	if err != nil {
		return err
	}
	w.Header().Set("Content-Security-Policy", reportPolicy)
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	d := document.Document{Tool: s.options.Tool, Command: s.options.Command}
	return d.Write(w, []*document.Run{doc})
}
