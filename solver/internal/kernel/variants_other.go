//go:build !amd64 || purego

package kernel

// variant is a set of kernels for a kind of processor.
type variant struct {
	name string
	use  func()
}

func variants() []variant { return []variant{{"go", useGo}} }
