package streamtest

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"lensledger/events/stream"
)

// User and Password are let in by every server, and may do everything.
const (
	User     = "lensledger"
	Password = "only-for-this-test"
)

// Spec says what server to run.
type Spec struct {
	StoreDir     string
	Port         int // of 127.0.0.1; 0 chooses one, which restarts keep
	MaxFileBytes int64

	// Conf is a configuration in the server's own language. Empty runs the
	// program's own server, as stream.StartServer starts it.
	Conf string
}

// Server is a NATS server in a process of its own. It ends with the test, however
// the test ends.
type Server struct {
	Spec
	cmd   *exec.Cmd
	life  io.Closer // the child ends when this is closed
	ended chan struct{}
	said  *strings.Builder // by the child, on standard error
}

const childEnv = "LENSLEDGER_STREAMTEST_SERVER"

// startTimeout is generous: the machine may be busy with other tests.
const startTimeout = 90 * time.Second

func init() {
	if text := os.Getenv(childEnv); text != "" {
		if err := runChild(text); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
}

// runChild is the server process: it serves until it is told to stop, or until
// the test is gone.
func runChild(text string) error {
	var spec Spec
	if err := json.Unmarshal([]byte(text), &spec); err != nil {
		return err
	}
	stopped := make(chan os.Signal, 1)
	signal.Notify(stopped, syscall.SIGTERM)
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin) // ends with the test
		os.Exit(2)
	}()
	var stop func()
	if spec.Conf == "" {
		s, err := stream.StartServer(stream.ServerConfig{StoreDir: spec.StoreDir, Port: spec.Port, MaxFileBytes: spec.MaxFileBytes, AdminPassword: Password})
		if err != nil {
			return err
		}
		stop = s.Close
	} else {
		opts := &server.Options{NoSigs: true, NoLog: true}
		if err := opts.ProcessConfigString(spec.Conf); err != nil {
			return err
		}
		s, err := server.NewServer(opts)
		if err != nil {
			return err
		}
		s.Start()
		if !s.ReadyForConnections(startTimeout) {
			return errors.New("not ready")
		}
		stop = func() { s.Shutdown(); s.WaitForShutdown() }
	}
	fmt.Println("ready")
	<-stopped
	stop()
	return nil
}

// Launch starts a server and waits until it takes connections. End ends it.
func Launch(spec Spec) (*Server, error) {
	if spec.Port == 0 {
		spec.Port = FreePort()
	}
	s := &Server{Spec: spec}
	return s, s.start(true)
}

// Start is Launch for a test, which the server ends with.
func Start(t testing.TB, spec Spec) *Server {
	t.Helper()
	s, err := Launch(spec)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Kill)
	return s
}

func (s *Server) start(wait bool) error {
	text, err := json.Marshal(s.Spec)
	if err != nil {
		return err
	}
	program, err := os.Executable()
	if err != nil {
		return err
	}
	s.cmd, s.ended, s.said = exec.Command(program), make(chan struct{}), &strings.Builder{}
	s.cmd.Env = append(os.Environ(), childEnv+"="+string(text))
	s.cmd.Stderr = s.said
	in, err := s.cmd.StdinPipe()
	if err != nil {
		return err
	}
	s.life = in
	// A pipe of our own: Wait would close one of exec's under whoever reads it.
	out, outChild, err := os.Pipe()
	if err != nil {
		return err
	}
	s.cmd.Stdout = outChild
	if err := s.cmd.Start(); err != nil {
		return err
	}
	_ = outChild.Close()
	ready := make(chan bool, 1)
	go func() {
		line, _ := bufio.NewReader(out).ReadString('\n') // the end of the child ends it too
		_ = out.Close()
		ready <- line == "ready\n"
	}()
	go func() {
		_ = s.cmd.Wait() // what it said is in said
		close(s.ended)
	}()
	if !wait {
		return nil
	}
	select {
	case ok := <-ready:
		if ok {
			return nil
		}
	case <-time.After(startTimeout):
	}
	s.Kill()
	return fmt.Errorf("nats-server in %s didn't start: %s", s.StoreDir, tail(s.said.String()))
}

