package access

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	_ "embed" // SQL
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"regexp"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/services/web"
)

// SessionCookie is the cookie with the id of a session. Where the pages are reached
// over TLS its name begins with __Host-, so that no neighbouring host can set it.
const SessionCookie = "lensledger_session"

// Limits of a session where nothing else is set. Common practice, no source.
const (
	DefaultIdleLimit    = time.Hour      // since it was last used
	DefaultSessionLimit = 12 * time.Hour // since it began: a long day
)

const (
	leastIdleLimit = 5 * time.Minute  // last use is known to the minute
	noteUseEvery   = time.Minute      // one write in a minute at most
	removeEvery    = 10 * time.Minute // ended sessions
)

// SessionConfig is what Sessions need.
type SessionConfig struct {
	Pool   *pgxpool.Pool    // of pg.Connect
	Idle   time.Duration    // a session ends when it isn't used for so long; 0 is DefaultIdleLimit
	Limit  time.Duration    // a session ends so long after it began; 0 is DefaultSessionLimit
	Secure bool             // the pages are reached over TLS: cookies go over TLS only
	Logger *slog.Logger     // nil is silent
	Now    func() time.Time // nil is time.Now
}

// Sessions keep who is signed in on the pages. The cookie holds a random id; all
// else is in Postgres under a hash of it, so that a restart keeps a session, every
// process knows it, and whoever reads the table can't use it.
type Sessions struct{ cfg SessionConfig }

// Session is who is signed in.
type Session struct {
	Actor Actor
	Ends  time.Time // at the latest
}

// NewSessions checks the limits.
func NewSessions(cfg SessionConfig) (*Sessions, error) {
	if cfg.Idle == 0 {
		cfg.Idle = DefaultIdleLimit
	}
	if cfg.Limit == 0 {
		cfg.Limit = DefaultSessionLimit
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	switch {
	case cfg.Pool == nil:
		return nil, errors.New("sessions: a database pool is needed")
	case cfg.Idle < leastIdleLimit || cfg.Limit < cfg.Idle:
		return nil, fmt.Errorf("sessions: the limit without use, %s, is from %s up to the limit in all, %s", cfg.Idle, leastIdleLimit, cfg.Limit)
	}
	return &Sessions{cfg}, nil
}

var (
	//go:embed sql/read_session.sql
	readSessionSQL string
	//go:embed sql/begin_session.sql
	beginSessionSQL string
	//go:embed sql/use_session.sql
	useSessionSQL string
	//go:embed sql/end_session.sql
	endSessionSQL string
	//go:embed sql/remove_ended_sessions.sql
	removeEndedSessionsSQL string
)

// Of gives the session of a request. Its error is a *web.Error: CodeUnauthenticated
// without a session, CodeUnavailable while the database can't be asked. It costs
// one read by the primary key, and a write where none was for a minute.
func (s *Sessions) Of(r *http.Request) (Session, error) {
	hash, ok := s.hash(r)
	if !ok {
		return Session{}, unauthenticated()
	}
	var claims []byte
	var used, ends time.Time
	err := s.cfg.Pool.QueryRow(r.Context(), readSessionSQL, hash).Scan(&claims, &used, &ends)
	if errors.Is(err, pgx.ErrNoRows) {
		return Session{}, unauthenticated()
	}
	if err != nil {
		s.log(r, slog.LevelWarn, "session not read", err)
		return Session{}, &web.Error{Code: web.CodeUnavailable, Message: "The database doesn't answer for the moment, so it can't be told who you are. Try again in a little while."}
	}
	now := s.cfg.Now()
	if !now.Before(ends) || now.Sub(used) >= s.cfg.Idle {
		return Session{}, unauthenticated()
	}
	// Read again by the one reader of claims: a rule that has changed since holds.
	read, err := parseMembers(claims)
	var actor Actor
	if err == nil {
		actor, err = actorOf(read)
	}
	if err != nil {
		s.log(r, slog.LevelInfo, "session not accepted", err)
		return Session{}, unauthenticated()
	}
	if now.Sub(used) >= noteUseEvery {
		if _, err := s.cfg.Pool.Exec(r.Context(), useSessionSQL, hash, now, now.Add(-noteUseEvery)); err != nil {
			s.log(r, slog.LevelWarn, "use of a session not noted", err)
		}
	}
	return Session{actor, ends}, nil
}

// Begin signs a browser in: always under a new id, so that an id that somebody made
// a browser take beforehand is worth nothing, and ends the session it had. The session ends
// by its limits, and at until if that isn't zero. signedOn is whether the sign-on
// service vouched for the actor.
func (s *Sessions) Begin(w http.ResponseWriter, r *http.Request, actor Actor, until time.Time, signedOn bool) error {
	now := s.cfg.Now()
	ends := now.Add(s.cfg.Limit)
	if !until.IsZero() && until.Before(ends) {
		ends = until
	}
	claims, err := json.Marshal(actor.claims())
	if err != nil {
		return fmt.Errorf("begin a session: %w", err)
	}
	id := rand.Text()
	old, _ := s.hash(r)
	if _, err := s.cfg.Pool.Exec(r.Context(), beginSessionSQL, hashOf(id), claims, signedOn, now, now, ends, old); err != nil {
		return fmt.Errorf("begin a session: %w", err)
	}
	http.SetCookie(w, s.cookie(id))
	return nil
}

// End signs a browser out. The cookie goes even if the database can't be asked.
// signedOn is as it was given to Begin, false where there was no session.
func (s *Sessions) End(w http.ResponseWriter, r *http.Request) (signedOn bool, err error) {
	c := s.cookie("")
	c.MaxAge = -1
	http.SetCookie(w, c)
	hash, ok := s.hash(r)
	if !ok {
		return false, nil
	}
	err = s.cfg.Pool.QueryRow(r.Context(), endSessionSQL, hash).Scan(&signedOn)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return false, fmt.Errorf("end a session: %w", err)
	}
	return signedOn, nil
}

