package document

import (
	"fmt"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/batch"
)

// A page that does not list all recordings says so, and which shards are not in it.
func TestLongCampaign(t *testing.T) {
	s := &batch.Summary{Dir: "set", Missing: []string{"2/3"}}
	for i := range mostListed + 7 {
		s.Recordings = append(s.Recordings, &batch.Outcome{Recording: fmt.Sprintf("r%03d", i), Error: "damaged"})
	}
	var page strings.Builder
	if err := (&Document{}).WriteCampaign(&page, s); err != nil {
		t.Fatal(err)
	}
	for _, words := range []string{"and 7 better ones", "shards that have not ended: 2/3"} {
		if !strings.Contains(page.String(), words) {
			t.Errorf("no %q", words)
		}
	}
}
