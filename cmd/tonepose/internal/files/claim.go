package files

import (
	"os"
	"slices"
)

// Claim has this run be the only one that works on something, by a file that is locked until
// release is called, or the run ends, however it does; Abandon takes it away. It is not ok where another run has the
// file. On file systems that know no locks any run may have it.
func Claim(name string) (release func(), ok bool, err error) {
	process.mu.Lock()
	defer process.mu.Unlock()
	if process.ended {
		return nil, false, ErrAbandoned
	}
	file, err := claim(name)
	if file == nil {
		return nil, false, err
	}
	process.others = append(process.others, name)
	return func() {
		process.mu.Lock()
		defer process.mu.Unlock()
		process.others = slices.DeleteFunc(process.others, func(n string) bool { return n == name })
		os.Remove(name) // before others can lock it: who opened it meanwhile finds it without a name
		file.Close()
	}, true, nil
}
