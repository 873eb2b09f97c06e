package recording

import (
	"bytes"
	"fmt"
	"io"
)

// maxLine bounds a line of text; 4096 channels of 24 characters fit.
const maxLine = 128 << 10

// lines reads text line by line from any place of a file, through one buffer.
type lines struct {
	file       io.ReaderAt
	name       string
	buf        []byte
	start, end int   // unread part of buf
	offset     int64 // in the file, of buf[end]
	line       int64 // number of the line that next returned last, from 1
	eof        bool
}

// seek makes the line at offset the next one; its number is line+1.
func (l *lines) seek(offset, line int64) {
	l.start, l.end, l.offset, l.line, l.eof = 0, 0, offset, line, false
}

// at is the offset of the line that next will return.
func (l *lines) at() int64 { return l.offset - int64(l.end-l.start) }

// next returns a line without its end, valid until the next call, or io.EOF.
func (l *lines) next() ([]byte, error) {
	scanned := 0
	for {
		if i := bytes.IndexByte(l.buf[l.start+scanned:l.end], '\n'); i >= 0 {
			text := l.buf[l.start : l.start+scanned+i]
			l.start += scanned + i + 1
			l.line++
			return bytes.TrimSuffix(text, []byte("\r")), nil
		}
		scanned = l.end - l.start
		if l.eof {
			if scanned == 0 {
				return nil, io.EOF
			}
			text := l.buf[l.start:l.end]
			l.start = l.end
			l.line++
			return bytes.TrimSuffix(text, []byte("\r")), nil
		}
		if scanned > maxLine {
			return nil, fmt.Errorf("%s:%d: a line longer than %d bytes; this is no table of numbers", l.name, l.line+1, maxLine)
		}
		if l.buf == nil {
			l.buf = make([]byte, 2*maxLine)
		}
		copy(l.buf, l.buf[l.start:l.end])
		l.start, l.end = 0, scanned
		n, err := l.file.ReadAt(l.buf[l.end:], l.offset)
		l.end += n
		l.offset += int64(n)
		if err == io.EOF {
			l.eof = true
		} else if err != nil {
			return nil, err
		}
	}
}

// row skips blank lines and comments (#).
func (l *lines) row() ([]byte, error) {
	for {
		text, err := l.next()
		if err != nil {
			return nil, err
		}
		if t := bytes.TrimLeft(text, " "); len(t) > 0 && t[0] != '#' {
			return text, nil
		}
	}
}
