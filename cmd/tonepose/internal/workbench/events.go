package workbench

import (
	"bytes"
	"fmt"
	"net/http"
	"sync"
	"time"

	"tonepose/cmd/tonepose/internal/present"
	"tonepose/cmd/tonepose/internal/subject"
)

// feed tells readers that something is new. It keeps no queue: whoever is slow finds the
// newest when it looks.
type feed struct {
	mu      sync.Mutex
	news    map[string]int // how often each kind changed
	wake    chan struct{}  // closed at the next change
	readers int
}

// benchNews is news of the virtual bench; the other kinds are those of subjects.
const benchNews = "bench"

const (
	mostReaders = 16
	updateEvery = time.Second / 30
	quietFor    = 10 * time.Second // after which a comment keeps a connection open
	patience    = 5 * time.Second  // for a reader to take what is written
)

func newFeed() *feed { return &feed{news: map[string]int{}, wake: make(chan struct{})} }

func (f *feed) tell(kind string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.news[kind]++
	close(f.wake)
	f.wake = make(chan struct{})
}

// since fills seen with the counts of now and lists the kinds that are new.
func (f *feed) since(seen map[string]int) (kinds []string, wake chan struct{}) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, kind := range []string{subject.SessionNews, subject.SourceNews, benchNews, subject.StateNews} {
		if f.news[kind] != seen[kind] {
			seen[kind] = f.news[kind]
			kinds = append(kinds, kind)
		}
	}
	return kinds, f.wake
}

func (f *feed) enter() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.readers >= mostReaders {
		return false
	}
	f.readers++
	return true
}

func (f *feed) leave() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.readers--
}

// events tells a reader what is new, at most 30 times a second.
func (s *server) events(w http.ResponseWriter, r *http.Request) error {
	if !s.feed.enter() {
		return &badRequest{http.StatusServiceUnavailable, fmt.Sprintf("%d pages listen already", mostReaders), "close one of them"}
	}
	defer s.feed.leave()
	control := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	if _, err := fmt.Fprint(w, "retry: 1000\n\n"); err != nil {
		return nil
	}
	seen := map[string]int{}
	pause := time.NewTimer(0)
	defer pause.Stop()
	for {
		kinds, wake := s.feed.since(seen)
		var b bytes.Buffer
		for _, kind := range kinds {
			if v := s.news(kind); v != nil {
				if err := writeEvent(&b, kind, v); err != nil {
					return nil
				}
			}
		}
		if len(kinds) == 0 {
			select {
			case <-wake:
				continue
			case <-time.After(quietFor):
				b.WriteString(": still here\n\n")
			case <-r.Context().Done():
				return nil
			case <-s.stopped:
				return nil
			}
		}
		control.SetWriteDeadline(time.Now().Add(patience))
		if _, err := w.Write(b.Bytes()); err != nil {
			return nil // who does not read is let go
		}
		if control.Flush() != nil {
			return nil
		}
		pause.Reset(updateEvery)
		select {
		case <-pause.C:
		case <-r.Context().Done():
			return nil
		case <-s.stopped:
			return nil
		}
	}
}

// news is what a kind of news says now; nil: nothing.
func (s *server) news(kind string) any {
	now := s.now()
	f, follows := now.(*subject.Stream)
	switch {
	case kind == subject.SessionNews:
		v := now.Facts()
		return map[string]any{"version": v.Version, "ready": v.Ready, "progress": v.Progress}
	case kind == benchNews && s.bench != nil:
		return s.bench.facts()
	case kind == subject.StateNews && follows:
		if m := f.Latest(); m != nil {
			return m
		}
	case kind == subject.SourceNews && follows:
		return f.Source()
	}
	return nil
}

// writeEvent writes one event: its data on one line.
func writeEvent(b *bytes.Buffer, kind string, v any) error {
	var data bytes.Buffer
	if err := present.JSON(&data, v); err != nil {
		return err
	}
	fmt.Fprintf(b, "event: %s\ndata: ", kind)
	for line := range bytes.Lines(data.Bytes()) {
		b.Write(bytes.TrimSpace(line))
	}
	b.WriteString("\n\n")
	return nil
}
