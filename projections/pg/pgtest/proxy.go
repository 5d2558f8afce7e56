package pgtest

import (
	"bytes"
	"errors"
	"net"
	"net/url"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
)

// Proxy stands between a client and a server on this machine and does what
// networks do: it pauses, delays, cuts, and half-closes. It knows nothing of what
// it carries, so it serves for Postgres and for NATS alike.
type Proxy struct {
	listener net.Listener
	network  string // of the server: tcp or unix
	address  string

	mu     sync.Mutex
	links  map[*link]bool
	paused chan struct{} // closed when bytes may pass; nil while they may
	refuse bool          // new connections are cut at once
	delay  time.Duration // before each piece that the server sends
	mark   []byte        // cut a link right after its client has sent this
	marks  int           // how often that happens yet
	cuts   int           // how often it has happened
}

// link is one connection through the proxy.
type link struct {
	client, server net.Conn
	tail           []byte // end of what the client sent, for a mark between two pieces
}

// NewProxy listens on a port of 127.0.0.1 for a server; network is tcp or unix.
// It is closed at the end of the test.
func NewProxy(t testing.TB, network, address string) *Proxy {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &Proxy{listener: listener, network: network, address: address, links: map[*link]bool{}}
	go p.accept()
	t.Cleanup(func() {
		_ = listener.Close() // it was this program's only use of it
		p.Resume()
		p.Cut()
	})
	return p
}

// ProxyOf stands before a database and gives the URL that leads through it.
func ProxyOf(t testing.TB, databaseURL string) (*Proxy, string) {
	t.Helper()
	cfg, err := pgconn.ParseConfig(databaseURL)
	if err != nil {
		t.Fatal(err)
	}
	network, address := pgconn.NetworkAddress(cfg.Host, cfg.Port)
	p := NewProxy(t, network, address)
	_, port, err := net.SplitHostPort(p.Addr())
	if err != nil {
		t.Fatal(err)
	}
	through := url.URL{Scheme: "postgres", Path: "/" + cfg.Database, RawQuery: url.Values{"host": {"127.0.0.1"}, "port": {port},
		"user": {cfg.User}, "password": {cfg.Password}, "sslmode": {"disable"}}.Encode()}
	return p, through.String()
}

// Addr is where the proxy listens, host:port.
func (p *Proxy) Addr() string { return p.listener.Addr().String() }

// Port is the port it listens on.
func (p *Proxy) Port() int {
	_, port, _ := net.SplitHostPort(p.Addr())
	n, _ := strconv.Atoi(port)
	return n
}

// Pause holds up every byte in both directions; connections stay open and new
// ones are taken, as by a network that drops packets.
func (p *Proxy) Pause() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.paused == nil {
		p.paused = make(chan struct{})
	}
}

// Resume lets bytes pass again.
func (p *Proxy) Resume() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.paused != nil {
		close(p.paused)
		p.paused = nil
	}
}

// Cut resets every connection there is.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for l := range p.links {
		l.reset()
	}
}

// Refuse says whether new connections are cut at once; those there are stay.
func (p *Proxy) Refuse(refuse bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.refuse = refuse
}

// Delay holds up each piece that the server sends by a time; 0 ends it.
func (p *Proxy) Delay(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.delay = d
}

// HalfClose ends what clients send on every connection; answers still pass.
func (p *Proxy) HalfClose() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for l := range p.links {
		if c, ok := l.server.(interface{ CloseWrite() error }); ok {
			_ = c.CloseWrite() // a connection that has gone is closed enough
		}
	}
}

// CutAfter lets the next times clients send these bytes pass to the server, and
// resets the connection before its answer: the client can't know what became of
// it. pgx sends CommitMark to commit a transaction.
func (p *Proxy) CutAfter(mark []byte, times int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.mark, p.marks = mark, times
}

// CommitMark is what a client of Postgres sends to commit: a simple query, the
// message's length included.
var CommitMark = []byte("Q\x00\x00\x00\x0bcommit\x00")

// Cuts is how often CutAfter has cut.
func (p *Proxy) Cuts() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.cuts
}

func (p *Proxy) accept() {
	for {
		client, err := p.listener.Accept()
		if err != nil {
			return // the test is over
		}
		go p.serve(client)
	}
}

func (p *Proxy) serve(client net.Conn) {
	p.mu.Lock()
	refuse := p.refuse
	p.mu.Unlock()
	if refuse {
		(&link{client: client}).reset()
		return
	}
	server, err := net.DialTimeout(p.network, p.address, 10*time.Second)
	if err != nil {
		(&link{client: client}).reset()
		return
	}
	l := &link{client: client, server: server}
	p.mu.Lock()
	p.links[l] = true
	p.mu.Unlock()
	var both sync.WaitGroup
	both.Go(func() { p.carry(l, server, client, true) })
	both.Go(func() { p.carry(l, client, server, false) })
	both.Wait()
	p.mu.Lock()
	delete(p.links, l)
	p.mu.Unlock()
}

// carry copies one direction of a link until it ends.
func (p *Proxy) carry(l *link, to, from net.Conn, fromClient bool) {
	defer func() { _ = to.Close() }()
	piece := make([]byte, 64<<10)
	for {
		n, err := from.Read(piece)
		if n > 0 {
			p.hold(fromClient)
			cut := fromClient && p.marked(l, piece[:n])
			if _, failed := to.Write(piece[:n]); failed != nil {
				_ = from.Close()
				return
			}
			if cut {
				l.reset()
				return
			}
		}
		if err != nil {
			if fromClient && errors.Is(err, net.ErrClosed) {
				_ = from.Close()
			}
			return
		}
	}
}

// hold waits as long as bytes may not pass.
func (p *Proxy) hold(fromClient bool) {
	for {
		p.mu.Lock()
		paused, delay := p.paused, p.delay
		p.mu.Unlock()
		if paused != nil {
			<-paused
			continue
		}
		if !fromClient && delay > 0 {
			time.Sleep(delay)
		}
		return
	}
}

// marked says whether this piece completes the mark that cuts.
func (p *Proxy) marked(l *link, piece []byte) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.marks == 0 {
		return false
	}
	seen := append(l.tail, piece...)
	l.tail = bytes.Clone(seen[max(0, len(seen)-len(p.mark)+1):])
	if !bytes.Contains(seen, p.mark) {
		return false
	}
	p.marks--
	p.cuts++
	return true
}

// reset ends a connection as a broken network does: nothing more arrives.
func (l *link) reset() {
	for _, c := range []net.Conn{l.client, l.server} {
		if c == nil {
			continue
		}
		if tcp, ok := c.(*net.TCPConn); ok && c == l.client {
			_ = tcp.SetLinger(0) // so that the client sees a reset
		}
		_ = c.Close() // both ends find out
	}
}
