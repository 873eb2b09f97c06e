package cli

import (
	"os"
	"os/exec"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/files"
)

// childArgs names the variable that makes this test program run one command.
const childArgs = "TONEPOSE_TEST_COMMAND"

// killedAtRename names the variable that has a command kill itself before it gives a file its
// final name, or sets an earlier one aside, for so many times.
const killedAtRename = "TONEPOSE_TEST_KILL"

func TestMain(m *testing.M) {
	if left, err := strconv.Atoi(os.Getenv(killedAtRename)); err == nil {
		files.Watch(func(step string, _ ...string) {
			if step == "rename" || step == "set aside" {
				if left--; left == 0 {
					self, _ := os.FindProcess(os.Getpid())
					self.Kill()
					select {}
				}
			}
		})
	}
	if args := os.Getenv(childArgs); args != "" {
		os.Exit(Main(strings.Split(args, "\n"), Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr}))
	}
	unignored()
	debug.SetGCPercent(400) // hundreds of short jobs in one process: a tenth of the time went into collecting
	os.Exit(m.Run())
}

// process is a command in a process of its own, not started yet.
func process(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childArgs+"="+strings.Join(args, "\n"))
	return cmd
}
