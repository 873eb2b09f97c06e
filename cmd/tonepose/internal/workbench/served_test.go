package workbench

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"flag"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"tonepose/cmd/tonepose/internal/measure"
	"tonepose/cmd/tonepose/internal/solve"
	"tonepose/cmd/tonepose/internal/source"
	"tonepose/cmd/tonepose/internal/stream"
	"tonepose/cmd/tonepose/internal/subject"
	"tonepose/cmd/tonepose/internal/tables"
	"tonepose/multitone/recording"
)

func testdata(name ...string) string {
	return filepath.Join(append([]string{"..", "..", "..", "..", "testdata"}, name...)...)
}

var (
	recorded = testdata("recordings", "pipe-bench-moving.sigmf-meta")
	truthful = testdata("recordings", "pipe-bench-moving.truth.csv")
	rigFile  = testdata("rigs", "pipe-bench.rig.yaml")
)

// solved is the folder of a run of 10 ms windows, made once.
var solved = sync.OnceValues(func() (string, error) {
	o := solve.Options{Job: measure.Job{Out: filepath.Join(scratch, "run"), Windows: stream.Windows{Length: 10e-3, Hop: 10e-3},
		Options: map[string]string{"window": "10ms", "hop": "", "taper": "hann", "clock": "common", "trajectory": "none", "lowpass": "", "intervals": "", "rig": rigFile}}}
	o.Recording, o.Rig = recorded, rigFile
	_, err := solve.Run(context.Background(), o)
	return o.Out, err
})

// scratch is a folder for what several tests use.
var scratch string

func TestMain(m *testing.M) {
	// Tests that run side by side wait for their benches, whose time passes as ours, more than they compute.
	flag.Parse()
	err := flag.Set("test.parallel", strconv.Itoa(mostBenches))
	if err != nil {
		panic(err)
	}
	if scratch, err = os.MkdirTemp("", "workbench"); err != nil {
		panic(err)
	}
	code := m.Run()
	endChromium()
	os.RemoveAll(scratch)
	os.Exit(code)
}

// served begins to serve and returns the address; the server ends with the test.
func served(t *testing.T, o Options) string {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ready, ended := make(chan string, 1), make(chan error, 1)
	if o.Address == "" {
		o.Address = "127.0.0.1:0"
	}
	o.Ready = func(address string) { ready <- address }
	go func() { ended <- Serve(ctx, o) }()
	select {
	case address := <-ready:
		t.Cleanup(func() {
			cancel()
			if err := <-ended; err != nil {
				t.Errorf("the server ended with %v", err)
			}
		})
		return address
	case err := <-ended:
		cancel()
		t.Fatal(err)
		return ""
	}
}

// servedRun serves the run with its truth and waits until all of it is known.
func servedRun(t *testing.T) string {
	t.Helper()
	dir, err := solved()
	if err != nil {
		t.Fatal(err)
	}
	address := served(t, Options{Run: subject.RunOptions{Dir: dir, Recording: recorded, Truth: truthful}})
	wait(t, address, func(s map[string]any) bool { return len(s["answers"].([]any)) == 5 && s["clock"] != nil })
	return address
}

// player hands the samples of the recording to a server, as a test wants them.
type player struct {
	t        *testing.T
	listener net.Listener
	conn     net.Conn
	counts   []byte // of the channels rx1, rx2, rx3 and drive in turn, of 16 bits each
}

// servedPlayer serves a stream to which nothing was handed yet.
func servedPlayer(t *testing.T) (address string, p *player) {
	t.Helper()
	p = &player{t: t}
	var err error
	if p.counts, err = os.ReadFile(strings.TrimSuffix(recorded, "meta") + "data"); err != nil {
		t.Fatal(err)
	}
	if p.listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.listener.Close() })
	address = served(t, Options{Follow: subject.StreamOptions{Name: "tcp://" + p.listener.Addr().String(), Rig: rigFile, Windows: stream.Windows{Length: 10e-3, Hop: 10e-3},
		Source: source.Options{Pace: math.Inf(1), // no window is skipped, however busy the machine is
			Reading: recording.Options{Format: "ri16_le", SampleRate: 100e3, Channels: 4}}}})
	p.accept()
	return address, p
}

