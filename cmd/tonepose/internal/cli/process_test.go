package cli

import (
	"os"
	"os/exec"
	"runtime/debug"
	"strings"
	"testing"
)

// childArgs names the variable that makes this test program run one command.
const childArgs = "TONEPOSE_TEST_COMMAND"

func TestMain(m *testing.M) {
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
