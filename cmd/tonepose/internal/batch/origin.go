package batch

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"tonepose/multitone/recording"
)

// Origin is what the tables of a recording were made from. Whoever finds the same again need
// not make them again.
type Origin struct {
	Recording []Source `json:"recording"` // its files: two of a SigMF pair, the samples last
	Rig       string   `json:"rig_sha256"`
	Intervals []Source `json:"intervals,omitempty"`
	Baseline  []Source `json:"baseline,omitempty"`
	Truth     []Source `json:"truth,omitempty"` // of what they are worth
	Options   string   `json:"options_sha256"`  // of those that change a number, and of the labels
}

// Source is a file as it was when it was read.
type Source struct {
	Size   int64     `json:"size_bytes"`
	Time   time.Time `json:"changed"`
	SHA256 string    `json:"sha256,omitempty"`
}

// solved notes the hash of the samples that were read.
func (o *Origin) solved(sum string) {
	if n := len(o.Recording); n > 0 {
		o.Recording[n-1].SHA256 = sum
	}
}

// sources knows the files that recordings are made from, and hashes each once.
type sources struct {
	mu     sync.Mutex
	hashes map[string]Source
}

func newSources() *sources { return &sources{hashes: map[string]Source{}} }

// origin is what a recording's tables would be made from now. With an error it lacks what
// could not be read.
func (s *sources) origin(rec *Recording, o *Options) (*Origin, error) {
	job := rec.job(o)
	out := &Origin{}
	var failed []error
	look := func(hashed bool, names ...string) (list []Source) {
		for _, name := range names {
			one, err := s.look(name, hashed)
			list, failed = append(list, one), append(failed, err)
		}
		return list
	}
	files := recording.Files(job.Recording, job.Reading)
	samples := len(files) - 1
	out.Recording = append(look(true, files[:samples]...), look(false, files[samples])...)
	out.Rig = look(true, job.Rig)[0].SHA256
	if job.Intervals != "" {
		out.Intervals = look(true, job.Intervals)
	}
	if job.Baseline != "" {
		out.Baseline = look(true, recording.Files(job.Baseline, job.Reading)...)
	}
	if rec.Truth != "" {
		out.Truth = look(true, rec.Truth)
	}
	// What the names name is compared, not they.
	for _, name := range []string{"rig", "baseline", "intervals"} {
		delete(job.Options, name)
	}
	text, err := json.Marshal([]any{job.Options, job.Partition})
	if err != nil {
		panic(err) // texts always have JSON
	}
	sum := sha256.Sum256(text)
	out.Options = hex.EncodeToString(sum[:])
	return out, errors.Join(failed...)
}

// look is a file as it is now.
func (s *sources) look(name string, hashed bool) (Source, error) {
	info, err := os.Stat(name)
	if err != nil {
		return Source{}, err
	}
	if !info.Mode().IsRegular() {
		return Source{}, fmt.Errorf("%s: is no file: a batch reads files alone, which can be read again", name)
	}
	out := Source{Size: info.Size(), Time: info.ModTime().UTC()}
	if hashed {
		out.SHA256, err = s.hash(name, out)
	}
	return out, err
}

// shared are the hashes of files that several recordings of a list may be solved with; empty: one
// cannot be read.
func (s *sources) shared(list []Recording, o *Options) map[string]string {
	sums := map[string]string{}
	for i := range list {
		sums[list[i].rig(o)] = ""
	}
	if o.Intervals != "" {
		sums[o.Intervals] = ""
	}
	if o.Baseline != "" {
		for _, name := range recording.Files(o.Baseline, o.Reading) {
			sums[name] = ""
		}
	}
	for name := range sums {
		one, _ := s.look(name, true)
		sums[name] = one.SHA256
	}
	return sums
}

// hash is that of a file of this size and time.
func (s *sources) hash(name string, now Source) (string, error) {
	s.mu.Lock()
	known := s.hashes[name]
	s.mu.Unlock()
	if known.Size == now.Size && known.Time.Equal(now.Time) && known.SHA256 != "" {
		return known.SHA256, nil
	}
	f, err := os.Open(name)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	now.SHA256 = hex.EncodeToString(h.Sum(nil))
	s.mu.Lock()
	s.hashes[name] = now
	s.mu.Unlock()
	return now.SHA256, nil
}

// same tells whether tables made from one origin are those of the other, which is of now.
// The truth is no matter of them.
func (s *sources) same(before, now *Origin, rec *Recording, o *Options) bool {
	if before.Rig != now.Rig || before.Options != now.Options {
		return false
	}
	return s.unchanged(before.Recording, now.Recording, recording.Files(rec.Recording, o.Reading)...) &&
		s.unchanged(before.Intervals, now.Intervals, rec.intervals(o)) &&
		s.unchanged(before.Baseline, now.Baseline, recording.Files(rec.baseline(o), o.Reading)...)
}

// sameTruth tells whether the errors of what became of a recording before are those against its
// truth as it is now.
func (s *sources) sameTruth(before *Outcome, now *Origin, rec *Recording) bool {
	return s.unchanged(before.Origin.Truth, now.Truth, rec.Truth)
}

// unchanged tells whether files are those of before. Of the same size and time they are taken for
// the same; of another time, as after a copy, they are if their hash is.
func (s *sources) unchanged(before, now []Source, names ...string) bool {
	if len(before) != len(now) {
		return false
	}
	for i, was := range before {
		is := now[i]
		if was.Size != is.Size {
			return false
		}
		if was.SHA256 != "" && is.SHA256 != "" { // known anyway
			if was.SHA256 != is.SHA256 {
				return false
			}
			continue
		}
		if was.Time.Equal(is.Time) {
			continue
		}
		if is.SHA256 == "" && was.SHA256 != "" {
			is.SHA256, _ = s.hash(names[i], is)
		}
		if was.SHA256 == "" || was.SHA256 != is.SHA256 {
			return false
		}
	}
	return true
}
