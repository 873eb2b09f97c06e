package subject

import (
	"context"
	"math"
	"slices"

	"tonepose/cmd/tonepose/internal/document"
	"tonepose/cmd/tonepose/internal/pyramid"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/cmd/tonepose/internal/verdict"
)

// The columns of phasors that clouds and levels are made of.
var (
	phasorNumbers = []string{"time_s", "in_phase_v", "quadrature_v", "sigma_v"}
	phasorWords   = []string{"channel", "tone", "flags"}
)

// mostRows of the table are read for a cloud; of more, the windows picked are shown.
const mostRows = 1 << 19

// picked are phasors of windows evenly picked from a run: in phase, quadrature and sigma [V] of every channel and emitter.
type picked = pyramid.Windows[verdict.Flags]

// phasorNames are what the words of a block of phasors stand for.
type phasorNames struct {
	channels, emitters []int // of the rig; −1: not of it
	flags              []verdict.Flags
}

func (r *Run) phasorNames(b *tables.Block) (n phasorNames, err error) {
	for _, name := range b.Words[0].All {
		c, ok := r.Rig.ChannelIndex(name)
		if !ok {
			c = -1
		}
		n.channels = append(n.channels, c)
	}
	for _, name := range b.Words[1].All {
		n.emitters = append(n.emitters, slices.Index(r.Roster.Emitters, name))
	}
	n.flags, err = flagsIn(&b.Words[2])
	return n, err
}

// of are those of a row; false: it is of no channel or of no emitter of the rig.
func (n *phasorNames) of(b *tables.Block, row int) (channel, emitter int, flags verdict.Flags, ok bool) {
	c, e, f := b.Words[0].At[row], b.Words[1].At[row], b.Words[2].At[row]
	if c < 0 || e < 0 || n.channels[c] < 0 || n.emitters[e] < 0 {
		return 0, 0, 0, false
	}
	if f >= 0 {
		flags = n.flags[f]
	}
	return n.channels[c], n.emitters[e], flags, true
}

// pick goes through the phasors of the whole run: it picks windows for clouds of long
// stretches, and finds how far every tone stood over the noise.
func (r *Run) pick(ctx context.Context) (*picked, []*document.Levels, error) {
	if r.phasing == nil {
		return nil, nil, nil
	}
	channels, emitters := len(r.Rig.Channels), len(r.Roster.Emitters)
	out := pyramid.NewWindows[verdict.Flags](channels*emitters, int(r.tables.Phasing.Rows()))
	sensors := make([]int, channels) // of channels; −1: no coil of a sensor
	for i := range sensors {
		sensors[i] = -1
	}
	var levels []*document.Levels
	for i := range r.Roster.sensors {
		levels = append(levels, document.NewLevels(emitters))
		for _, c := range r.Roster.sensors[i].channels {
			sensors[c] = i
		}
	}
	now, windows, kept := math.NaN(), 0, false
	end := func() {
		for _, l := range levels {
			l.End(now)
		}
	}
	for b, err := range blocks(ctx, r.phasing) {
		if err != nil {
			return nil, nil, err
		}
		names, err := r.phasorNames(b)
		if err != nil {
			return nil, nil, err
		}
		time, in, quadrature, sigma := b.Numbers[0], b.Numbers[1], b.Numbers[2], b.Numbers[3]
		for i := range b.Rows {
			if time[i] != now {
				end()
				now = time[i]
				kept = out.Begin(windows, now)
				windows++
			}
			channel, emitter, flags, ok := names.of(b, i)
			if !ok {
				continue
			}
			if s := sensors[channel]; s >= 0 {
				levels[s].Add(emitter, math.Hypot(in[i], quadrature[i])/sigma[i])
			}
			if kept {
				out.Put(channel*emitters+emitter, in[i], quadrature[i], sigma[i], flags)
			}
		}
	}
	end()
	return out, levels, nil
}

// Phasors hands out those of a channel: of a short stretch from the table, of a long one
// from the windows that were picked.
func (r *Run) Phasors(ctx context.Context, channel int, from, to float64, windows int, each func(*tables.Phasor)) (every int, err error) {
	if r.phasing == nil {
		return 1, nil
	}
	var among []int // blocks
	total, within := 0, 0.0
	for i := range r.phasing.Blocks() {
		first, last, rows := r.phasing.Span(i)
		if last < from || first > to {
			continue
		}
		among = append(among, i)
		total += rows
		if within += float64(rows); last > first {
			within += float64(rows) * ((min(last, to)-max(first, from))/(last-first) - 1)
		}
	}
	if total > mostRows {
		return r.fromPicked(channel, from, to, windows, each)
	}
	r.finders.Lock()
	defer r.finders.Unlock()
	per := float64(len(r.Roster.Emitters) * len(r.Rig.Channels)) // of a window, at most
	every = max(1, int(within/per)/max(windows, 1))
	last, count := math.NaN(), 0
	b := &r.block
	for _, block := range among {
		if err := ctx.Err(); err != nil {
			return every, err
		}
		if err := r.phasing.Read(block, b); err != nil {
			return every, err
		}
		names, err := r.phasorNames(b)
		if err != nil {
			return every, err
		}
		for i, time := range b.Numbers[0] {
			if time < from || time > to {
				continue
			}
			if time != last {
				last = time
				count++
			}
			if (count-1)%every != 0 {
				continue
			}
			if c, e, flags, ok := names.of(b, i); ok && c == channel {
				each(&tables.Phasor{Time: time, Channel: r.Rig.Channels[c].Name, Tone: r.Roster.Emitters[e],
					InPhase: b.Numbers[1][i], Quadrature: b.Numbers[2][i], Sigma: b.Numbers[3][i], Flags: flags})
			}
		}
	}
	return every, nil
}

// fromPicked is Phasors of a long stretch.
func (r *Run) fromPicked(channel int, from, to float64, windows int, each func(*tables.Phasor)) (every int, err error) {
	r.mu.Lock()
	p, err := r.picked, r.unpicked
	r.mu.Unlock()
	if p == nil || err != nil {
		if err == nil {
			err = ErrLater
		}
		return 1, err
	}
	emitters := len(r.Roster.Emitters)
	var shown []int
	for w, time := range p.Time {
		if time >= from && time <= to {
			shown = append(shown, w)
		}
	}
	step := max(1, len(shown)/max(windows, 1))
	for i := 0; i < len(shown); i += step {
		w := shown[i]
		for e := range emitters {
			at := (w*len(r.Rig.Channels)+channel)*emitters + e
			v := p.Values[at]
			if v[0] != v[0] {
				continue
			}
			each(&tables.Phasor{Time: p.Time[w], Channel: r.Rig.Channels[channel].Name, Tone: r.Roster.Emitters[e],
				InPhase: float64(v[0]), Quadrature: float64(v[1]), Sigma: float64(v[2]), Flags: p.Marks[at]})
		}
	}
	return p.Every * step, nil
}
