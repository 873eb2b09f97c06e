package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/cmd/tonepose/internal/notices"
)

func TestHelpPrintsTheLicencesOfOthers(t *testing.T) {
	if text := tonepose(t, "help", "notices"); text != notices.Text || !strings.Contains(text, "Redistribution and use in source and binary forms") {
		t.Errorf("%.200s", text)
	}
}

func TestHelpShowsCommandsAndTopics(t *testing.T) {
	all := tonepose(t, "help")
	for _, want := range append(handbook.Names(), "solve", "--version", "--help") {
		if !strings.Contains(all, want) {
			t.Errorf("help: %s is missing", want)
		}
	}
	root := newRoot(Streams{Out: &bytes.Buffer{}, Err: &bytes.Buffer{}})
	for _, topic := range handbook.Topics() {
		if c, _, err := root.Find([]string{topic.Name}); err == nil && c != root && topic.Name != "rig" { // help rig is the chapter, rig --help the command's
			t.Errorf("%s is a command and a topic", topic.Name)
		}
		if text := tonepose(t, "help", topic.Name); !strings.HasPrefix(text, strings.ToUpper(topic.Title)+"\n") {
			t.Errorf("help %s begins with %.60q", topic.Name, text)
		}
	}
	if have, want := tonepose(t, "help", "calibrate", "channels"), tonepose(t, "calibrate", "channels", "--help"); have != want {
		t.Errorf("help calibrate channels: %s", have)
	}
	var out, errs bytes.Buffer
	if code := Run(t.Context(), []string{"help", "nosuch"}, Streams{Out: &out, Err: &errs}); code != 2 || out.Len() > 0 || !strings.Contains(errs.String(), "help nosuch: there is no such command or topic") {
		t.Errorf("exit code %d: %s%s", code, &out, &errs)
	}
}

// A page for every command, with each of its flags.
func TestManualPages(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "man1")
	tonepose(t, "help", "--man", dir)
	root := newRoot(Streams{Out: &bytes.Buffer{}, Err: &bytes.Buffer{}})
	var check func(c *cobra.Command)
	check = func(c *cobra.Command) {
		text, err := os.ReadFile(filepath.Join(dir, manName(c)+".1"))
		if err != nil {
			t.Error(err)
			return
		}
		for _, name := range []string{"rig", "out", "json", "window"} {
			if has := regexp.MustCompile(`(?m)^\.B .*\\-\\-` + name + `( |$)`).Match(text); has != (c.Flags().Lookup(name) != nil) {
				t.Errorf("%s: --%s is on its page: %v", c.CommandPath(), name, has)
			}
		}
		for line := range strings.Lines(string(text)) {
			if word, _, _ := strings.Cut(strings.TrimSpace(line), " "); strings.HasPrefix(word, ".") &&
				!strings.Contains(" .TH .SH .TP .B .nf .fi ", " "+word+" ") {
				t.Errorf("%s: %q is taken for a macro", c.CommandPath(), line)
			}
		}
		for _, sub := range c.Commands() {
			check(sub)
		}
	}
	check(root)
	if have, want := roff(".5 a-b\\c\n'x"), "\\&.5 a\\-b\\ec\n\\&'x"; have != want {
		t.Errorf("%q, want %q", have, want)
	}
}

func TestVersion(t *testing.T) {
	if text := tonepose(t, "--version"); !strings.HasPrefix(text, "tonepose ") || strings.Count(text, "\n") != 1 {
		t.Errorf("%q", text)
	}
	for _, c := range []struct {
		module, revision, time string
		modified               bool
		want                   string
	}{
		{"v1.2.0", "0123456789abcdef", "2026-03-01T09:00:00Z", false, "v1.2.0"},
		{"(devel)", "0123456789abcdef", "2026-03-01T09:00:00Z", true, "revision 0123456789ab of 2026-03-01, with changes"},
		{"", "0123456789abcdef", "", false, "revision 0123456789ab"},
		{"(devel)", "", "", false, "(devel)"},
	} {
		if have := versionOf(c.module, c.revision, c.time, c.modified); have != c.want {
			t.Errorf("%+v: %q", c, have)
		}
	}
}
