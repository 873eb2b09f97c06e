package source

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"tonepose/cmd/tonepose/internal/rig"
	"tonepose/cmd/tonepose/internal/stream"
)

// definite is a block with its newline.
func definite(samples []byte) string {
	length := fmt.Sprint(len(samples))
	return fmt.Sprintf("#%d%s%s\n", len(length), length, samples)
}

// part is counts [from, to) of 16 bits.
func part(from, to int) []byte { return counts(to)[2*from:] }

// bench is an instrument that answers each query from a list, connection by connection; what is sent to it is noted.
type bench struct {
	t         *testing.T
	connected int
	mu        sync.Mutex
	heard     []string
	answers   []map[string][]string // by connection and query; used up from the front
}

// hangUp is an answer after which the instrument closes the connection, wait one that comes late.
const (
	hangUp = "\x00hang up"
	wait   = "\x00wait"
)

func (b *bench) dial(context.Context, string, string) (net.Conn, error) {
	if b.connected == len(b.answers) {
		return nil, errors.New("connection refused")
	}
	answers := b.answers[b.connected]
	b.connected++
	ours, theirs := net.Pipe()
	go func() {
		defer theirs.Close()
		commands := bufio.NewScanner(theirs)
		for commands.Scan() {
			b.mu.Lock()
			b.heard = append(b.heard, commands.Text())
			b.mu.Unlock()
			list := answers[commands.Text()]
			if len(list) == 0 {
				continue // says nothing
			}
			answers[commands.Text()] = list[1:]
			for piece := range strings.SplitAfterSeq(list[0], wait) {
				text, late := strings.CutSuffix(piece, wait)
				text, over := strings.CutSuffix(text, hangUp)
				io.WriteString(theirs, text)
				if over {
					return
				}
				if late {
					time.Sleep(time.Second)
				}
			}
		}
	}()
	return ours, nil
}

// asked opens an instrument with these answers, in a bubble of synctest.
func asked(t *testing.T, in rig.Instrument, answers ...map[string][]string) (Source, *bench, error) {
	t.Helper()
	b := &bench{t: t, answers: answers}
	in.Address, in.Block = "192.0.2.7:5025", "READ?"
	if in.Format == "" {
		in.Format = "ri16_le"
	}
	o := Options{Reading: raw, Instrument: &in, dial: b.dial}
	o.Reading.Format = ""
	src, err := Open(t.Context(), "instrument", o)
	return src, b, err
}

// An instrument is asked who it is, set up, asked what is wrong, then for blocks that go on where the one before ended.
func TestInstrumentIsAsked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src, b, err := asked(t, rig.Instrument{Identity: "scope", Start: []string{"RATE 1000", "RUN"}, Errors: "ERR?", Joined: true, CountV: 1}, map[string][]string{
			"*IDN?": {"invented,bench scope,0,1\r\n"},
			"ERR?":  {"+0,\"none\"\n"},
			"READ?": {definite(part(0, 40)), definite(nil), definite(part(40, 44)), "#9000000016" + string(part(44, 52)) + "\r\n", "#0" + string(part(52, 100)) + "\n" + hangUp},
		})
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		if in := src.Info(); in.Name != "instrument 192.0.2.7:5025" || !in.Volts || in.Scale[0] != 1 || in.SampleRate != 1000 {
			t.Errorf("info %+v", in)
		}
		w := watch(t, src)
		w.take(50, 0)
		w.lost()
		b.mu.Lock()
		defer b.mu.Unlock()
		if got, want := strings.Join(b.heard, " | "), "*IDN? | RATE 1000 | RUN | ERR? | READ? | READ? | READ? | READ? | READ?"; got != want {
			t.Errorf("heard %s, want %s", got, want)
		}
	})
}

// Blocks that do not follow each other are apart by what is not known.
func TestInstrumentOfSeparateBlocks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src, _, err := asked(t, rig.Instrument{}, map[string][]string{
			"READ?": {definite(nil), definite(part(0, 40)), definite(nil), definite(part(0, 20)), definite(part(0, 2))},
		})
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		w := watch(t, src)
		w.take(20, 0)
		w.take(10, 0)
		w.take(1, 0)
		const why = "samples are lost between the blocks"
		w.lost(stream.Gap{At: 20, Why: why}, stream.Gap{At: 30, Why: why})
	})
}

