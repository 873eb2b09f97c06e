package multitone

// feed keeps the end of a stream of interleaved samples: what windows that are
// not complete yet need.
type feed[S sample] struct {
	channels int
	longest  int // samples that any window needs
	buffer   []S
	filled   int   // samples in it
	start    int64 // number of the first of them
}

// write processes the samples, in place where no window reaches back before
// them, and keeps what windows still need.
func write[S sample](b *Bank, f *feed[S], x []S, emit func(*Frame) error) error {
	if f.buffer == nil {
		f.buffer = make([]S, 2*f.longest*f.channels)
	}
	for {
		if f.filled == 0 {
			needed, err := process(b, x, f.start, emit)
			if err != nil {
				return err
			}
			skip := int(min(needed-f.start, int64(len(x)/f.channels)))
			f.start += int64(skip)
			f.filled = copy(f.buffer, x[skip*f.channels:]) / f.channels
			return nil
		}
		// With so many more samples every window that began before x is complete.
		n := min(f.longest, len(x)/f.channels)
		copy(f.buffer[f.filled*f.channels:], x[:n*f.channels])
		f.filled += n
		needed, err := process(b, f.buffer[:f.filled*f.channels], f.start, emit)
		if err != nil {
			return err
		}
		begin := f.start + int64(f.filled-n) // of x
		if needed >= begin {
			skip := int(min(needed-begin, int64(len(x)/f.channels)))
			x, f.start, f.filled = x[skip*f.channels:], begin+int64(skip), 0
			continue
		}
		drop := int(needed - f.start)
		copy(f.buffer, f.buffer[drop*f.channels:f.filled*f.channels])
		f.start, f.filled = needed, f.filled-drop
		return nil
	}
}
