package recording

// Event is a fault.
type Event struct{}

// Monitor watches.
type Monitor struct{}

func (m *Monitor) block(dst [][]float64, n int, pos int64)  {}
func (m *Monitor) counts(b []int16, pos int64)              {}
func (m *Monitor) nonFinite(channel int, start, stop int64) {}
