package cli

import (
	"bytes"
	"strings"
	"testing"
)

func TestUnknownCommandExitsWithTwo(t *testing.T) {
	var out, errs bytes.Buffer
	if code := Run(t.Context(), []string{"nosuch"}, Streams{Out: &out, Err: &errs}); code != 2 {
		t.Errorf("exit code %d, want 2", code)
	}
	if !strings.Contains(errs.String(), "nosuch") {
		t.Errorf("message %q does not name the command", errs.String())
	}
}
