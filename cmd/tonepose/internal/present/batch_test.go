package present

import (
	"encoding/csv"
	"strings"
	"testing"

	"tonepose/cmd/tonepose/internal/batch"
)

// The columns of a summary's CSV have names of their own, to engines too, which take upper and
// lower case for the same, whatever the labels are called.
func TestSummaryColumns(t *testing.T) {
	o := &batch.Outcome{Recording: "a", Error: "no such file", Labels: map[string]string{"Error": "mine", "label_Error": "other", "start": "early", "pipe": "A7"}}
	c := CampaignOf(&batch.Summary{Recordings: []*batch.Outcome{o}, Failed: 1, Labels: []string{"Error", "label_Error", "pipe", "start"}})
	var text strings.Builder
	if err := c.CSV(&text); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(text.String())).ReadAll()
	if err != nil || len(rows) != 2 {
		t.Fatal(err, rows)
	}
	values := map[string]string{}
	for i, name := range rows[0] {
		if _, ok := values[strings.ToLower(name)]; ok {
			t.Errorf("two columns %s", name)
		}
		values[strings.ToLower(name)] = rows[1][i]
	}
	for name, want := range map[string]string{"error": "no such file", "label_label_error": "mine", "label_error": "other", "label_start": "early", "start": "", "pipe": "A7"} {
		if have, ok := values[name]; !ok || have != want {
			t.Errorf("%s is %q, there %v: want %q", name, have, ok, want)
		}
	}
}
