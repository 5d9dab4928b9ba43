// Command drywarden is the kiln controller: daemon, simulated kiln, checks and the operator's commands in one binary.
//
// It owns the kiln file, the wiring of the layers and the command line; every decision about wood, machines and safety is
// made in the packages below, which it may all import and which never import it. Exit codes: 0 done, 1 failed, 2 wrong use
// or invalid file, 3 refused by the daemon or a limit, 4 no daemon there.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() { os.Exit(mainCode()) }

// mainCode is main for scripts that are tested in one process.
func mainCode() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	return run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
}
