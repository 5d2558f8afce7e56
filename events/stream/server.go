package stream

import (
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// The accounts of the server. REG holds the stream and everyone who works with
// it; SYS is the server's own, without users.
const (
	accountRegistry = "REG"
	accountSystem   = "SYS"
)

// adminName is the user that this process itself connects as, eraseName the one
// that it connects as to erase.
const (
	adminName = "lensledger"
	eraseName = "lensledger-erase"
)

// ServerConfig says how to run a NATS server inside this process.
type ServerConfig struct {
	StoreDir string // directory of the log; made if absent. Required.
	Host     string // address to listen on, 127.0.0.1 if empty
	Port     int    // port to listen on; 0 lets the system choose one

	// InProcessOnly listens on no port at all: only this process connects.
	InProcessOnly bool

	// MaxFileBytes bounds the store, so that the limit is met before the disk
	// is full. 0 takes three quarters of the disk's free space.
	MaxFileBytes int64

	// AdminPassword is the password of the user that may do everything but erase. Empty
	// makes a random one, so that only this process can use it.
	AdminPassword string

	// ErasePassword is the password of the user that may erase, lensledger-erase.
	// Empty makes a random one.
	ErasePassword string

	// Users are let in beside the admin user, each with its own permissions.
	Users []User

	lazySync bool // Load and tests: leave out sync_interval always
}

// Server is a NATS server with JetStream in this process: file store, every
// write synced to disk before it is acknowledged.
type Server struct {
	nats          *server.Server
	adminPassword string
	erasePassword string
}

// startTimeout bounds opening the log, which is scanned for the message ids of
// the duplicate window.
const startTimeout = 2 * time.Minute

// StartServer starts a server and returns once it takes connections.
func StartServer(cfg ServerConfig) (*Server, error) {
	if cfg.StoreDir == "" {
		return nil, errors.New("start nats-server: StoreDir is empty")
	}
	if err := os.MkdirAll(cfg.StoreDir, 0o700); err != nil {
		return nil, fmt.Errorf("start nats-server: %w", err)
	}
	if cfg.AdminPassword == "" {
		cfg.AdminPassword = rand.Text()
	}
	if cfg.ErasePassword == "" {
		cfg.ErasePassword = rand.Text()
	}
	text, err := configText(cfg)
	if err != nil {
		return nil, fmt.Errorf("start nats-server: %w", err)
	}
	opts := &server.Options{NoSigs: true, NoLog: true, DontListen: cfg.InProcessOnly}
	if err := opts.ProcessConfigString(text); err != nil {
		// The text holds passwords, so it stays out of the error.
		return nil, fmt.Errorf("start nats-server: configuration: %w", err)
	}
	s, err := server.NewServer(opts)
	if err != nil {
		return nil, fmt.Errorf("start nats-server: %w", err)
	}
	s.Start()
	if !s.ReadyForConnections(startTimeout) {
		s.Shutdown()
		return nil, fmt.Errorf("start nats-server: not ready within %s (is port %d of %s free?)", startTimeout, cfg.Port, opts.Host)
	}
	if !s.JetStreamEnabled() {
		s.Shutdown()
		return nil, fmt.Errorf("start nats-server: JetStream didn't start in %s", cfg.StoreDir)
	}
	return &Server{nats: s, adminPassword: cfg.AdminPassword, erasePassword: cfg.ErasePassword}, nil
}

// ClientURL is the address for clients, nats://host:port without credentials;
// empty if the server listens on no port.
func (s *Server) ClientURL() string {
	if s.nats.Addr() == nil {
		return ""
	}
	return s.nats.ClientURL()
}

// Close stops the server and returns once the log is closed. Clients lose
// their connections and go on trying.
func (s *Server) Close() {
	s.nats.Shutdown()
	s.nats.WaitForShutdown()
}

// syncsEveryWrite reports the setting in force, not the one asked for.
func (s *Server) syncsEveryWrite() bool {
	js := s.nats.JetStreamConfig()
	return js != nil && js.SyncAlways
}

// maxFileBytes is the bound of the whole store that is in force.
func (s *Server) maxFileBytes() int64 {
	if js := s.nats.JetStreamConfig(); js != nil {
		return js.MaxStore
	}
	return 0
}

// configText writes the server's configuration in the server's own language,
// the one an operator's nats.conf is written in, so that both can be compared.
func configText(cfg ServerConfig) (string, error) {
	host := cfg.Host
	if host == "" {
		host = "127.0.0.1"
	}
	port := cfg.Port
	if port == 0 {
		port = server.RANDOM_PORT
	}
	var b strings.Builder
	fmt.Fprintf(&b, "server_name: lensledger\nhost: %q\nport: %d\nmax_payload: %d\n", host, port, MaxMessageBytes)
	fmt.Fprintf(&b, "jetstream {\n  store_dir: %q\n  max_mem: %d\n", cfg.StoreDir, 64<<20)
	if cfg.MaxFileBytes > 0 {
		fmt.Fprintf(&b, "  max_file: %d\n", cfg.MaxFileBytes)
	}
	if !cfg.lazySync {
		b.WriteString("  sync_interval: always\n")
	}
	b.WriteString("}\naccounts {\n")
	fmt.Fprintf(&b, "  %s { jetstream: enabled, users: [\n", accountRegistry)
	admin := User{Name: adminName, Password: cfg.AdminPassword}
	eraser := User{Name: eraseName, Password: cfg.ErasePassword, Permissions: ErasePermissions(eraseName)}
	for _, u := range append([]User{admin, eraser}, cfg.Users...) {
		line, err := u.configLine()
		if err != nil {
			return "", err
		}
		b.WriteString("    " + line + "\n")
	}
	fmt.Fprintf(&b, "  ] }\n  %s { users: [] }\n}\nsystem_account: %s\n", accountSystem, accountSystem)
	return b.String(), nil
}
