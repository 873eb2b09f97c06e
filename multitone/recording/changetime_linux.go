package recording

import (
	"os"
	"syscall"
	"time"
)

// changeTime is when anything of a file changed: nobody can set it back.
func changeTime(info os.FileInfo) time.Time {
	if s, ok := info.Sys().(*syscall.Stat_t); ok {
		return time.Unix(s.Ctim.Unix())
	}
	return time.Time{}
}
