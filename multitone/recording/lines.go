package recording

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"math"
)

// maxLine bounds a line of text; 4096 channels of 24 characters fit.
const maxLine = 128 << 10

// lines reads text line by line from any offset of a file. Call seek first.
type lines struct {
	file io.ReaderAt
	name string
	text *bufio.Reader
	cursor
}

// cursor is where the next line starts in the file, and the number of the line before it, from 1.
type cursor struct{ offset, line int64 }

// seek goes to a cursor.
func (l *lines) seek(at cursor) {
	if l.text == nil {
		l.text = bufio.NewReaderSize(nil, maxLine)
	}
	l.text.Reset(io.NewSectionReader(l.file, at.offset, math.MaxInt64-at.offset))
	l.cursor = at
}

// next returns a line without its end, valid until the next call, or io.EOF.
func (l *lines) next() ([]byte, error) {
	text, err := l.text.ReadSlice('\n')
	l.offset += int64(len(text))
	switch {
	case err == bufio.ErrBufferFull:
		return nil, fmt.Errorf("%s:%d: a line longer than %d bytes; this is no table of numbers", l.name, l.line+1, maxLine)
	case err != nil && (err != io.EOF || len(text) == 0):
		return nil, err
	}
	l.line++
	return bytes.TrimSuffix(bytes.TrimSuffix(text, []byte("\n")), []byte("\r")), nil
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
