package recording

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// Growing is a SigMF recording of which another program still writes the data. Its metadata are there from the
// beginning; that program may write them anew while the data grow, as one does that adds their hash.
type Growing struct {
	Data string // file of the samples
	// Options are those of a Stream of the samples.
	Options Options

	meta     string
	asked    Options
	modified time.Time // of the metadata that were read last
	size     int64
}

// NewGrowing reads the metadata of a recording by its stem or by either file. Nil without an error: the name is of
// none.
func NewGrowing(name string, opt Options) (*Growing, error) {
	meta, data, ok := sigmfPair(name, opt)
	if !ok {
		return nil, nil
	}
	g := &Growing{Data: data, meta: meta, asked: opt, Options: opt}
	st, text, err := g.read()
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: %w; a SigMF recording that grows has its metadata from the beginning, or give the format of raw samples", filepath.Base(meta), fs.ErrNotExist)
	}
	if err != nil {
		return nil, err
	}
	m, err := parseMeta(text, filepath.Base(meta))
	if err != nil {
		return nil, err
	}
	info, err := g.describe(m)
	if err != nil {
		return nil, err
	}
	g.modified, g.size = st.ModTime(), st.Size()
	g.Options.Format, g.Options.SampleRate, g.Options.Channels = info.Datatype, info.SampleRate, info.Channels
	return g, nil
}

// read reads the metadata; no text where they are those that were read last.
func (g *Growing) read() (st fs.FileInfo, text []byte, err error) {
	if st, err = os.Stat(g.meta); err != nil || st.ModTime().Equal(g.modified) && st.Size() == g.size {
		return st, nil, err
	}
	if st.Size() > maxMeta {
		return nil, nil, fmt.Errorf("%s: %d bytes of metadata; at most %d are read", filepath.Base(g.meta), st.Size(), maxMeta)
	}
	text, err = os.ReadFile(g.meta)
	return st, text, err
}

// grownMost stands for the length of data that grow.
const grownMost = 1 << 60

// describe is what metadata say of the samples, which must follow each other from the first byte on.
func (g *Growing) describe(m *sigmfMeta) (info Info, err error) {
	base := filepath.Base(g.meta)
	if m.Global.Dataset != "" || m.Global.TrailingBytes != 0 {
		return info, fmt.Errorf("%s: core:dataset or core:trailing_bytes: data that grow are samples alone, in a file of the same name; play: the recording once it is complete", base)
	}
	opt := g.asked
	opt.IgnoreHash = true // of what grows there is none
	l, err := m.layout(base, filepath.Base(g.Data), grownMost, opt)
	if err != nil {
		return info, err
	}
	for k, c := range m.Captures {
		if c.HeaderBytes != 0 {
			return info, fmt.Errorf("%s: captures[%d] core:header_bytes = %d: data that grow are samples alone; play: the recording once it is complete", base, k, c.HeaderBytes)
		}
	}
	for _, c := range l.captures {
		if c.Missing != 0 {
			return info, fmt.Errorf("%s: %s are missing before sample %d: what grows is taken to be whole; play: the recording once it is complete", base, plural(int(c.Missing), "sample"), c.Start)
		}
	}
	return l.info(filepath.Base(g.Data), -1, opt)
}

// Check looks whether the metadata still say of the samples what they did. Such as are being written do not count
// until they are whole.
func (g *Growing) Check() error {
	st, text, err := g.read()
	if err != nil || text == nil {
		return nil
	}
	base := filepath.Base(g.meta)
	m, err := parseMeta(text, base)
	if err != nil {
		return nil
	}
	now, err := g.describe(m)
	if err != nil {
		return fmt.Errorf("while the data grew: %w", err)
	}
	g.modified, g.size = st.ModTime(), st.Size()
	if o := &g.Options; now.Channels != o.Channels || now.SampleRate != o.SampleRate || now.Datatype != o.Format {
		return fmt.Errorf("%s: while the data grew it came to say %s of %s at %g Hz, before it said %s of %s at %g Hz: begin anew", base,
			plural(now.Channels, "channel"), now.Datatype, now.SampleRate, plural(o.Channels, "channel"), o.Format, o.SampleRate)
	}
	return nil
}
