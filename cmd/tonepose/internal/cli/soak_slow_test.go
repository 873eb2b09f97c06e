//go:build slow && linux

package cli

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"tonepose/cmd/tonepose/internal/files"
)

// A soak runs commands on what a seed draws: one seed a step, printed where a step fails, and
//
//	go test -tags slow -run 'TestSoak$' ./cmd/tonepose/internal/cli -soak 0 -soak.seed SEED
//
// runs that step alone.
var (
	soakFor  = flag.Duration("soak", time.Minute, "how long a soak takes; 0: one step")
	soakSeed = flag.Uint64("soak.seed", uint64(time.Now().Unix()), "seed of a soak's first step; each further one is larger by 1")
)

const (
	soakPatience = 3 * time.Minute  // of a command on a loaded machine; what takes longer hangs
	soakLong     = 10 * time.Second // before a command that may take long is sent a signal
	soakEnding   = 20 * time.Second // from a signal to its end
	soakMemory   = 400              // MiB; inputs are of a few MB
)

// TestSoak runs mixed commands, each in a process of its own, on random inputs, sound and
// damaged, with random flags, on random numbers of threads, ended at random moments. None
// ends but by its exit codes, says why in words, leaves halves or leftovers, changes what it
// reads or another's results, hangs, or takes memory without bound.
func TestSoak(t *testing.T) {
	t.Parallel()
	shelf := soakShelf(t)
	s := soakTally{codes: map[int]int{}, memory: map[string]int64{}, unmended: map[string]bool{}}
	for begin, seed := time.Now(), *soakSeed; ; seed++ {
		if !soakedStep(t, shelf, seed, &s) {
			t.Errorf("the step of seed %d failed: -soak 0 -soak.seed %d runs it alone", seed, seed)
		}
		s.steps++
		if time.Since(begin) > *soakFor {
			break
		}
	}
	t.Logf("%d steps from seed %d, %d commands, %d of them ended by signals, %d killed; exit codes %v", s.steps, *soakSeed, s.commands, s.signals, s.kills, s.codes)
	t.Logf("most memory [MiB]: %v", s.memory)
	if len(s.ended) > 0 {
		t.Logf("from a signal to the end: %s", spread(s.ended))
	}
}

// soakTally is what a soak came to.
type soakTally struct {
	steps, commands, signals, kills int
	codes                           map[int]int
	memory                          map[string]int64 // by command, MiB
	ended                           []time.Duration
	unmended                        map[string]bool // messages that say no mend, without names and numbers
}

