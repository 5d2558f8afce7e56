// Command lensledger is the registry of cataract operations: it takes events in,
// projects them, and answers over HTTP and in pages. It serves quality
// improvement; it never advises on a patient under treatment.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"
)

// commands are what the binary does.
type commands struct {
	Demo     demoCommand     `cmd:"" help:"Start everything on this machine with an invented scenario."`
	Serve    serveCommand    `cmd:"" help:"Serve intake, answers and pages over HTTP."`
	Project  projectCommand  `cmd:"" help:"Project the stream into the read models."`
	Rebuild  rebuildCommand  `cmd:"" help:"Make the read models anew from the archive, beside the live ones, and swap."`
	Verify   verifyCommand   `cmd:"" help:"Compare the two copies of every event, and the live read models with ones made anew."`
	Simulate simulateCommand `cmd:"" help:"Write the events of an invented scenario, or publish them."`
	Design   designCommand   `cmd:"" help:"Work out a chart: threshold and run lengths."`
	Spool    spoolCommand    `cmd:"" help:"Show what a spool holds, while no service uses it."`
	Figures  figuresCommand  `cmd:"" help:"Print the departments' figures as JSON or CSV."`
	Erase    eraseCommand    `cmd:"" help:"Erase the identity of a patient or surgeon everywhere; figures stay."`
	Backup   backupCommand   `cmd:"" help:"Write the archive and the stream into a folder, with a manifest of what it holds."`
	Restore  restoreCommand  `cmd:"" help:"Restore a backup, or give the stream its messages back from the archive."`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	var c commands
	k := kong.Parse(&c, kong.Name("lensledger"), kong.UsageOnError(), kong.BindTo(ctx, (*context.Context)(nil)),
		kong.Description("A registry of cataract operations for quality improvement. Local governance and licensed practice decide."))
	err := k.Run()
	if err != nil && !errors.Is(err, context.Canceled) {
		fmt.Fprintln(os.Stderr, "lensledger:", err)
		stop()
		os.Exit(1)
	}
}
