package files

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"
	"time"
)

// process is what the run has begun, and what it reads.
var process running

type running struct {
	mu      sync.Mutex // held while names change: who has it sees a batch published or not
	batches map[*Batch]bool
	others  []string // of Temporary and Claim
	inputs  []*input
	written []string // the first ones
	shown   int      // batches
	ended   bool
}

// input is a file that is read.
type input struct {
	name string
	info os.FileInfo
}

// ErrAbandoned reports that Abandon was called: nothing is written any more.
var ErrAbandoned = errors.New("interrupted")

// Abandon ends all writing of the process, at once and whatever other goroutines are about:
// what is unfinished is taken away, and nothing can be begun or finished any more. A batch
// that is being shown is waited for. It returns names of what was finished before, some
// hundred at most.
func Abandon() (written []string) {
	process.mu.Lock()
	defer process.mu.Unlock()
	return process.abandon()
}

// AbandonWithin is Abandon for a process that ends in any case: it waits no longer than some
// time for a batch that is being shown.
func AbandonWithin(most time.Duration) {
	for end := time.Now().Add(most); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if process.mu.TryLock() {
			defer process.mu.Unlock()
			process.abandon()
			return
		}
	}
}

func (p *running) abandon() (written []string) {
	p.ended = true
	for b := range p.batches {
		b.discard()
	}
	for _, name := range p.others {
		os.RemoveAll(name)
	}
	return p.written
}

// Shown is how many batches the process has finished so far.
func Shown() int {
	process.mu.Lock()
	defer process.mu.Unlock()
	return process.shown
}

// Reading says that the run reads the files of some names, so that no batch replaces them,
// by whatever name or link, until done is called. Names of no file are left out.
func Reading(names ...string) (done func()) {
	var added []*input
	for _, name := range names {
		if info, err := os.Stat(name); err == nil && !info.IsDir() {
			added = append(added, &input{name, info})
		}
	}
	process.mu.Lock()
	defer process.mu.Unlock()
	process.inputs = append(process.inputs, added...)
	return func() {
		process.mu.Lock()
		defer process.mu.Unlock()
		process.inputs = slices.DeleteFunc(process.inputs, func(in *input) bool { return slices.Contains(added, in) })
	}
}

// reads is the error of an output that is read.
func (p *running) reads(output string) error {
	p.mu.Lock()
	inputs := slices.Clone(p.inputs)
	p.mu.Unlock()
	for _, in := range inputs {
		if err := Distinct(output, in.name, in.info); err != nil {
			return err
		}
	}
	return nil
}

// Distinct is the error of an output that is an input as well, through links too. info is
// of the input.
func Distinct(output, in string, info os.FileInfo) error {
	if here, err := os.Stat(output); err != nil || !os.SameFile(here, info) {
		return nil
	}
	what := in
	if output == in {
		what = "read here"
	}
	return fmt.Errorf("%s: is %s, which is never overwritten: name another file", output, what)
}

// enter has Abandon know of a batch.
func (p *running) enter(b *Batch) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.know(b)
}

func (p *running) know(b *Batch) error {
	if p.ended {
		return ErrAbandoned
	}
	if p.batches == nil {
		p.batches = map[*Batch]bool{}
	}
	p.batches[b] = true
	return nil
}

// create begins a hidden file of a batch, to which keep adds it.
func (p *running) create(b *Batch, dir string, name func(id string) string, keep func(*os.File)) (*os.File, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.know(b); err != nil {
		return nil, err
	}
	file, err := createHidden(dir, name)
	if err != nil {
		return nil, err
	}
	keep(file)
	return file, nil
}

// finished notes what a batch has shown.
func (p *running) finished(b *Batch) {
	b.closed = true
	delete(p.batches, b)
	p.shown++
	const enough = 100
	for _, s := range b.staged {
		if len(p.written) < enough && !slices.Contains(p.written, s.final) {
			p.written = append(p.written, s.final)
		}
	}
}

// Temporary makes a folder outside of all results, which remove takes away; so do Abandon
// and, where the run is killed, a later call. prefix is what its kind has as name.
func Temporary(prefix string) (dir string, remove func(), err error) {
	sweepFolders(prefix)
	process.mu.Lock()
	defer process.mu.Unlock()
	if process.ended {
		return "", nil, ErrAbandoned
	}
	if dir, err = os.MkdirTemp("", prefix+"-*"); err != nil {
		return "", nil, err
	}
	living, err := createHidden(dir, runningName)
	if err != nil {
		os.RemoveAll(dir)
		return "", nil, err
	}
	process.others = append(process.others, dir)
	return dir, func() {
		process.mu.Lock()
		defer process.mu.Unlock()
		process.others = slices.DeleteFunc(process.others, func(d string) bool { return d == dir })
		os.Remove(living.Name()) // by itself: what is below is listed by who may open one more file
		living.Close()
		os.RemoveAll(dir)
	}, nil
}
