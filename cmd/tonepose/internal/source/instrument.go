package source

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"strings"
	"time"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/multitone/recording"
)

// openInstrument asks the instrument of the rig file for blocks of samples.
func openInstrument(ctx context.Context, name, _ string, o Options) (Source, error) {
	in := o.Instrument
	if in == nil {
		return nil, fmt.Errorf("%s: no rig file with a source: part says how to ask it; add one (help rig)", name)
	}
	o.Reading.Format = in.Format
	size, _, err := recording.Datatype(in.Format)
	if err != nil {
		return nil, err
	}
	if in.CountV > 0 {
		o.Reading.FullScale = []float64{math.Ldexp(in.CountV, 8*size-1)}
	}
	name += " " + in.Address
	described, err := recording.NewStream(nil, name, o.Reading) // raw samples describe nothing themselves
	if err != nil {
		return nil, err
	}
	p := &asker{name: name, in: in, frame: int64(size * described.Info().Channels),
		silence: time.Duration(cmp.Or(in.TimeoutS, 10) * float64(time.Second)), dialer: dialer{address: in.Address, dial: o.dial}}
	if p.first, err = p.connect(ctx); err != nil {
		var wrong *protocolError
		if errors.As(err, &wrong) {
			return nil, err
		}
		return nil, fmt.Errorf("%w; switch it on, or mend source.address", err)
	}
	return newFlow(newFeed(ctx, p, o.Idle, false), name, o)
}

// asker is an instrument as a peer that sends the samples of its blocks.
type asker struct {
	name    string
	in      *rig.Instrument
	frame   int64 // bytes of a sample of all channels
	silence time.Duration
	dialer  dialer
	first   *answers // nil: in use
	mute    bool     // the connection before did not answer at all
}

func (a *asker) Close() error { return nil }

// fail is an error of this instrument.
func (a *asker) fail(err error) error { return fmt.Errorf("%s: %w", a.name, err) }

func (a *asker) open(ctx context.Context, why error) (io.ReadCloser, error) {
	if first := a.first; first != nil {
		a.first = nil
		return first, nil
	}
	for wait := shortestWait; ; wait = min(2*wait, longestWait) {
		var wrong *protocolError
		if errors.As(why, &wrong) {
			return nil, a.fail(why)
		}
		var conn *answers
		if conn, why = a.connect(ctx); why == nil {
			return conn, nil
		}
		if err := pause(ctx, wait); err != nil {
			return nil, err
		}
	}
}

// connect dials, and sets the instrument up.
func (a *asker) connect(ctx context.Context) (*answers, error) {
	conn, err := a.dialer.connect(ctx)
	if err != nil {
		return nil, a.fail(err)
	}
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	s := &answers{asker: a, conn: conn}
	s.text = bufio.NewReaderSize(silent{s}, pieceBytes)
	if err := s.setUp(); err != nil {
		conn.Close()
		return nil, a.fail(err)
	}
	return s, nil
}

// answers is one connection: the samples of one block after the other.
type answers struct {
	*asker
	conn  net.Conn
	text  *bufio.Reader
	size  int64 // of the block at hand
	left  int64 // of its bytes; indefinite: all that come
	begun bool  // a block with samples came
	empty bool  // the last one had none
	tail  bool  // a newline is still to come after the block
	held  bool  // so may be the newline that came last of an indefinite one, or else belong to a sample
}

func (s *answers) Close() error { return s.conn.Close() }

// silent reads a connection for as long as it says something.
type silent struct{ *answers }

func (s silent) Read(b []byte) (int, error) {
	s.conn.SetReadDeadline(time.Now().Add(s.silence))
	return s.conn.Read(b)
}

// setUp checks who answers, and starts it.
func (s *answers) setUp() error {
	if want := s.in.Identity; want != "" {
		who, err := s.ask("*IDN?")
		if err != nil {
			return err
		}
		if !strings.Contains(who, want) {
			return &protocolError{fmt.Sprintf("it says that it is %q, not %q: mend source.address or source.identity", who, want)}
		}
	}
	for _, command := range s.in.Start {
		if err := s.send(command); err != nil {
			return err
		}
	}
	if len(s.in.Start) == 0 || s.in.Errors == "" {
		return nil
	}
	said, err := s.complaint()
	if err == nil && said != "" {
		err = &protocolError{fmt.Sprintf("after the commands of source.start it says %s: mend them", said)}
	}
	return err
}

// send sends one command.
func (s *answers) send(command string) error {
	s.conn.SetWriteDeadline(time.Now().Add(s.silence))
	_, err := io.WriteString(s.conn, command+"\n")
	return err
}

// longestAnswer bounds a line of text.
const longestAnswer = 1 << 12

