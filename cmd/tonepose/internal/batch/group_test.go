//go:build unix

package batch

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// Whom the umask lets write can go on with a data set: directories and claims are open to a group.
func TestDataSetOfAGroup(t *testing.T) {
	list := gather(t, pieces(t, 1))
	o := options(filepath.Join(t.TempDir(), "set"))
	defer syscall.Umask(syscall.Umask(0o002))
	closed := func() (names []string) {
		filepath.WalkDir(o.Out, func(path string, e fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			if info, err := e.Info(); err == nil && (e.IsDir() || filepath.Base(filepath.Dir(path)) == claims) && info.Mode()&0o020 == 0 {
				names = append(names, path)
			}
			return nil
		})
		return names
	}
	during := 0
	o.Progress = func(string, int64, int64) {
		if entries, err := os.ReadDir(filepath.Join(o.Out, claims)); err == nil {
			during = len(entries)
		}
		if names := closed(); len(names) > 0 {
			t.Errorf("closed to the group while it is at work: %q", names)
		}
	}
	mustRun(t, list, o)
	if names := closed(); len(names) > 0 || during == 0 {
		t.Errorf("closed to the group: %q; %d claims were seen", names, during)
	}
}
