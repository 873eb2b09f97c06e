package workbench

import (
	"log"
	"strings"
)

// complaints is where the web server writes what it has to say. That it can take no further
// connection it says again and again: it is passed on once, with what mends it.
type complaints struct {
	warn    func(text string)
	refused bool
}

// newComplaints is the log of a web server; nil, which is that of the process, without warn.
func newComplaints(warn func(text string)) *log.Logger {
	if warn == nil {
		return nil
	}
	return log.New(&complaints{warn: warn}, "", 0) // writes one at a time
}

func (c *complaints) Write(line []byte) (int, error) {
	const refused = "http: Accept error: "
	text := strings.TrimSpace(string(line))
	why, ok := strings.CutPrefix(text, refused)
	switch {
	case !ok:
		c.warn(text)
	case !c.refused:
		c.refused = true
		why, _, _ = strings.Cut(why, "; retrying")
		c.warn("the page takes no further connections for now: " + why + ": let a process have more files open, as ulimit -n 1024 does, or close other pages")
	}
	return len(line), nil
}