func tail(text string) string {
	const most = 600
	return text[:min(len(text), most)]
}

// Kill ends the process at once, as kill -9 does.
func (s *Server) Kill() {
	_ = s.cmd.Process.Kill() // it may have ended by itself
	<-s.ended
	_ = s.life.Close()
}

// Freeze stops the server where it is, in the middle of whatever it does. What it has
// asked of the kernel goes on.
func (s *Server) Freeze(t testing.TB) {
	t.Helper()
	if err := s.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
}

// Stop ends the server in order.
func (s *Server) Stop(t testing.TB) {
	t.Helper()
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	select {
	case <-s.ended:
		_ = s.life.Close()
	case <-time.After(startTimeout):
		t.Fatal("nats-server doesn't stop")
	}
}

// Restart starts the server again at its address.
func (s *Server) Restart(t testing.TB) {
	t.Helper()
	if err := s.start(true); err != nil {
		t.Fatal(err)
	}
}

// KillInStart starts the server again and kills it after a time, wherever its
// start has got to.
func (s *Server) KillInStart(t testing.TB, after time.Duration) {
	t.Helper()
	if err := s.start(false); err != nil {
		t.Fatal(err)
	}
	time.Sleep(after)
	s.Kill()
}

// URL is the address of the server.
func (s *Server) URL() string { return "nats://127.0.0.1:" + strconv.Itoa(s.Port) }

// Conf writes the configuration of one server as deploy/nats.conf has it. alwaysSync
// false leaves sync_interval at the server's default. more is appended.
func Conf(name, storeDir string, port int, alwaysSync bool, more string) string {
	syncing := ""
	if alwaysSync {
		syncing = "sync_interval: always"
	}
	return fmt.Sprintf(`
server_name: %s
listen: "127.0.0.1:%d"
max_payload: %d
jetstream { store_dir: %q, max_file: %d, max_mem: 67108864, %s }
accounts {
  REG { jetstream: enabled, users: [ { user: %q, password: %q } ] }
  SYS { users: [] }
}
system_account: SYS
%s
`, name, port, stream.MaxMessageBytes, storeDir, 8<<30, syncing, User, Password, more)
}

// Cluster starts servers that are one cluster, one in each folder.
func Cluster(t testing.TB, alwaysSync bool, dirs ...string) []*Server {
	t.Helper()
	var routes []string
	for range dirs {
		routes = append(routes, fmt.Sprintf("%q", "nats://127.0.0.1:"+strconv.Itoa(FreePort())))
	}
	var all []*Server
	for i, dir := range dirs {
		// Nothing is advertised, so that clients know the addresses they were given alone.
		more := fmt.Sprintf("cluster { name: registry, listen: %s, no_advertise: true, routes: [%s] }",
			strings.Replace(routes[i], "nats://", "", 1), strings.Join(routes, ", "))
		port := FreePort()
		all = append(all, Start(t, Spec{StoreDir: dir, Port: port, Conf: Conf(fmt.Sprintf("n%d", i+1), dir, port, alwaysSync, more)}))
	}
	return all
}

// FreePort finds a port below those that the system gives to outgoing
// connections: a server that is down must find its port free when it comes back.
func FreePort() int {
	for {
		port := 20000 + rand.IntN(12000)
		l, err := net.Listen("tcp", "127.0.0.1:"+strconv.Itoa(port))
		if err != nil {
			continue
		}
		if err := l.Close(); err == nil {
			return port
		}
	}
}

// DeleteStream does what no program of the registry does: it deletes the stream.
func (s *Server) DeleteStream(t testing.TB) {
	t.Helper()
	conn, err := nats.Connect(s.URL(), nats.UserInfo(User, Password))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	answer, err := conn.Request("$JS.API.STREAM.DELETE."+stream.StreamName, nil, startTimeout)
	if err != nil || !strings.Contains(string(answer.Data), `"success":true`) {
		t.Fatalf("delete the stream: %v", err)
	}
}
