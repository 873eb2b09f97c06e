package recording

// Mark is a stretch of samples that a source has found to be not finite.
type Mark struct {
	Channel     int
	Start, Stop int64
}

// NewMarks makes a Monitor that checks no sample and keeps what a source tells by NonFinite until it is taken: for who
// reads samples ahead, and has them checked by another Monitor later.
func NewMarks(info Info) *Monitor {
	return &Monitor{info: info, marks: make([]Mark, 0, 64)}
}

// TakeMarks appends the marks kept so far to list and forgets them.
func (m *Monitor) TakeMarks(list []Mark) []Mark {
	m.mu.Lock()
	defer m.mu.Unlock()
	list = append(list, m.marks...)
	m.marks = m.marks[:0]
	return list
}

// mark keeps one, joined with the one before where it goes on. The lock is held.
func (m *Monitor) mark(c int, start, stop int64) {
	if n := len(m.marks); n > 0 && m.marks[n-1].Channel == c && m.marks[n-1].Stop == start {
		m.marks[n-1].Stop = stop
		return
	}
	m.marks = append(m.marks, Mark{c, start, stop})
}