// ask sends a query that one line answers.
func (s *answers) ask(query string) (string, error) {
	if err := s.send(query); err != nil {
		return "", err
	}
	var line []byte
	for {
		c, err := s.text.ReadByte()
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			return "", &protocolError{fmt.Sprintf("no answer to %s within %v: mend the query or source.timeout_s", query, s.silence)}
		case err == io.EOF:
			return "", fmt.Errorf("the connection was closed before %s was answered", query)
		case err != nil:
			return "", err
		case c == '\n':
			return strings.TrimSuffix(string(line), "\r"), nil
		case len(line) == longestAnswer:
			return "", &protocolError{fmt.Sprintf("the answer to %s is longer than %d bytes: no text", query, longestAnswer)}
		}
		line = append(line, c)
	}
}

// complaint is what the instrument says is wrong; empty: nothing.
func (s *answers) complaint() (string, error) {
	said, err := s.ask(s.in.Errors)
	number, _, _ := strings.Cut(said, ",")
	if n := strings.TrimLeft(strings.TrimSpace(number), "+-"); err != nil || n != "" && strings.Trim(n, "0") == "" {
		return "", err
	}
	return said, nil
}

// errApart is the gap between blocks that do not follow each other.
var errApart = fmt.Errorf("samples are lost between the blocks of the instrument (%w)", errBroken)

// Read hands out samples of the block at hand, and asks for the next one after its end.
func (s *answers) Read(b []byte) (int, error) {
	for s.left == 0 {
		if err := s.next(); err != nil {
			return 0, err
		}
	}
	var n int
	var err error
	if s.left == indefinite {
		n, err = s.endless(b)
	} else {
		n, err = s.text.Read(b[:min(int64(len(b)), s.left)])
		s.left -= int64(n)
	}
	if n > 0 {
		return n, nil
	}
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded):
		err = fmt.Errorf("nothing came for %v", s.silence)
	case err != io.EOF:
		err = fmt.Errorf("the connection was lost: %w", err)
	case s.left == indefinite:
		err = errors.New("the instrument ended its block")
	default:
		err = errors.New("the connection was closed")
	}
	if s.left > 0 {
		err = fmt.Errorf("%w, %d bytes before the end of a block of %d", err, s.left, s.size)
	}
	return 0, err
}

// endless reads an indefinite block, whose last newline is no part of it.
func (s *answers) endless(b []byte) (n int, err error) {
	for n == 0 && err == nil {
		if s.held {
			b[0], n = '\n', 1
		}
		var more int
		if more, err = s.text.Read(b[n:]); more == 0 {
			return 0, err
		}
		n += more
		if s.held = b[n-1] == '\n'; s.held {
			n--
		}
	}
	return n, err
}

// next ends the block at hand, and asks for the next.
func (s *answers) next() error {
	if s.tail {
		if err := s.end(); err != nil {
			return err
		}
	}
	if s.empty { // there was nothing yet
		time.Sleep(lookAgain)
	}
	if err := s.send(s.in.Block); err != nil {
		return fmt.Errorf("the connection was lost: %w", err)
	}
	length, err := readBlockHeader(s.text)
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded):
		return s.unanswered()
	case err == io.EOF || err == io.ErrUnexpectedEOF:
		return fmt.Errorf("the connection was closed before %s was answered", s.in.Block)
	case errors.As(err, new(*protocolError)):
		return fmt.Errorf("%s: %w: mend source.block, or let it answer without words before the block", s.in.Block, err)
	case err != nil:
		return fmt.Errorf("the connection was lost: %w", err)
	case length > 0 && length%s.frame != 0:
		return &protocolError{fmt.Sprintf("%s: a block of %d bytes is no whole number of samples of %d bytes: mend channels or source.format", s.in.Block, length, s.frame)}
	}
	s.size, s.left, s.empty, s.tail, s.mute = length, length, length == 0, length >= 0, false
	if again := s.begun; length != 0 {
		if s.begun = true; again && !s.in.Joined {
			return errApart
		}
	}
	return nil
}

// end reads the newline after a block.
func (s *answers) end() error {
	for {
		c, err := s.text.ReadByte()
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			return &protocolError{fmt.Sprintf("%s: no newline within %v after a block of %d bytes: is the length in its header wrong?", s.in.Block, s.silence, s.size)}
		case err == io.EOF:
			return errors.New("the connection was closed")
		case err != nil:
			return fmt.Errorf("the connection was lost: %w", err)
		case c == '\n':
			s.tail = false
			return nil
		case c != '\r':
			return &protocolError{fmt.Sprintf("%s: after a block of %d bytes comes %q, not a newline: the length in its header is wrong", s.in.Block, s.size, c)}
		}
	}
}

// unanswered asks why there was no answer. Without one the connection is made anew, once.
func (s *answers) unanswered() error {
	what := fmt.Sprintf("no answer to %s within %v", s.in.Block, s.silence)
	if s.in.Errors != "" {
		if said, err := s.complaint(); err == nil && said != "" && said[0] != '#' { // not the block, late
			return &protocolError{what + ": it says " + said + "; mend source.block"}
		}
	}
	if s.mute {
		return &protocolError{what + ", nor when it was connected anew: mend source.block or source.timeout_s"}
	}
	s.mute = true
	return errors.New(what)
}
