package projector_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"lensledger/events/stream"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

// The test program starts itself again as a projector: only a process can be
// killed, or stopped in the middle of its work.
const (
	childRole    = "LENSLEDGER_TEST_CHILD"    // project or rebuild
	childBase    = "LENSLEDGER_TEST_BASE"     // archive
	childURL     = "LENSLEDGER_TEST_DATABASE" // Postgres
	childNATS    = "LENSLEDGER_TEST_NATS"     // stream
	childDeadly  = "LENSLEDGER_TEST_DEADLY"   // a batch with an event that holds this text ends the process
	childLease   = "LENSLEDGER_TEST_LEASE"    // lease
	childBatches = "LENSLEDGER_TEST_BATCH"    // most messages in a batch
)

// deadly is how the child says that a deadly event ended it.
const deadly = 7

func runChild(role string) int {
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin) // it ends with the test program that started it
		os.Exit(1)
	}()
	if err := child(context.Background(), role); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

func child(ctx context.Context, role string) error {
	base := os.Getenv(childBase)
	pool, err := pg.Connect(ctx, os.Getenv(childURL), base, 8)
	if err != nil {
		return err
	}
	cfg := projector.Config{Pool: pool, Base: base, Log: slog.New(slog.NewTextHandler(os.Stderr, nil))}
	if role == "rebuild" {
		return projector.New(cfg).Rebuild(ctx)
	}
	if cfg.Stream, err = stream.Open(ctx, stream.Config{URL: os.Getenv(childNATS)}); err != nil {
		return err
	}
	if text := os.Getenv(childLease); text != "" {
		if cfg.Lease, err = time.ParseDuration(text); err != nil {
			return err
		}
	}
	if text := os.Getenv(childBatches); text != "" {
		if cfg.BatchMax, err = strconv.Atoi(text); err != nil {
			return err
		}
	}
	p := projector.New(cfg)
	if text := os.Getenv(childDeadly); text != "" {
		p.BeforeApply(func(batch []stream.Message) {
			for _, m := range batch {
				if strings.Contains(string(m.Data), text) {
					os.Exit(deadly) // as the system does to a process that has no memory left
				}
			}
		})
	}
	go func() {
		for said := ""; ; time.Sleep(10 * time.Millisecond) {
			if now := p.Standing(); now != said {
				said = now
				fmt.Println(said)
			}
		}
	}()
	return p.Run(ctx)
}

// process is a projector in a process of its own.
type process struct {
	cmd   *exec.Cmd
	leads atomic.Bool
	ended chan struct{} // closed when it has ended
}

// child starts a process; settings are name and value in turn.
func (r *registry) child(t testing.TB, role string, settings ...string) *process {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := &process{cmd: exec.Command(exe), ended: make(chan struct{})}
	c.cmd.Env = append(os.Environ(), childRole+"="+role, childBase+"="+r.Base, childURL+"="+r.URL, childNATS+"="+r.address)
	for i := 0; i < len(settings); i += 2 {
		c.cmd.Env = append(c.cmd.Env, settings[i]+"="+settings[i+1])
	}
	if testing.Verbose() {
		c.cmd.Stderr = os.Stderr
	}
	stdin, err := c.cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	said, err := c.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(c.ended)
		for lines := bufio.NewScanner(said); lines.Scan(); {
			c.leads.Store(lines.Text() == projector.Leads)
		}
		_ = c.cmd.Wait() // its state says how it ended
		_ = stdin.Close()
	}()
	t.Cleanup(func() { c.kill(t) })
	return c
}

func (c *process) kill(t testing.TB) {
	t.Helper()
	c.signal(t, syscall.SIGKILL)
	<-c.ended
}

func (c *process) signal(t testing.TB, s syscall.Signal) {
	t.Helper()
	if err := c.cmd.Process.Signal(s); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Fatal(err)
	}
}

// open makes a registry whose stream other processes reach.
func newOpenRegistry(t testing.TB) *registry {
	t.Helper()
	r := &registry{DB: pgtest.New(t)}
	r.serveStream(t, t.TempDir(), 0)
	return r
}

const streamPassword = "pass-for-this-test"

// serveStream starts the stream's server on a port; 0 lets the system choose.
func (r *registry) serveStream(t testing.TB, dir string, port int) {
	t.Helper()
	var err error
	if r.server, err = stream.StartServer(stream.ServerConfig{StoreDir: dir, Port: port, AdminPassword: streamPassword, MaxFileBytes: 1 << 30}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.server.Close)
	r.address = strings.Replace(r.server.ClientURL(), "nats://", "nats://lensledger:"+streamPassword+"@", 1)
	if r.stream != nil {
		return // it connects again by itself
	}
	if r.stream, err = stream.Open(context.Background(), stream.Config{URL: r.address, ManageStream: true, MaxBytes: 1 << 29}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.stream.Close)
}

// within waits until something is so, at most for a time, and gives how long that
// took.
func within(t testing.TB, most time.Duration, what string, so func() bool) time.Duration {
	t.Helper()
	for began := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		if so() {
			return time.Since(began)
		}
		if time.Since(began) > most {
			t.Fatalf("not within %s: %s", most, what)
		}
	}
}
