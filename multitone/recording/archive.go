package recording

import (
	"archive/tar"
	"fmt"
	"io"
	"path"
	"strings"
)

func isTar(head []byte) bool { return len(head) >= 262 && string(head[257:262]) == "ustar" }

// parseArchive reads a SigMF archive: a tar file with one pair of metadata and data. The samples are read in place.
func parseArchive(f io.ReaderAt, name string, size int64, opt Options) (*layout, error) {
	type member struct {
		name         string
		offset, size int64
	}
	var meta, data member
	s := io.NewSectionReader(f, 0, size)
	t := tar.NewReader(s)
	for {
		h, err := t.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("%s: not a SigMF archive (a tar file of .sigmf-meta and .sigmf-data): %w: name the .sigmf-meta of a recording without an archive, or state its own format", name, err)
		}
		if h.Typeflag != tar.TypeReg {
			continue
		}
		at, _ := s.Seek(0, io.SeekCurrent) // tar reads whole headers and no further
		m := member{path.Base(h.Name), at, h.Size}
		into := &meta
		switch {
		case strings.HasSuffix(m.name, dataExt):
			into = &data
		case !strings.HasSuffix(m.name, metaExt):
			continue
		}
		if into.name != "" {
			return nil, fmt.Errorf("%s: holds several recordings (%s, %s); unpack it and name one", name, into.name, m.name)
		}
		*into = m
	}
	switch {
	case meta.name == "" || data.name == "":
		return nil, fmt.Errorf("%s: lacks a .sigmf-meta or .sigmf-data; a SigMF archive has both", name)
	case meta.size > maxMeta:
		return nil, fmt.Errorf("%s: %d bytes of metadata; at most %d are read", name, meta.size, maxMeta)
	case meta.offset+meta.size > size || data.offset+data.size > size:
		return nil, fmt.Errorf("%s: cut off at %d bytes", name, size)
	}
	text := make([]byte, meta.size)
	if err := readAt(f, text, meta.offset); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	m, err := parseMeta(text, name+": "+meta.name)
	if err != nil {
		return nil, err
	}
	l, err := m.layout(name+": "+meta.name, name+": "+data.name, data.size, opt)
	if err != nil {
		return nil, err
	}
	for i := range l.extents {
		l.extents[i].offset += data.offset
	}
	if l.stated != nil {
		l.stated.offset = data.offset
	}
	return l, nil
}
