package pg

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// ServerConfig says how to run a private Postgres.
type ServerConfig struct {
	DataDir string // holds the cluster; made if absent, used again if there. Empty: a temporary one
	Durable bool   // fsync on, as for anything worth keeping; tests do without
}

// Server is a private Postgres: a child process that listens on a Unix socket
// alone and ends with this one.
type Server struct {
	bin       string
	run       *identity
	cluster   string
	durable   bool
	socketDir string
	temporary []string // folders to remove at the end
	process   *process
}

// StartServer finds the newest PostgreSQL of this machine, makes a cluster if
// there is none, and starts it; as an unprivileged user when root asks, since
// Postgres refuses root. A cluster left behind by a killed process is used as it
// is: Postgres itself decides whether another still holds it, and recovers it.
func StartServer(ctx context.Context, cfg ServerConfig) (*Server, error) {
	run, err := runner()
	if err != nil {
		return nil, err
	}
	s := &Server{run: run, durable: cfg.Durable}
	if err := s.start(ctx, cfg.DataDir); err != nil {
		s.clean()
		return nil, fmt.Errorf("start a private Postgres: %w", err)
	}
	return s, nil
}

func (s *Server) start(ctx context.Context, dataDir string) error {
	var err error
	if dataDir == "" {
		if dataDir, err = os.MkdirTemp("", "lensledger-pg-"); err != nil {
			return err
		}
		s.temporary = append(s.temporary, dataDir)
	}
	if dataDir, err = filepath.Abs(dataDir); err != nil {
		return err
	}
	// The user of the server must be able to pass the folders above its own.
	if err := os.MkdirAll(filepath.Dir(dataDir), 0o755); err != nil {
		return err
	}
	if err := os.MkdirAll(dataDir, 0o700); err != nil {
		return err
	}
	if err := s.run.own(dataDir); err != nil {
		return err
	}
	if err := s.placeSocket(dataDir); err != nil {
		return err
	}
	s.cluster = filepath.Join(dataDir, "cluster")
	version, err := clusterVersion(s.cluster)
	if err != nil {
		return err
	}
	if s.bin, err = findBinaries(ctx, os.Getenv("PATH"), places, version); err != nil {
		return err
	}
	if version == 0 {
		if err := s.initialise(ctx); err != nil {
			return err
		}
	}
	return s.launch(ctx)
}

// longestSocketDir is how long the name of the socket's folder may be: the whole
// path has room for about 100 bytes.
const longestSocketDir = 80

// placeSocket puts the socket into the data folder, or, if that has too long a
// name, into a temporary one.
func (s *Server) placeSocket(dataDir string) error {
	s.socketDir = filepath.Join(dataDir, "socket")
	if len(s.socketDir) > longestSocketDir {
		var err error
		if s.socketDir, err = os.MkdirTemp("", "lensledger-pg-"); err != nil {
			return err
		}
		s.temporary = append(s.temporary, s.socketDir)
	} else if err := os.MkdirAll(s.socketDir, 0o700); err != nil {
		return err
	}
	return s.run.own(s.socketDir)
}

// initialise makes the cluster beside its place and moves it there when it is
// whole, so that a kill leaves all of it or none.
func (s *Server) initialise(ctx context.Context) error {
	unfinished := s.cluster + ".new"
	var out []byte
	var err error
	// C.UTF-8 isn't known everywhere; C orders text in the same way.
	for _, locale := range []string{"C.UTF-8", "C"} {
		if err := os.RemoveAll(unfinished); err != nil {
			return err
		}
		args := []string{"-D", unfinished, "-A", "trust", "-U", "postgres", "-E", "UTF8", "--locale=" + locale, "--data-checksums", "--no-instructions"}
		if !s.durable {
			args = append(args, "--no-sync")
		}
		// The kernel ends the child with the thread that started it.
		runtime.LockOSThread()
		out, err = s.run.command(ctx, filepath.Join(s.bin, "initdb"), args...).CombinedOutput()
		runtime.UnlockOSThread()
		if err == nil {
			return os.Rename(unfinished, s.cluster)
		}
		if ctx.Err() != nil || !strings.Contains(string(out), "locale") {
			break
		}
	}
	return fmt.Errorf("initdb as %s: %w: %s", s.run.name, err, strings.TrimSpace(string(out)))
}

// handover is how long another server on the same cluster may take to end: that
// of a process that was just killed ends by itself.
const handover = 30 * time.Second