// Run removes ended sessions until ctx ends. Several processes may.
func (s *Sessions) Run(ctx context.Context) error {
	tick := time.NewTicker(removeEvery)
	defer tick.Stop()
	for {
		if err := s.removeEnded(ctx); err != nil && ctx.Err() == nil {
			s.cfg.Logger.WarnContext(ctx, "ended sessions not removed", "error", err.Error())
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
	}
}

func (s *Sessions) removeEnded(ctx context.Context) error {
	now := s.cfg.Now()
	_, err := s.cfg.Pool.Exec(ctx, removeEndedSessionsSQL, now, now.Add(-s.cfg.Idle))
	return err
}

func (s *Sessions) log(r *http.Request, level slog.Level, message string, err error) {
	s.cfg.Logger.LogAttrs(r.Context(), level, message, slog.String("request_id", web.RequestID(r.Context())), slog.String("error", err.Error()))
}

// cookie is the session's cookie. It ends with the browser. Lax, not strict: a
// strict one would be missing where the sign-on service's redirect, or a link in a
// message, leads here. It still doesn't come along with a form of another site.
func (s *Sessions) cookie(value string) *http.Cookie {
	return &http.Cookie{Name: cookieName(SessionCookie, s.cfg.Secure), Value: value, Path: "/", HttpOnly: true, Secure: s.cfg.Secure, SameSite: http.SameSiteLaxMode}
}

func cookieName(name string, secure bool) string {
	if secure {
		return "__Host-" + name
	}
	return name
}

// randomID is what rand.Text makes: 130 bits.
var randomID = regexp.MustCompile(`^[A-Z2-7]{26}$`)

// hash gives the hash of the request's id. With two cookies, one may have been set by
// a neighbouring host.
func (s *Sessions) hash(r *http.Request) ([]byte, bool) {
	cookies := r.CookiesNamed(cookieName(SessionCookie, s.cfg.Secure))
	if len(cookies) != 1 || !randomID.MatchString(cookies[0].Value) {
		return nil, false
	}
	return hashOf(cookies[0].Value), true
}

func hashOf(id string) []byte {
	sum := sha256.Sum256([]byte(id))
	return sum[:]
}
