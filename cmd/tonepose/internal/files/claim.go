package files

import "os"

// Claim has this run be the only one that works on something, by a file that is locked until
// release is called, or the run ends, however it does. It is not ok where another run has the
// file. On file systems that know no locks any run may have it.
func Claim(name string) (release func(), ok bool, err error) {
	file, err := claim(name)
	if file == nil {
		return nil, false, err
	}
	return func() {
		os.Remove(name) // before others can lock it: who opened it meanwhile finds it without a name
		file.Close()
	}, true, nil
}
