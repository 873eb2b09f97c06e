package pyramid

import (
	"slices"
	"sync"
)

// Samples are least and largest values of a recording's channels over 64, 1024 and
// 16384 samples. What is finer than that is read from the recording.
type Samples struct {
	mu       sync.RWMutex
	channels int
	most     int64 // samples kept of each channel; 0: all
	first    int64 // number of the first one kept
	n        int64 // appended so far
	stretch  []*stretch
	open     [][2]float32 // of the entry at hand, by channel
}

const (
	// Finest is how many samples the finest entry is of.
	Finest = 64
	// perStretch samples are kept, and forgotten, together.
	perStretch = Finest * fan * fan
)

// stretch is perStretch samples: low and high by channel, finest first.
type stretch struct{ levels [3]extremes }

type extremes struct{ low, high [][]float32 }

// NewSamples makes Samples of so many channels that forget the oldest beyond most; 0:
// none.
func NewSamples(channels int, most int64) *Samples {
	s := &Samples{channels: channels, most: most, open: make([][2]float32, channels)}
	s.reopen()
	return s
}

func (s *Samples) reopen() {
	for c := range s.open {
		s.open[c] = [2]float32{nan, nan}
	}
}

// Append adds samples, one slice a channel, of equal lengths.
func (s *Samples) Append(x [][]float32) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for done := 0; done < len(x[0]); {
		room := min(len(x[0])-done, int(Finest-s.n%Finest))
		for c := range x {
			low, high := s.open[c][0], s.open[c][1]
			for _, v := range x[c][done : done+room] {
				if !(low <= v) && v == v {
					low = v
				}
				if !(high >= v) && v == v {
					high = v
				}
			}
			s.open[c] = [2]float32{low, high}
		}
		done += room
		if s.n += int64(room); s.n%Finest == 0 {
			s.close()
		}
	}
}

// close keeps the entry at hand.
func (s *Samples) close() {
	entry := int((s.n/Finest - 1) % (fan * fan))
	if entry == 0 {
		s.stretch = append(s.stretch, newStretch(s.channels))
		if s.most > 0 && s.n-s.first > s.most+perStretch {
			s.stretch = slices.Delete(s.stretch, 0, 1)
			s.first += perStretch
		}
	}
	at := s.stretch[len(s.stretch)-1]
	for c, v := range s.open {
		at.levels[0].low[c][entry], at.levels[0].high[c][entry] = v[0], v[1]
		widen(&at.levels[1].low[c][entry/fan], &at.levels[1].high[c][entry/fan], v[0], v[1])
		widen(&at.levels[2].low[c][0], &at.levels[2].high[c][0], v[0], v[1])
	}
	s.reopen()
}

func newStretch(channels int) *stretch {
	st := new(stretch)
	size := fan * fan
	for l := range st.levels {
		e := &st.levels[l]
		e.low, e.high = make([][]float32, channels), make([][]float32, channels)
		values := slices.Repeat([]float32{nan}, 2*channels*size)
		for c := range channels {
			e.low[c], values = values[:size:size], values[size:]
			e.high[c], values = values[:size:size], values[size:]
		}
		size /= fan
	}
	return st
}

// Span is the first sample that is kept, and the end of what is covered by entries.
func (s *Samples) Span() (first, end int64) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.first, s.n - s.n%Finest
}

// Bin gives least and largest values of one channel from a sample to another in so many
// bins of equal length, NaN where nothing is kept. Bins should be of Finest samples or
// more; their edges are rounded to the entries used, the largest that are at most a
// third of a bin.
func (s *Samples) Bin(channel int, from, to int64, bins int) (low, high []float32) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	low, high = slices.Repeat([]float32{nan}, bins), slices.Repeat([]float32{nan}, bins)
	scale, level := int64(Finest), 0
	for l := 1; l < 3 && (to-from)/int64(bins) >= 3*scale*fan; l++ {
		scale, level = scale*fan, l
	}
	end := s.n - s.n%Finest
	for at := max(from, s.first) / scale * scale; at < min(to, end); at += scale {
		if at < s.first {
			continue
		}
		k := (at - s.first) / perStretch
		e := (at - s.first) % perStretch / scale
		l := &s.stretch[k].levels[level]
		bin := min(max(int((at+scale/2-from)*int64(bins)/(to-from)), 0), bins-1)
		widen(&low[bin], &high[bin], l.low[channel][e], l.high[channel][e])
	}
	return low, high
}
