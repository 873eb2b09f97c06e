//go:build purego || !amd64

package kernel

func addProduct(to, by, from []Line, transposed bool) { addLinesGo(to, by, from, transposed) }