// accept takes the next connection.
func (p *player) accept() {
	p.t.Helper()
	var err error
	if p.conn, err = p.listener.Accept(); err != nil {
		p.t.Fatal(err)
	}
	conn := p.conn
	p.t.Cleanup(func() { conn.Close() })
}

// send hands on what was recorded from one time to another [s], multiplied by the factors of the channels.
func (p *player) send(from, to float64, factors [4]int16) {
	p.t.Helper()
	const frame, rate = 8, 100e3
	part := slices.Clone(p.counts[frame*int(math.Round(from*rate)) : frame*int(math.Round(to*rate))])
	for i := 0; i < len(part); i += 2 {
		binary.LittleEndian.PutUint16(part[i:], uint16(int16(binary.LittleEndian.Uint16(part[i:]))*factors[i/2%4]))
	}
	if _, err := p.conn.Write(part); err != nil {
		p.t.Fatal(err)
	}
}

// truthAt is where the probe was in the recording [m], by known poses some ms apart: a line between them is right within
// a few µm. ok is false before the first and after the last of them.
func truthAt(t *testing.T, time float64) (at r3.Vec, ok bool) {
	t.Helper()
	known, err := truths()
	if err != nil {
		t.Fatal(err)
	}
	k := sort.Search(len(known), func(i int) bool { return known[i].Start > time })
	if k == 0 || k == len(known) {
		return at, false
	}
	a, b := known[k-1], known[k]
	share := (time - a.Start) / (b.Start - a.Start)
	return r3.Add(r3.Scale(1-share, a.Pose.Position), r3.Scale(share, b.Pose.Position)), true
}

var truths = sync.OnceValues(func() ([]tables.Station, error) { return tables.ReadTruth(truthful, []string{"probe"}) })

// wait asks for the session until it is as wanted.
func wait(t *testing.T, address string, enough func(map[string]any) bool) map[string]any {
	t.Helper()
	for {
		s := object(t, address+"api/session")
		if failed, ok := s["failed"].(string); ok && failed != "" {
			t.Fatal(failed)
		}
		if enough(s) {
			return s
		}
		select {
		case <-t.Context().Done():
			t.Fatal("it never came")
		case <-time.After(20 * time.Millisecond):
		}
	}
}

func get(t *testing.T, address string) (int, []byte) {
	t.Helper()
	r, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, body
}

func object(t *testing.T, address string) (v map[string]any) {
	t.Helper()
	status, body := get(t, address)
	if err := json.Unmarshal(body, &v); status != http.StatusOK || err != nil {
		t.Fatalf("%s: %d %.300s", address, status, body)
	}
	return v
}

func post(t *testing.T, address string, ask any) (int, map[string]any) {
	t.Helper()
	body, err := json.Marshal(ask)
	if err != nil {
		t.Fatal(err)
	}
	r, err := http.Post(address, "application/json", bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	var v map[string]any
	if err := json.NewDecoder(r.Body).Decode(&v); err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, v
}

// decoded are arrays as the page reads them.
func decoded(t *testing.T, address string) (map[string]any, map[string][]float64) {
	t.Helper()
	status, body := get(t, address)
	if status != http.StatusOK {
		t.Fatalf("%s: %d %s", address, status, body)
	}
	n := binary.LittleEndian.Uint32(body)
	if (4+n)%8 != 0 {
		t.Errorf("%s: the arrays begin at %d, no multiple of 8", address, 4+n)
	}
	var head map[string]any
	if err := json.Unmarshal(body[4:4+n], &head); err != nil {
		t.Fatal(err)
	}
	values, rest := map[string][]float64{}, body[4+n:]
	for _, a := range head["arrays"].([]any) {
		a := a.(map[string]any)
		list, size := []float64{}, map[string]int{"f64": 8, "f32": 4, "u32": 4}[a["type"].(string)]
		for i := range int(a["length"].(float64)) {
			switch b := rest[i*size:]; a["type"] {
			case "f64":
				list = append(list, math.Float64frombits(binary.LittleEndian.Uint64(b)))
			case "f32":
				list = append(list, float64(math.Float32frombits(binary.LittleEndian.Uint32(b))))
			case "u32":
				list = append(list, float64(binary.LittleEndian.Uint32(b)))
			}
		}
		values[a["name"].(string)] = list
		rest = rest[(len(list)*size+7)/8*8:]
	}
	if len(rest) != 0 {
		t.Errorf("%s: %d bytes are left over", address, len(rest))
	}
	return head, values
}
