//go:build !amd64 || purego

package varianttest

func vectors() *machine { return nil }
