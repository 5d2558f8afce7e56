package main

import (
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"lensledger/events/stream/streamtest"
)

// supervisedVariable makes a child end when its standard input does: with the test,
// however the test ends.
const supervisedVariable = "LENSLEDGER_TEST_SUPERVISED"

func init() {
	if os.Getenv(supervisedVariable) != "" {
		go func() {
			_, _ = io.Copy(io.Discard, os.Stdin)
			os.Exit(1)
		}()
	}
}

// program is one of ours under a supervisor that starts it again whenever it ends.
type program struct {
	w       *whole
	name    string
	address string
	args    []string
	answers atomic.Bool
	ended   chan struct{} // closed when the supervisor has ended

	mu       sync.Mutex
	cmd      *exec.Cmd // nil while none runs
	killed   bool
	stopping bool
	vain     int // starts that ended because a server was away
}

func (w *whole) supervise(t *testing.T, name string, args ...string) *program {
	t.Helper()
	address := "127.0.0.1:" + strconv.Itoa(streamtest.FreePort())
	p := &program{w: w, name: name, address: address, args: append(args, address), ended: make(chan struct{})}
	go func() {
		defer close(p.ended)
		for {
			if err := p.run(); err != nil {
				w.fail(fmt.Errorf("%s: %w", name, err))
				return
			}
			if p.isStopping() {
				return
			}
		}
	}()
	t.Cleanup(func() {
		p.mu.Lock()
		p.stopping = true
		if p.cmd != nil {
			_ = p.cmd.Process.Kill() // it may have ended
		}
		p.mu.Unlock()
		<-p.ended
	})
	return p
}

func (p *program) isStopping() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.stopping
}

// run runs the program once. It fails when the program ended by itself, unless it
// couldn't start because a server was away: a supervisor tries that again.
func (p *program) run() error {
	said := &lastWords{}
	cmd := p.w.command(p.args...)
	cmd.Env = append(cmd.Env, supervisedVariable+"=1")
	cmd.Stderr = said
	life, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	defer life.Close()
	began := time.Now()
	p.mu.Lock()
	if p.stopping {
		p.mu.Unlock()
		return nil
	}
	if err := cmd.Start(); err != nil {
		p.mu.Unlock()
		return err
	}
	p.cmd, p.killed = cmd, false
	p.mu.Unlock()
	over, watched := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(watched)
		for !p.answers.Load() {
			if _, err := p.get("/healthz"); err == nil {
				p.answers.Store(true)
			}
			select {
			case <-over:
				return
			case <-time.After(20 * time.Millisecond):
			}
		}
	}()
	err = cmd.Wait()
	close(over)
	<-watched
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cmd = nil
	answered := p.answers.Swap(false)
	switch {
	case p.killed, p.stopping && err == nil:
		return nil
	case !answered && !p.stopping && p.w.wasAway(began):
		p.vain++
		time.Sleep(100 * time.Millisecond) // as a supervisor does
		return nil
	}
	return fmt.Errorf("ended by itself, after it had answered: %t: %w\n%s", answered, err, said)
}

// kill ends the program at once; false if none runs that has answered.
func (p *program) kill() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.cmd == nil || !p.answers.Load() || p.cmd.Process.Kill() != nil {
		return false
	}
	p.killed = true
	return true
}

// stop ends the program in order.
func (p *program) stop() {
	p.mu.Lock()
	p.stopping = true
	if p.cmd != nil {
		_ = p.cmd.Process.Signal(syscall.SIGTERM) // run says how it ended
	}
	p.mu.Unlock()
	<-p.ended
}

var probe = &http.Client{Timeout: 5 * time.Second}

func (p *program) get(path string) (string, error) {
	answer, err := probe.Get("http://" + p.address + path)
	if err != nil {
		return "", err
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	return string(text), err
}

// readiness is what /readyz says; nothing while the program is away.
func (p *program) readiness() string {
	text, _ := p.get("/readyz")
	return text
}

// lastWords keeps the end of what a program wrote.
type lastWords struct{ text []byte }

func (l *lastWords) Write(b []byte) (int, error) {
	const most = 8 << 10
	l.text = append(l.text, b...)
	if len(l.text) > 2*most {
		l.text = slices.Clone(l.text[len(l.text)-most:])
	}
	return len(b), nil
}

func (l *lastWords) String() string { return string(l.text) }
