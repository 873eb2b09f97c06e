package source

import (
	"fmt"
	"io"
)

// indefinite is the length of a block that ends with the connection.
const indefinite = -1

// readBlockHeader reads what stands before the bytes of a block, and returns how many there are: up to 999,999,999, or
// indefinite.
//
// Source: IEEE 488.2-1992, 8.7.9 and 8.7.10, definite and indefinite length arbitrary block response data: # and a digit
// that counts the digits of the length, then these; or #0. (Clauses not checked against the original.)
func readBlockHeader(r io.ByteReader) (length int64, err error) {
	mark, err := r.ReadByte()
	if err != nil {
		return 0, err
	}
	if mark != '#' {
		return 0, headerError(mark, "#")
	}
	digits, err := r.ReadByte()
	switch {
	case err != nil:
		return 0, cutOff(err)
	case digits == '0':
		return indefinite, nil
	case digits < '0' || digits > '9':
		return 0, headerError(digits, "the number of digits, 1 to 9, or 0")
	}
	for range digits - '0' {
		c, err := r.ReadByte()
		switch {
		case err != nil:
			return 0, cutOff(err)
		case c < '0' || c > '9':
			return 0, headerError(c, "a digit of the length")
		}
		length = 10*length + int64(c-'0')
	}
	return length, nil
}

func headerError(found byte, want string) error {
	return &protocolError{fmt.Sprintf("the header of its block has %q in place of %s", found, want)}
}

// cutOff is the error of what ended within a header.
func cutOff(err error) error {
	if err == io.EOF {
		return io.ErrUnexpectedEOF
	}
	return err
}

// protocolError is an answer that no further attempt would mend.
type protocolError struct{ what string }

func (e *protocolError) Error() string { return e.what }
