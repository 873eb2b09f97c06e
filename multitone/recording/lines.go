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
	last  []byte // line that was returned
	start cursor // of it
	again bool   // it comes once more
}

// cursor is where the next line starts in the file, and the number of the line before it, from 1.
type cursor struct{ offset, line int64 }

// seek goes to a cursor.
func (l *lines) seek(at cursor) {
	if l.text == nil {
		l.text = bufio.NewReaderSize(nil, maxLine)
	}
	l.text.Reset(io.NewSectionReader(l.file, at.offset, math.MaxInt64-at.offset))
	l.cursor, l.again = at, false
}

// back lets the line that was returned last come once more.
func (l *lines) back() { l.cursor, l.again = l.start, true }

// ready tells whether a line has come wholly, so that next does not wait.
func (l *lines) ready() bool {
	if l.again {
		return true
	}
	b, _ := l.text.Peek(l.text.Buffered())
	return bytes.IndexByte(b, '\n') >= 0
}

// next returns a line without its end, valid until the next call, or io.EOF.
func (l *lines) next() ([]byte, error) {
	var err error
	if !l.again {
		l.last, err = l.text.ReadSlice('\n')
	}
	text := l.last
	l.again, l.start = false, l.cursor
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
		if !blank(text) {
			return text, nil
		}
	}
}

// blank tells whether a line has nothing but a comment.
func blank(text []byte) bool {
	t := bytes.TrimLeft(text, " ")
	return len(t) == 0 || t[0] == '#'
}
