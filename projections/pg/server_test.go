package pg_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
)

// clusterDir is a folder that an unprivileged user can get to, which that of
// t.TempDir isn't.
func clusterDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "lensledger-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o711); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "data")
}

func needServer(t *testing.T, err error) {
	t.Helper()
	if errors.Is(err, pg.ErrNoPostgres) && testing.Short() {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func one[T any](t *testing.T, url, sql string) T {
	t.Helper()
	conn, err := pgx.Connect(ctxFor(t), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var v T
	if err := conn.QueryRow(ctxFor(t), sql).Scan(&v); err != nil {
		t.Fatal(err)
	}
	return v
}

func setting(t *testing.T, url, name string) string {
	t.Helper()
	return one[string](t, url, "SELECT current_setting('"+name+"')")
}

func TestATemporaryServerLeavesNothing(t *testing.T) {
	s, err := pg.StartServer(ctxFor(t), pg.ServerConfig{})
	needServer(t, err)
	if got := setting(t, s.URL(), "fsync"); got != "off" {
		t.Errorf("fsync is %s in a temporary server", got)
	}
	dir := one[string](t, s.URL(), "SELECT current_setting('data_directory')")
	pid := postmaster(t, dir)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(pid, 0); !errors.Is(err, syscall.ESRCH) {
		t.Errorf("the server still runs: %v", err)
	}
	if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the cluster is still there: %v", err)
	}
}

// postmaster is the process id of the server on a cluster.
func postmaster(t *testing.T, cluster string) int {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(cluster, "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	pid, err := strconv.Atoi(strings.SplitN(string(text), "\n", 2)[0])
	if err != nil {
		t.Fatal(err)
	}
	return pid
}

func run(t *testing.T, url, sql string) {
	t.Helper()
	conn, err := pgx.Connect(ctxFor(t), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	if _, err := conn.Exec(ctxFor(t), sql); err != nil {
		t.Fatal(err)
	}
}

func TestADurableClusterIsUsedAgainAfterItsServerIsKilled(t *testing.T) {
	dir := filepath.Join(clusterDir(t), strings.Repeat("long", 20)) // too long for a socket
	s, err := pg.StartServer(ctxFor(t), pg.ServerConfig{DataDir: dir, Durable: true})
	needServer(t, err)
	for name, want := range map[string]string{
		"fsync": "on", "full_page_writes": "on", "synchronous_commit": "on", "data_checksums": "on",
		"listen_addresses": "", "server_encoding": "UTF8", "timezone": "UTC",
	} {
		if got := setting(t, s.URL(), name); got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
	if collation := one[string](t, s.URL(), "SELECT datcollate FROM pg_database WHERE datname = current_database()"); collation != "C.UTF-8" && collation != "C" {
		t.Errorf("collation %q", collation)
	}
	run(t, s.URL(), "CREATE TABLE kept (n int); INSERT INTO kept VALUES (17)")
	pid := postmaster(t, filepath.Join(dir, "cluster"))
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	// postmaster.pid is still there, and perhaps a backend too.
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s, err = pg.StartServer(ctxFor(t), pg.ServerConfig{DataDir: dir, Durable: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if n := one[int](t, s.URL(), "SELECT n FROM kept"); n != 17 {
		t.Errorf("kept %d, want 17", n)
	}
}

func TestAFolderThatPostgresCantEnterIsNamed(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root runs Postgres as another user")
	}
	closed := clusterDir(t)
	if err := os.Mkdir(closed, 0o700); err != nil {
		t.Fatal(err)
	}
	s, err := pg.StartServer(ctxFor(t), pg.ServerConfig{DataDir: filepath.Join(closed, "data")})
	if err == nil {
		s.Close()
		t.Fatal("started")
	}
	if !strings.Contains(err.Error(), closed) || !strings.Contains(err.Error(), "chmod") {
		t.Errorf("the error doesn't say what to do: %v", err)
	}
}

func TestAServerWaitsForAnotherToLeaveItsCluster(t *testing.T) {
	dir := clusterDir(t)
	leaving, err := pg.StartServer(ctxFor(t), pg.ServerConfig{DataDir: dir})
	needServer(t, err)
	type outcome struct {
		s   *pg.Server
		err error
	}
	started := make(chan outcome)
	go func() {
		s, err := pg.StartServer(ctxFor(t), pg.ServerConfig{DataDir: dir})
		started <- outcome{s, err}
	}()
	select {
	case o := <-started:
		t.Fatalf("two servers on one cluster: %v", o.err)
	case <-time.After(500 * time.Millisecond): // by then it has been refused once
	}
	if n := one[int](t, leaving.URL(), "SELECT 1"); n != 1 {
		t.Error("the first server was disturbed")
	}
	if err := leaving.Close(); err != nil {
		t.Fatal(err)
	}
	o := <-started
	if o.err != nil {
		t.Fatal(o.err)
	}
	if n := one[int](t, o.s.URL(), "SELECT 1"); n != 1 {
		t.Error("the second server doesn't answer")
	}
	if err := o.s.Close(); err != nil {
		t.Error(err)
	}
}

// TestServerHolder isn't a test: it is the program that
// TestTheServerEndsWithItsParent kills.
func TestServerHolder(t *testing.T) {
	dir := os.Getenv("LENSLEDGER_TEST_HOLD_SERVER")
	if dir == "" {
		t.Skip("runs only as the child of another test")
	}
	if _, err := pg.StartServer(context.Background(), pg.ServerConfig{DataDir: dir, Durable: true}); err != nil {
		t.Fatal(err)
	}
	fmt.Println("started")
	select {}
}

func TestTheServerEndsWithItsParent(t *testing.T) {
	pgtest.URL(t) // says so if there is no PostgreSQL
	dir := clusterDir(t)
	// What an initdb leaves behind that was killed must not be taken for a cluster.
	if err := os.MkdirAll(filepath.Join(dir, "cluster.new", "base"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "cluster.new", "PG_VERSION"), []byte("15\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for round := range 2 {
		child := exec.Command(os.Args[0], "-test.run=^TestServerHolder$", "-test.v")
		child.Env = append(os.Environ(), "LENSLEDGER_TEST_HOLD_SERVER="+dir)
		out, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for lines.Scan() && lines.Text() != "started" {
			if strings.Contains(lines.Text(), "FAIL") {
				t.Fatal(lines.Text())
			}
		}
		pid := postmaster(t, filepath.Join(dir, "cluster"))
		if err := child.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = child.Wait()
		if round == 0 {
			continue // the next one starts while this one's server is still leaving
		}
		for deadline := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
			if errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
				break
			}
			if time.Now().After(deadline) {
				t.Fatal("the server outlived its parent")
			}
		}
	}
}

func TestWithoutPostgresTheErrorSaysWhatToInstall(t *testing.T) {
	for _, word := range []string{"apt-get install postgresql", "brew install postgresql@16", "DATABASE_URL", "15"} {
		if !strings.Contains(pg.ErrNoPostgres.Error(), word) {
			t.Errorf("%q doesn't mention %s", pg.ErrNoPostgres, word)
		}
	}
}
