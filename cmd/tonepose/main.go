// Tonepose turns raw samples of pickup coils into positions and orientations.
package main

import (
	"os"

	"tonepose/cmd/tonepose/internal/cli"
)

func main() {
	os.Exit(cli.Main(os.Args[1:], cli.Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr}))
}
