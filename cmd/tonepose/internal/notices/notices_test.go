package notices

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// Every module that go.mod names beside those of the tests has its licence here, in that
// version, and none is here that go.mod does not name.
func TestNoticesFollowTheModules(t *testing.T) {
	module, err := os.ReadFile("../../../../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	ofTests := regexp.MustCompile(`chromedp|go-cmp|jsonschema|goleak|rapid|go-json-experiment`) // DEVELOPERS.md
	required := regexp.MustCompile(`(?m)^\t(\S+ v\S+)`)
	count := 0
	for _, m := range required.FindAllSubmatch(module, -1) {
		if name := string(m[1]); !ofTests.MatchString(name) {
			if count++; !strings.Contains(Text, "\n"+name+"\n") {
				t.Errorf("no licence of %s: run .ci/notices", name)
			}
		}
	}
	if headings := strings.Count(Text, "\n"+strings.Repeat("=", 80)+"\n") - 1; headings != count { // less Go's own
		t.Errorf("licences of %d modules, go.mod names %d beside those of tests: run .ci/notices", headings, count)
	}
}