// Slow answers are waited for: a pause is no loss as long as none is longer than the timeout.
func TestInstrumentAnswersSlowly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src, _, err := asked(t, rig.Instrument{Identity: "scope", Joined: true, TimeoutS: 1.5}, map[string][]string{
			"*IDN?": {"sc" + wait + "ope\n"},
			"READ?": {wait + "#" + wait + "18" + wait + string(part(0, 1)) + wait + string(part(1, 4)) + wait + "\n", definite(part(4, 8))},
		})
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		began := time.Now()
		w := watch(t, src)
		w.take(4, 0)
		w.lost()
		if took := time.Since(began); took != 5*time.Second {
			t.Errorf("took %v", took)
		}
	})
}

// What is cut off is lost, and the instrument is asked anew.
func TestInstrumentIsLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src, _, err := asked(t, rig.Instrument{Joined: true, TimeoutS: 5},
			map[string][]string{"READ?": {definite(part(0, 8)), "#14" + string(part(8, 9)) + "\x01" + hangUp}},
			map[string][]string{"READ?": {"#1" + hangUp}},
			map[string][]string{"READ?": {hangUp}},
			map[string][]string{"READ?": {definite(part(0, 8)) + hangUp}},
			map[string][]string{"READ?": {"#0" + string(part(0, 6)) + hangUp}},
			map[string][]string{"READ?": {"#212" + string(part(0, 4))}}, // lies about the length
			map[string][]string{}, // does not answer
			map[string][]string{"READ?": {definite(part(0, 4)), definite(part(4, 6))}},
		)
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		w := watch(t, src)
		w.take(4, 0)
		w.take(4, 0)
		w.take(3, 0)
		began := time.Now()
		w.take(2, 0)
		w.take(3, 0)
		w.lost(stream.Gap{At: 4, Why: "the connection was closed, 1 bytes before the end of a block of 4"}, stream.Gap{At: 8, Why: "closed"},
			stream.Gap{At: 11, Why: "the instrument ended its block"}, stream.Gap{At: 13, Why: "nothing came for 5s, 4 bytes before the end of a block of 12"})
		// The stall, and the silence, which is not followed by the next attempt at once.
		if took, want := time.Since(began), 10*time.Second+shortestWait; took != want {
			t.Errorf("took %v, want %v", took, want)
		}
	})
}

// A sample that was cut off in a block is told of.
func TestInstrumentCutsABlock(t *testing.T) {
	for piece, want := range map[string]string{
		hangUp: "the connection was closed, 1 bytes before the end of a block of 8; 3 bytes at the end are no whole sample",
		"":     "nothing came for 10s, 1 bytes before the end of a block of 8; 3 bytes at the end are no whole sample",
	} {
		synctest.Test(t, func(t *testing.T) {
			src, _, err := asked(t, rig.Instrument{Joined: true},
				map[string][]string{"READ?": {"#18" + string(part(0, 3)) + "\x03" + piece}},
				map[string][]string{"READ?": {definite(part(0, 4))}},
			)
			if err != nil {
				t.Fatal(err)
			}
			defer src.Close()
			w := watch(t, src)
			w.take(1, 0)
			w.take(2, 0)
			w.lost(stream.Gap{At: 1, Why: want})
		})
	}
}