// soakedStep makes what a seed draws and runs its commands. It tells whether all was well.
func soakedStep(t *testing.T, shelf string, seed uint64, s *soakTally) bool {
	dir, err := os.MkdirTemp(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	for _, name := range []string{"in", "out", "tmp"} {
		if err := os.Mkdir(filepath.Join(dir, name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	d := &soakDraw{t: t, random: rand.New(rand.NewPCG(seed, 15)), shelf: shelf, dir: dir}
	well := true
	for range 1 + d.random.IntN(5) {
		c := d.call()
		again := c.run(t, dir, s, &well)
		if again { // it was killed
			c.signal = 0
			if c.endless || c.long {
				c.signal, c.after = syscall.SIGTERM, soakLong
			}
			c.run(t, dir, s, &well)
			sweepBelow(t, dir)
			if left := hiddenBelow(t, dir); len(left) > 0 {
				well = false
				t.Errorf("%s: left behind after a kill and the next run: %v", c, left)
			}
		}
	}
	return well
}

// soakCall is one command line and what happens to it.
type soakCall struct {
	args    []string
	threads int
	endless bool           // it ends by a signal alone
	long    bool           // it may take as long as its input asks for, and is then sent one
	signal  syscall.Signal // 0: none
	after   time.Duration
	twice   bool   // the signal
	stdin   []byte // nil: none
	unread  bool   // nobody reads standard output
	handles int    // how many files may be open; 0: as many as always
}

func (c soakCall) String() string {
	text := fmt.Sprintf("GOMAXPROCS=%d tonepose %q", c.threads, c.args)
	if c.signal != 0 {
		text += fmt.Sprintf(", %v after %v", c.signal, c.after)
	}
	if c.twice {
		text += ", twice"
	}
	if c.unread {
		text += ", standard output closed"
	}
	if c.handles > 0 {
		text += fmt.Sprintf(", %d handles", c.handles)
	}
	if c.stdin != nil {
		text += fmt.Sprintf(", %d bytes on standard input", len(c.stdin))
	}
	return text
}

var (
	specifics = regexp.MustCompile(`(?m)[^ ]*[0-9./"][^ ]*`)
	crashed   = regexp.MustCompile(`(?m)panic:|^goroutine \d+|runtime error|fatal error:|http: |DATA RACE|: internal error`)
	mends     = regexp.MustCompile(`(?i)\b(must|want|name|names|give|add|use|state|states|write|written|needs|need|needed|choose|know|known|is a file|one of|from .* to|missing|make|no such|look|take|lower|raise|shorten|lengthen|longer|move|remove|read as|takes|at least|at most|exists|unknown|check|correct|wait|mend|free|let|list|exclude|excludes|damaged|cut off|not JSON|its channels are|rename|store|save|leave|find|end|put)\b|hint:|is it the plan`)
)

// run runs the command in the folder of its step and checks what came of it. again: it was
// killed, and may have left what the next one takes away.
func (c *soakCall) run(t *testing.T, dir string, s *soakTally, well *bool) (again bool) {
	t.Helper()
	fail := func(format string, values ...any) {
		t.Helper()
		*well = false
		t.Errorf("%s\n%s", c, fmt.Sprintf(format, values...))
	}
	before, hidden := seen(t, dir), hiddenBelow(t, dir)
	p := process(t, c.args...)
	if c.handles > 0 {
		p.Path, p.Args = "/bin/sh", []string{"sh", "-c", fmt.Sprintf(`ulimit -n %d; exec "$0"`, c.handles), os.Args[0]}
	}
	program, err := filepath.Abs(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	if c.handles > 0 {
		p.Args[3] = program
	} else {
		p.Path = program
	}
	p.Dir = dir
	p.Env = append(p.Env, fmt.Sprintf("GOMAXPROCS=%d", c.threads), "TMPDIR="+filepath.Join(dir, "tmp"))
	if c.stdin != nil {
		p.Stdin = bytes.NewReader(c.stdin)
	}
	var out, errs bytes.Buffer
	p.Stdout, p.Stderr = &out, &errs
	if c.unread {
		r, w, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		r.Close()
		defer w.Close()
		p.Stdout = w
	}
	p.WaitDelay = time.Second
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	most := watched(p.Process.Pid)
	took := c.await(p, s, fail)
	s.commands++
	code := p.ProcessState.ExitCode()
	s.codes[code]++
	status, _ := p.ProcessState.Sys().(syscall.WaitStatus)
	name := calledBy(c.args)
	mib := most() // what the system tells afterwards counts what this process held when it began
	s.memory[name] = max(s.memory[name], mib)
	if mib > soakMemory {
		fail("took %d MiB", mib)
	}
	said := terminalEnd(errs.String())
	if m := crashed.FindString(errs.String() + out.String()); m != "" {
		fail("%q after %v: %s", m, took, said)
	}
	killed := status.Signaled() && status.Signal() == syscall.SIGKILL && c.signal == syscall.SIGKILL
	switch early := status.Signaled() && status.Signal() == c.signal && c.signal != 0; {
	case killed, early && errs.Len() == 0: // before it looked for signals
	case code == 0, code == 1, code == 2:
	case c.signal != 0 && code == 128+int(c.signal):
	case c.unread && code == 128+int(syscall.SIGPIPE):
	default:
		fail("exit code %d, %v after %v: %s", code, status, took, said)
	}
	words := errs.String()
	switch said := strings.Contains(words, "tonepose: error: "); {
	case code == 0 && said && !strings.HasPrefix(name, "batch"), (code == 1 || code == 2) && !said:
		fail("exit code %d, and it says %s", code, terminalEnd(words))
	case code == 2 && !mends.MatchString(words):
		if shape := specifics.ReplaceAllString(words, "*"); !s.unmended[shape] { // once
			s.unmended[shape] = true
			fail("no mend known in: %s", words)
		}
	}
	if slices.Contains(c.args, "--json") && code == 0 && !c.unread && !slices.ContainsFunc(c.args, func(a string) bool {
		return a == "--help" || strings.HasPrefix(a, "--script") || strings.HasPrefix(a, "--rows")
	}) {
		for d := json.NewDecoder(&out); ; {
			var v any
			if err := d.Decode(&v); err == io.EOF {
				break
			} else if err != nil {
				fail("no JSON: %v", err)
				break
			}
		}
	}
	c.compare(t, dir, before, code, fail)
	if killed {
		return true
	}
	if left := hiddenBelow(t, dir); slices.ContainsFunc(left, func(name string) bool { return !slices.Contains(hidden, name) }) {
		fail("exit code %d, left behind: %v", code, left)
	}
	return false
}

// watched looks at the most memory [MiB] that a process has held since it runs its program. What
// it returns tells it once the process has ended.
func watched(pid int) (most func() int64) {
	var peak int64
	ended, told := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(told)
		for tick := time.NewTicker(20 * time.Millisecond); ; {
			status, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
			if _, after, ok := bytes.Cut(status, []byte("VmHWM:")); ok {
				var kib int64
				fmt.Sscan(string(after), &kib)
				peak = max(peak, kib>>10)
			}
			select {
			case <-tick.C:
			case <-ended:
				return
			}
		}
	}()
	return func() int64 {
		close(ended)
		<-told
		return peak
	}
}

// await waits for the end of a command, which it sends its signals, and stops what does not end.
func (c *soakCall) await(p *exec.Cmd, s *soakTally, fail func(string, ...any)) time.Duration {
	begin := time.Now()
	ended := make(chan struct{})
	go func() { p.Wait(); close(ended) }()
	patience := soakPatience
	if c.signal != 0 {
		select {
		case <-ended:
			return time.Since(begin)
		case <-time.After(c.after):
		}
		sent := time.Now()
		p.Process.Signal(c.signal)
		if c.twice {
			time.Sleep(time.Millisecond)
			p.Process.Signal(c.signal)
		}
		s.signals++
		if c.signal == syscall.SIGKILL {
			s.kills++
		}
		defer func() { s.ended = append(s.ended, time.Since(sent)) }()
		patience = soakEnding
	}
	select {
	case <-ended:
	case <-time.After(patience):
		p.Process.Signal(syscall.SIGQUIT) // its goroutines tell where it is
		select {
		case <-ended:
		case <-time.After(soakEnding):
			p.Process.Kill()
			<-ended
		}
		fail("did not end within %v", patience)
	}
	return time.Since(begin)
}

// compare looks at what is there after a run: what was read is as it was, what was
// there already is, too, unless the run may replace it, and what came is whole.
func (c *soakCall) compare(t *testing.T, dir string, before map[string]string, code int, fail func(string, ...any)) {
	after := seen(t, dir)
	may := slices.ContainsFunc(c.args, func(a string) bool { return strings.HasPrefix(a, "--force") }) || slices.Contains([]string{"demo", "help", "batch", "live"}, c.args[0])
	for name, sum := range before {
		if after[name] == sum {
			continue
		}
		switch input := strings.HasPrefix(name, "in"+string(filepath.Separator)); {
		case input:
			fail("an input, %s, was changed", name)
		case after[name] == "" && c.args[0] != "batch" && !may:
			fail("%s is gone", name)
		case !may || code == 2 && c.args[0] != "batch":
			fail("exit code %d, and %s was replaced", code, name)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(after)) {
		if after[name] == before[name] || strings.HasPrefix(filepath.Base(name), ".") {
			continue
		}
		if code == 2 && before[name] == "" && c.args[0] != "batch" && c.args[0] != "live" && c.signal == 0 {
			fail("exit code 2, and %s was written", name)
		}
		if strings.HasPrefix(name, "out"+string(filepath.Separator)) || before[name] == "" {
			if err := isWhole(filepath.Join(dir, name)); err != nil {
				fail("exit code %d, %s: %v", code, name, err)
			}
		}
	}
}

// calledBy is the name of the command of a command line.
func calledBy(args []string) string {
	name := args[0]
	if len(args) > 1 && slices.Contains([]string{"rig new", "rig check", "rig schema", "simulate pair", "calibrate channels"}, name+" "+args[1]) {
		name += " " + args[1]
	}
	return name
}

// terminalEnd is the end of what a command said.
func terminalEnd(text string) string {
	const most = 6000
	if n := len(text) - most; n > 0 {
		return text[:most/2] + " … " + text[n+most/2:]
	}
	return text
}

// seen are the sums of the files below a folder that have names of their own, but for claims and what is temporary.
func seen(t *testing.T, dir string) map[string]string {
	t.Helper()
	sums := map[string]string{}
	made, _ := below(t, dir)
	for name := range made {
		if filepath.Base(filepath.Dir(name)) == "claims" || strings.HasPrefix(name, "tmp"+string(filepath.Separator)) {
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, name))
		if errors.Is(err, fs.ErrNotExist) { // a link to nothing
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		sums[name] = fmt.Sprintf("%x", sha256.Sum256(text))
	}
	return sums
}

// hiddenBelow are what should be gone: hidden files, claims, and what is left in the folder
// of temporary files.
func hiddenBelow(t *testing.T, dir string) []string {
	t.Helper()
	made, hidden := below(t, dir)
	for name := range made {
		if strings.HasPrefix(name, "tmp"+string(filepath.Separator)) || filepath.Base(filepath.Dir(name)) == "claims" {
			hidden = append(hidden, name)
		}
	}
	slices.Sort(hidden)
	return hidden
}

// sweepBelow does in all folders what the next run that writes there does first, but for claims
// and folders of temporary files, which are the next's of their kind.
func sweepBelow(t *testing.T, dir string) {
	t.Helper()
	for _, d := range slices.Concat([]string{dir}, folders(t, dir)) {
		b, err := files.Into(d, true)
		if err != nil {
			t.Fatal(err)
		}
		b.Abort()
	}
	for _, pattern := range []string{"tmp/*", "out/*/claims/*"} {
		left, _ := filepath.Glob(filepath.Join(dir, pattern))
		for _, name := range left {
			os.RemoveAll(name)
		}
	}
}
