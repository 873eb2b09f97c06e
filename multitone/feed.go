package multitone

// feed keeps the end of a stream of interleaved samples: what windows that are
// not complete yet need.
type feed[S sample] struct {
	buffer []S
	filled int   // samples in it
	start  int64 // number of the first of them
}

// write processes the samples, in place where no window reaches back before
// them, and keeps what windows still need.
func write[S sample](b *Bank, f *feed[S], x []S, emit func(*Frame) error) error {
	channels, longest := b.cfg.Channels, b.framing.Length // a window of the meter is no longer
	if f.buffer == nil {
		f.buffer = make([]S, 2*longest*channels)
	}
	for {
		if f.filled == 0 {
			needed, err := process(b, x, f.start, emit)
			if err != nil {
				return err
			}
			skip := int(min(needed-f.start, int64(len(x)/channels)))
			f.start += int64(skip)
			f.filled = copy(f.buffer, x[skip*channels:]) / channels
			return nil
		}
		// With so many more samples every window that began before x is complete.
		n := min(longest, len(x)/channels)
		copy(f.buffer[f.filled*channels:], x[:n*channels])
		f.filled += n
		needed, err := process(b, f.buffer[:f.filled*channels], f.start, emit)
		if err != nil {
			return err
		}
		begin := f.start + int64(f.filled-n) // of x
		if needed >= begin {
			skip := int(min(needed-begin, int64(len(x)/channels)))
			x, f.start, f.filled = x[skip*channels:], begin+int64(skip), 0
			continue
		}
		drop := int(needed - f.start)
		copy(f.buffer, f.buffer[drop*channels:f.filled*channels])
		f.start, f.filled = needed, f.filled-drop
		return nil
	}
}
