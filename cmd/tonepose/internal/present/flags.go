package present

import (
	"tonepose/cmd/tonepose/internal/handbook"
	"tonepose/cmd/tonepose/internal/verdict"
)

// Flagged is a flag, in how many rows it stands, and what to do about it.
type Flagged struct {
	Flag string `json:"flag"`
	Rows int    `json:"rows"`
	Next string `json:"next"`
}

// FlagsOf lists the flags of counted rows in their fixed order. The next steps are
// those of the handbook.
func FlagsOf(c *verdict.Counts) (all []Flagged) {
	for name, rows := range c.All {
		all = append(all, Flagged{name, rows, handbook.Next(name)})
	}
	return all
}

// flags prints how many rows have which flags, and the next step of each; nothing
// where no row has any.
func (p *page) flags(c *verdict.Counts, rows string) {
	if c.Flagged == 0 {
		return
	}
	p.heading("flags of %d of %d %s (tonepose help flags)", c.Flagged, c.Rows, rows)
	for _, f := range FlagsOf(c) {
		p.line("  %d %s: %s", f.Rows, f.Flag, f.Next)
	}
}
