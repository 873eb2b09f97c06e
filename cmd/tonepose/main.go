// Tonepose turns raw samples of pickup coils into positions and orientations.
package main

import (
	"context"
	"os"
	"os/signal"

	"tonepose/cmd/tonepose/internal/cli"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	code := cli.Run(ctx, os.Args[1:], cli.Streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr})
	stop()
	os.Exit(code)
}
