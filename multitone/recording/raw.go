package recording

import "fmt"

// parseRaw lays out interleaved samples without any header.
func parseRaw(name string, size int64, opt Options) (*layout, error) {
	l, err := rawLayout(name, opt)
	if err != nil {
		return nil, err
	}
	l.fill(name, 0, size)
	return l, nil
}

// rawLayout is how the samples are stored, which the options alone say.
func rawLayout(name string, opt Options) (*layout, error) {
	typ, err := parseDatatype(opt.Format)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	l := &layout{format: "raw", typ: typ, bits: 8 * typ.size, channels: opt.Channels}
	if l.channels == 0 {
		l.channels = max(1, len(opt.Names))
	}
	if l.channels < 1 || l.channels > maxChannels {
		return nil, fmt.Errorf("%s: %d channels: must be 1..%d", name, l.channels, maxChannels)
	}
	return l, nil
}

// fill makes size bytes at offset the last extent; a rest that is no whole frame is left out, with a warning.
func (l *layout) fill(name string, offset, size int64) {
	frame := l.frameBytes()
	l.extents = append(l.extents, extent{first: l.samples(), count: size / frame, offset: offset})
	if rest := size % frame; rest != 0 {
		l.warnf("%s: the last %d bytes are no whole sample of %s of %d bytes: left out", name, rest,
			plural(l.channels, "channel"), l.typ.size)
	}
}