// What no further attempt would mend is an error, of opening or of reading.
func TestInstrumentErrors(t *testing.T) {
	identity, start, plain := rig.Instrument{Identity: "scope"}, rig.Instrument{Start: []string{"RUN"}, Errors: "ERR?"}, rig.Instrument{Errors: "ERR?"}
	read := func(answer string) map[string][]string { return map[string][]string{"READ?": {answer}} }
	for _, c := range []struct {
		in      rig.Instrument
		answers []map[string][]string
		want    string
	}{
		{plain, nil, "connection refused; switch it on, or mend source.address"},
		{identity, []map[string][]string{{"*IDN?": {"invented,meter\n"}}}, `it says that it is "invented,meter", not "scope": mend source.address or source.identity`},
		{identity, []map[string][]string{{}}, "no answer to *IDN? within 10s: mend the query or source.timeout_s"},
		{identity, []map[string][]string{{"*IDN?": {strings.Repeat("x", 5000)}}}, "the answer to *IDN? is longer than 4096 bytes: no text"},
		{identity, []map[string][]string{{"*IDN?": {"sco" + hangUp}}}, "the connection was closed before *IDN? was answered; switch it on"},
		{start, []map[string][]string{{"ERR?": {"-113,\"Undefined header\"\n"}}}, `after the commands of source.start it says -113,"Undefined header": mend them`},
		{rig.Instrument{Format: "ri17"}, nil, `datatype "ri17" is not known`},
		{plain, []map[string][]string{read("ready\n")}, `READ?: the header of its block has 'r' in place of #: mend source.block`},
		{plain, []map[string][]string{read("#x123")}, `READ?: the header of its block has 'x' in place of the number of digits`},
		{plain, []map[string][]string{read("#41 00")}, `READ?: the header of its block has ' ' in place of a digit of the length`},
		{plain, []map[string][]string{read(definite(counts(3)))}, "READ?: a block of 6 bytes is no whole number of samples of 4 bytes: mend channels or source.format"},
		{plain, []map[string][]string{read("#14" + string(counts(4)))}, `READ?: after a block of 4 bytes comes '\x02', not a newline: the length in its header is wrong`},
		{plain, []map[string][]string{read("#14" + string(counts(2)))}, "READ?: no newline within 10s after a block of 4 bytes: is the length in its header wrong?"},
		{plain, []map[string][]string{{"ERR?": {"-222,\"Data out of range\"\n"}}}, `no answer to READ? within 10s: it says -222,"Data out of range"; mend source.block`},
		{plain, []map[string][]string{{"ERR?": {"0\n"}}, {"ERR?": {"0\n"}}}, "no answer to READ? within 10s, nor when it was connected anew: mend source.block or source.timeout_s"},
	} {
		synctest.Test(t, func(t *testing.T) {
			src, _, err := asked(t, c.in, c.answers...)
			if err == nil {
				defer src.Close()
				for err == nil {
					_, err = src.ReadInt16(make([]int16, 100))
				}
			}
			if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "192.0.2.7:5025: ") && c.in.Format == "" {
				t.Errorf("error %v, want %s", err, c.want)
			}
		})
	}
	_, err := Open(t.Context(), "instrument", Options{Reading: raw})
	wantError(t, err, "instrument: no rig file with a source: part says how to ask it")
}

// Over a real socket, ended while it waits for an answer.
func TestInstrumentOverTCP(t *testing.T) {
	over := make(chan bool)
	address := serve(t, func(c net.Conn) {
		commands := bufio.NewScanner(c)
		for i := 0; commands.Scan(); i++ {
			if i == 50 {
				<-over
				return
			}
			io.WriteString(c, definite(part(100*i, 100*i+100)))
		}
	})
	o := Options{Reading: raw, Instrument: &rig.Instrument{Address: address, Block: "READ?", Format: "ri16_le", Joined: true, TimeoutS: 3600}}
	src, err := Open(t.Context(), "instrument", o)
	if err != nil {
		t.Fatal(err)
	}
	w := watch(t, src)
	w.take(50*50, 0)
	w.lost()
	failed := make(chan error)
	go func() {
		_, err := src.ReadInt16(make([]int16, 100))
		failed <- err
	}()
	src.Close()
	if err := <-failed; err != io.EOF {
		t.Errorf("error %v", err)
	}
	close(over)
}

// FuzzBlockHeader: what is taken reads back as written, and nothing else is taken.
func FuzzBlockHeader(f *testing.F) {
	for _, header := range []string{"#0", "#11", "#3012", "#9000000016abc", "#9999999999", "#", "", "#1", "#x", "#2 1", "ready\n", "\n#11"} {
		f.Add([]byte(header))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		r := bytes.NewReader(data)
		length, err := readBlockHeader(r)
		taken := data[:len(data)-r.Len()]
		if err != nil {
			if len(taken) > 11 || err == io.EOF && len(data) > 0 {
				t.Fatalf("%q: error %v after %d bytes", data, err, len(taken))
			}
			return
		}
		want := "#0"
		if length != indefinite {
			digits := len(taken) - 2
			want = fmt.Sprintf("#%d%0*d", digits, digits, length)
		}
		if string(taken) != want {
			t.Fatalf("%q was taken as a block of %d bytes", taken, length)
		}
	})
}