// launch starts the server, once more if another is only just leaving.
func (s *Server) launch(ctx context.Context) error {
	for begun := time.Now(); ; {
		p, err := s.spawn()
		if err != nil {
			return err
		}
		s.process = p
		err = s.ready(ctx)
		if err == nil {
			return nil
		}
		err = errors.Join(err, p.stop())
		said := p.output.String()
		held := strings.Contains(said, "lock file") && strings.Contains(said, "already exists") ||
			strings.Contains(said, "pre-existing shared memory block")
		if !held || ctx.Err() != nil || time.Since(begun) > handover {
			return err
		}
		select {
		case <-time.After(200 * time.Millisecond):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// socketPort names the socket; nothing listens on it as a port.
const socketPort = "5432"

func (s *Server) spawn() (*process, error) {
	settings := []string{"listen_addresses=", "port=" + socketPort, "unix_socket_directories=" + s.socketDir,
		"timezone=UTC", "log_timezone=UTC", "max_connections=100", "shared_buffers=128MB", "max_wal_size=2GB"}
	if !s.durable {
		settings = append(settings, "fsync=off", "synchronous_commit=off", "full_page_writes=off")
	}
	args := []string{"-D", s.cluster}
	for _, setting := range settings {
		args = append(args, "-c", setting)
	}
	// The server outlives the call that starts it, so no context of a call ends it.
	cmd := s.run.command(context.Background(), filepath.Join(s.bin, "postgres"), args...)
	p := &process{cmd: cmd, ended: make(chan struct{}), output: &tail{}}
	cmd.Stdout, cmd.Stderr = p.output, p.output
	cmd.WaitDelay = 5 * time.Second
	started := make(chan error)
	go func() {
		// The kernel ends the child with the thread that started it: keep the thread.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		defer close(p.ended)
		err := cmd.Start()
		started <- err
		if err == nil {
			_ = cmd.Wait() // its output says why it ended
		}
	}()
	if err := <-started; err != nil {
		return nil, err
	}
	return p, nil
}

// ready waits until the server takes connections.
func (s *Server) ready(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Minute) // recovery after a crash takes its time
	defer cancel()
	for {
		conn, err := pgx.Connect(ctx, s.URL())
		if err == nil {
			if err = conn.Close(ctx); s.answers() {
				return err
			}
		}
		select {
		case <-s.process.ended:
			return fmt.Errorf("it ended: %s", s.process.output)
		case <-ctx.Done():
			return fmt.Errorf("it takes no connections: %w: %s", errors.Join(ctx.Err(), err), s.process.output)
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// answers says whether it is this server that holds the cluster, and so the
// socket, and not one that is still to leave it.
func (s *Server) answers() bool {
	text, err := os.ReadFile(filepath.Join(s.cluster, "postmaster.pid"))
	pid, _, _ := strings.Cut(string(text), "\n")
	return err == nil && pid == strconv.Itoa(s.process.cmd.Process.Pid)
}

// URL is the address of the database, for Connect and Migrate.
func (s *Server) URL() string {
	return "postgres:///postgres?" + url.Values{"host": {s.socketDir}, "port": {socketPort}, "user": {"postgres"}, "sslmode": {"disable"}}.Encode()
}

// Close stops the server: open transactions are rolled back. A temporary cluster
// is removed.
func (s *Server) Close() error {
	defer s.clean()
	return s.process.stop()
}

func (s *Server) clean() {
	for _, dir := range s.temporary {
		_ = os.RemoveAll(dir)
	}
}

// process is a running server program.
type process struct {
	cmd    *exec.Cmd
	ended  chan struct{} // closed when it has ended
	output *tail
}

// stop ends the process, in order if that works in time: SIGINT is the fast
// shutdown, SIGQUIT the immediate one, from which the next start recovers.
func (p *process) stop() error {
	for _, s := range []syscall.Signal{syscall.SIGINT, syscall.SIGQUIT, syscall.SIGKILL} {
		if err := p.cmd.Process.Signal(s); err != nil && !errors.Is(err, os.ErrProcessDone) {
			return fmt.Errorf("stop Postgres: %w", err)
		}
		select {
		case <-p.ended:
			return nil
		case <-time.After(30 * time.Second):
		}
	}
	return errors.New("stop Postgres: it did not end")
}

// tail keeps the end of a program's output.
type tail struct {
	mu   sync.Mutex
	kept []byte
}

func (t *tail) Write(p []byte) (int, error) {
	const most = 4 << 10
	t.mu.Lock()
	defer t.mu.Unlock()
	t.kept = append(t.kept, p...)
	if len(t.kept) > most {
		t.kept = append([]byte(nil), t.kept[len(t.kept)-most:]...)
	}
	return len(p), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return strings.TrimSpace(string(t.kept))
}
