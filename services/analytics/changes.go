package analytics

import (
	"context"
	"log/slog"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/alarm"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/web"
)

// Positions knows how far the read models have come, wherever the projector runs;
// *projector.Watcher is one.
type Positions interface {
	// Wait returns once the read models have come to a position, or with an
	// error when ctx ends.
	Wait(ctx context.Context, position uint64) error
}

// How changes are told.
const (
	tellEvery      = 250 * time.Millisecond // at most one event in this time to a client
	heartbeatEvery = 15 * time.Second       // common practice, no source
	reconnectAfter = 2 * time.Second

	// A token may be taken back or its bearer's role may change: after so long a
	// client has to ask again.
	listenFor = 15 * time.Minute

	// firstWithin bounds the wait for the position that a client is told first.
	firstWithin = 2 * time.Second
)

// changed is the data of a change: the position that the read models have come
// to, and nothing of what is there. A quality officer is told besides at which
// position the newest alarm of the departments became known, so that a page that
// rests between two changes doesn't keep it waiting.
type changed struct {
	Position uint64 `json:"position"`
	Alarm    uint64 `json:"alarm,omitempty"`
}

// getChanges serves GET /v1/changes.
func (s *Service) getChanges(w http.ResponseWriter, r *http.Request) {
	who, err := actor(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if _, err := readQuery(r); err != nil {
		s.fail(w, r, err)
		return
	}
	var watched []string // departments whose alarms are told
	if who.Role == access.Quality {
		watched = who.Departments
	}
	if err := s.changes.join(who.Subject, watched); err != nil {
		s.fail(w, r, err)
		return
	}
	defer s.changes.leave(who.Subject, watched)
	now, moved, err := s.changes.first(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out, err := web.NewEventStream(w, r, reconnectAfter)
	if err != nil {
		return // the client is gone, or wanted the head alone
	}
	// A client that has seen nothing yet, or something else, is told at once.
	said, err := strconv.ParseUint(r.Header.Get("Last-Event-ID"), 10, 63)
	if err != nil || said != now.position {
		said, err = now.position, tell(out, now, watched)
	}
	pause := time.NewTimer(tellEvery)
	defer pause.Stop()
	heartbeat := time.NewTicker(heartbeatEvery)
	defer heartbeat.Stop()
	end := time.NewTimer(listenFor)
	defer end.Stop()
	var wake <-chan struct{} // moved, but for the pause after an event
	for err == nil {
		select {
		case <-pause.C:
			wake = moved
		case <-wake:
			if now, moved = s.changes.at(); now.position != said {
				said, err = now.position, tell(out, now, watched)
			}
			wake = nil
			pause.Reset(tellEvery)
		case <-heartbeat.C:
			err = out.Heartbeat()
		case <-end.C:
			return
		case <-r.Context().Done():
			return
		case <-web.Stopping(r.Context()):
			return
		}
	}
}

func tell(out *web.EventStream, now standing, watched []string) error {
	data := changed{Position: now.position}
	for _, department := range watched {
		data.Alarm = max(data.Alarm, now.alarms[department])
	}
	return out.Send(strconv.FormatUint(now.position, 10), "changed", data)
}

// standing is where the read models stand, and at which position the newest alarm
// of each watched department became known.
type standing struct {
	position uint64
	alarms   map[string]uint64 // never changed once it is told
}

// changes follows the position for all that listen, and only while somebody does.
// It holds nothing for a client but the newest position, so that one who reads
// slowly keeps nobody waiting and misses nothing but steps in between.
type changes struct {
	positions Positions // nil: changes aren't to be had
	// read gives the position of the read models, and the newest alarms of departments.
	read     func(ctx context.Context, departments []string) (standing, error)
	log      *slog.Logger
	most     int // clients
	mostEach int // clients of one person or program

	mu        sync.Mutex
	all       int
	listening map[string]int     // by the issuer's name for the person or program
	watched   map[string]int     // departments whose alarms are told, by listeners
	stop      context.CancelFunc // ends follow; nil while nobody listens
	known     bool               // now was read
	now       standing
	moved     chan struct{} // closed when now is read, or its position moves
}

// defaultListeners is how many clients may listen unless the configuration says
// otherwise: each costs a connection and some tens of kilobytes.
const defaultListeners = 1000

// newChanges makes it; most is the number of clients, of which one person or
// program may be a twentieth, but at least four.
func newChanges(cfg Config) *changes {
	most := cfg.Listeners
	if most <= 0 {
		most = defaultListeners
	}
	read := func(ctx context.Context, departments []string) (standing, error) {
		now := standing{alarms: map[string]uint64{}}
		err := pg.AsActor(ctx, cfg.Pool, pg.Actor{Role: "figures", Departments: departments}, func(tx pgx.Tx) error {
			at, err := standOf(ctx, tx)
			now.position = at.position
			if err != nil || len(departments) == 0 {
				return err
			}
			known, err := alarm.LatestKnown(ctx, tx)
			for _, k := range known {
				now.alarms[k.Department] = k.Position
			}
			return err
		})
		return now, err
	}
	return &changes{positions: cfg.Positions, read: read, log: cfg.Logger, most: most, mostEach: max(most/20, 4),
		listening: map[string]int{}, watched: map[string]int{}, moved: make(chan struct{})}
}

// join counts a client in, who is told of alarms of departments, or refuses it.
// leave has to follow.
func (c *changes) join(person string, departments []string) error {
	if c.positions == nil {
		return &web.Error{Code: web.CodeUnavailable, Message: "This service can't tell of changes. Ask again from time to time, with If-None-Match."}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.all >= c.most:
		return &web.Error{Code: web.CodeUnavailable, Message: "Too many clients listen for changes. Try again, or ask from time to time, with If-None-Match."}
	case c.listening[person] >= c.mostEach:
		return &web.Error{Code: web.CodeUnavailable, Message: "You listen for changes too many times over. Close some, or ask from time to time, with If-None-Match."}
	}
	c.all++
	c.listening[person]++
	fresh := c.stop == nil
	for _, d := range departments {
		c.watched[d]++
		fresh = fresh || c.watched[d] == 1
	}
	if fresh { // also for a department whose alarms nobody has asked about
		if c.stop != nil {
			c.stop()
		}
		c.known = false
		var ctx context.Context
		ctx, c.stop = context.WithCancel(context.Background())
		go c.follow(ctx)
	}
	return nil
}

func (c *changes) leave(person string, departments []string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.all--
	if c.listening[person]--; c.listening[person] == 0 {
		delete(c.listening, person)
	}
	for _, d := range departments {
		if c.watched[d]--; c.watched[d] == 0 {
			delete(c.watched, d)
		}
	}
	if c.all == 0 {
		c.stop()
		c.stop, c.known = nil, false
	}
}

// listeners is the number of clients, for the metrics.
func (c *changes) listeners() float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return float64(c.all)
}

// first waits until the position is known.
func (c *changes) first(ctx context.Context) (standing, <-chan struct{}, error) {
	late := time.NewTimer(firstWithin)
	defer late.Stop()
	for {
		c.mu.Lock()
		now, known, moved := c.now, c.known, c.moved
		c.mu.Unlock()
		if known {
			return now, moved, nil
		}
		select {
		case <-moved:
		case <-late.C:
			return standing{}, nil, &web.Error{Code: web.CodeUnavailable, Message: "The record can't be read for the moment. Try again."}
		case <-ctx.Done():
			return standing{}, nil, ctx.Err()
		}
	}
}

// at gives where the read models stand, and what is closed when they move on.
func (c *changes) at() (standing, <-chan struct{}) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now, c.moved
}

// follow reads the position whenever it moves on. The pause makes one event of
// what comes close together; the first of it is told at once.
func (c *changes) follow(ctx context.Context) {
	failing := false
	for ctx.Err() == nil {
		c.mu.Lock()
		departments := slices.Collect(maps.Keys(c.watched))
		c.mu.Unlock()
		now, err := c.read(ctx, departments)
		switch {
		case err == nil:
			failing = false
			c.set(ctx, now)
		case ctx.Err() == nil && !failing:
			failing = true
			c.log.LogAttrs(ctx, slog.LevelWarn, "position not known", slog.String("error", err.Error()))
		}
		select {
		case <-time.After(tellEvery):
		case <-ctx.Done():
			return
		}
		if err == nil {
			_ = c.positions.Wait(ctx, now.position+1) // an error is the end of ctx
		}
	}
}

func (c *changes) set(ctx context.Context, now standing) {
	c.mu.Lock()
	defer c.mu.Unlock()
	// Whoever stopped this may have begun anew meanwhile.
	if ctx.Err() != nil || c.known && now.position == c.now.position {
		return
	}
	c.known, c.now = true, now
	close(c.moved)
	c.moved = make(chan struct{})
}
