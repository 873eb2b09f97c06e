package terminal

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
	"unicode/utf8"
)

// Progress is one line that is written over again. A nil Progress is silent.
type Progress struct {
	mu    sync.Mutex
	w     io.Writer
	width func() int
	now   func() time.Time

	passes map[string]passing
	last   time.Time // of the last line
	shown  bool
}

// passing is a pass that may go on after another has come between.
type passing struct {
	begin time.Time
	done  int64
}

const (
	redrawEvery = 100 * time.Millisecond
	barCells    = 24
)

// NewProgress returns a Progress on w, nil if w is no terminal or silent is set.
func NewProgress(w io.Writer, silent bool) *Progress {
	if silent || !isTerminal(w) {
		return nil
	}
	return &Progress{w: w, width: func() int { return Width(w) }, now: time.Now}
}

// Show prints how far a pass is, at most ten times a second: done of total, in
// whatever unit; a total of 0 or less is not known. The time that is left is
// guessed from the time that went by, once a tenth is done.
func (p *Progress) Show(pass string, done, total int64) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.now()
	at, known := p.passes[pass]
	if known = known && done >= at.done; !known {
		at.begin = now
	}
	if p.passes == nil {
		p.passes = map[string]passing{}
	}
	p.passes[pass] = passing{at.begin, done}
	if known && now.Sub(p.last) < redrawEvery {
		return
	}
	p.last = now
	p.write(progressLine(pass, done, total, now.Sub(at.begin)))
}

// write writes the line over.
func (p *Progress) write(line string) {
	p.shown = true
	line = Line(line)
	if room := p.width() - 1; utf8.RuneCountInString(line) > room {
		line = string([]rune(line)[:max(room, 0)])
	}
	fmt.Fprintf(p.w, "\r%s\x1b[K", line)
}

// Line prints what text says, at most ten times a second.
func (p *Progress) Line(text func() string) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if now := p.now(); now.Sub(p.last) >= redrawEvery {
		p.last = now
		p.write(text())
	}
}

// Clear takes the line away, so that other text can be written.
func (p *Progress) Clear() {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.shown {
		fmt.Fprint(p.w, "\r\x1b[K")
		p.shown = false
	}
	p.passes = nil
}

// ClearLine takes away what a Progress may have left on a terminal, by whoever can't reach it.
func ClearLine(w io.Writer) {
	if isTerminal(w) {
		fmt.Fprint(w, "\r\x1b[K")
	}
}

func progressLine(pass string, done, total int64, since time.Duration) string {
	if total <= 0 && done <= 0 {
		return pass + " …"
	}
	if total <= 0 {
		return fmt.Sprintf("%s  %d", pass, done)
	}
	share := min(max(float64(done)/float64(total), 0), 1)
	full := int(share * barCells)
	line := fmt.Sprintf("%s  %s%s %3.0f %%", pass, strings.Repeat("█", full), strings.Repeat("░", barCells-full), 100*share)
	if share >= 0.1 && share < 1 && since > time.Second {
		left := time.Duration(float64(since) * (1 - share) / share)
		line += fmt.Sprintf("  %s left", left.Round(time.Second))
	}
	return line
}
