package main

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events/stream/streamtest"
)

// outage is when a server was away; to is zero while it lasts.
type outage struct{ from, to time.Time }

// kill ends the victim, if it is there, and has it started again at once.
func (w *whole) kill(victim string, chance *rand.Rand) bool {
	switch victim {
	case serveProgram:
		return w.serve.kill()
	case leadingOne, standbyOne:
		leader := w.leader()
		if leader == nil {
			return false
		}
		if victim == leadingOne {
			return leader.kill()
		}
		return w.others[1-slices.Index(w.others, leader)].kill()
	case natsServer:
		return w.killLog(chance)
	case postmaster:
		return w.killPostmaster()
	}
	return w.killBackend(chance)
}

// killLog kills nats-server. It comes back at once, or, one time in two, after an
// event was kept in the spool; always so in the quick form, which kills it once.
func (w *whole) killLog(chance *rand.Rand) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.log == nil {
		return false
	}
	conn, err := net.DialTimeout("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(w.spec.Port)), 30*time.Second)
	if err != nil {
		w.fail(fmt.Errorf("nats-server was gone before it was killed: %w", err))
		return false
	}
	conn.Close()
	old := w.log
	w.log = nil
	o := w.beginOutage()
	kept, wait := w.kept, !streamtest.IsLong() || chance.IntN(2) == 0
	old.Kill()
	w.restarts.Go(func() {
		// While serve is away too, nothing can be kept: it needs the server to start.
		for began := time.Now(); wait && time.Since(began) < 5*time.Second && !w.hasKept(kept); {
			time.Sleep(10 * time.Millisecond)
		}
		started, err := streamtest.Launch(w.spec)
		if err != nil {
			w.fail(err)
			return
		}
		w.endOutage(o, func() { w.log = started })
	})
	return true
}

// hasKept says whether the spool took more events than so many.
func (w *whole) hasKept(more int) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.kept > more
}

func (w *whole) killPostmaster() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.database == nil {
		return false
	}
	text, err := os.ReadFile(filepath.Join(w.dir, "pg", "cluster", "postmaster.pid"))
	line, _, _ := strings.Cut(string(text), "\n")
	pid, wrong := strconv.Atoi(line)
	if err = errors.Join(err, wrong); err == nil {
		err = syscall.Kill(pid, 0)
	}
	if err != nil {
		w.fail(fmt.Errorf("postmaster was gone before it was killed: %w", err))
		return false
	}
	old := w.database
	w.database = nil
	o := w.beginOutage()
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		w.fail(err)
	}
	w.restarts.Go(func() {
		if err := old.Close(); err != nil { // waits for its end
			w.fail(err)
			return
		}
		started, err := w.startDatabase()
		if err != nil {
			w.fail(err)
			return
		}
		w.endOutage(o, func() { w.database = started })
	})
	return true
}

// killBackend kills one session's process; the postmaster then ends all of them,
// recovers, and takes connections again without help.
func (w *whole) killBackend(chance *rand.Rand) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.database == nil {
		return false
	}
	conn, err := pgx.Connect(w.ctx, w.url)
	if err != nil {
		return false // it recovers from the one before
	}
	rows, _ := conn.Query(w.ctx, "SELECT pid FROM pg_stat_activity WHERE backend_type = 'client backend' AND pid <> pg_backend_pid() ORDER BY pid")
	sessions, err := pgx.CollectRows(rows, pgx.RowTo[int])
	if err != nil || len(sessions) == 0 {
		conn.Close(w.ctx)
		return false
	}
	o := w.beginOutage()
	if err := syscall.Kill(sessions[chance.IntN(len(sessions))], syscall.SIGKILL); err != nil {
		conn.Close(w.ctx)
		o.to = o.from
		return false // the session had just ended
	}
	w.restarts.Go(func() {
		// This connection is ended with the others.
		for _, err := conn.Exec(w.ctx, "SELECT"); err == nil; _, err = conn.Exec(w.ctx, "SELECT") {
			time.Sleep(5 * time.Millisecond)
		}
		conn.Close(w.ctx)
		for w.ctx.Err() == nil {
			if conn, err := pgx.Connect(w.ctx, w.url); err == nil {
				conn.Close(w.ctx)
				break
			}
			time.Sleep(20 * time.Millisecond)
		}
		w.endOutage(o, func() {})
	})
	return true
}

// beginOutage is called with the lock held.
func (w *whole) beginOutage() *outage {
	o := &outage{from: time.Now()}
	w.outages = append(w.outages, o)
	return o
}

func (w *whole) endOutage(o *outage, back func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	o.to = time.Now()
	back()
}

// wasAway says whether a server was away at any moment since then.
func (w *whole) wasAway(since time.Time) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.ContainsFunc(w.outages, func(o *outage) bool { return o.to.IsZero() || o.to.After(since) })
}
