package projector

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg"
)

// EraserConfig is what an erasure needs.
type EraserConfig struct {
	Pool   *pgxpool.Pool  // as the owner of the registry's tables
	Base   string         // schema of the archive
	Stream *stream.Stream // by the credential that may erase
	Log    *slog.Logger
	Wait   time.Duration // how long the projector may stand still; 0 means 30 seconds
}

// Eraser takes a person's code out of a registry: out of the stream itself, and by
// way of the stream, through the projector, out of the archive and the read models.
// A pseudonym made at random comes in its place, so that no figure changes.
type Eraser struct {
	EraserConfig
	step func(name string) error // tests: called after each step
}

// NewEraser makes an eraser.
func NewEraser(cfg EraserConfig) *Eraser {
	if cfg.Log == nil {
		cfg.Log = slog.Default()
	}
	if cfg.Wait <= 0 {
		cfg.Wait = 30 * time.Second
	}
	return &Eraser{EraserConfig: cfg, step: func(string) error { return nil }}
}

// ErasureRequest says who is to go, and why.
type ErasureRequest struct {
	Role   events.Role
	Code   string
	Reason string // kept for good with the record of each erasure; without the code
	Scrub  bool   // write the tables anew, so that no page holds the old bytes
}

// ErasureReport is what an erasure did. Nothing in it names the person.
type ErasureReport struct {
	Events      int      `json:"events"`          // messages of the stream that were replaced and removed
	First       uint64   `json:"first,omitempty"` // the first and the last of them
	Last        uint64   `json:"last,omitempty"`
	Position    uint64   `json:"position"`                // the read models have come to
	Tables      []string `json:"tables"`                  // vacuumed
	InIDs       int      `json:"in_ids,omitempty"`        // replaced events whose id has the code in it: an id stays
	InCaseCodes int      `json:"in_case_codes,omitempty"` // the same of case codes
	Copies      []string `json:"copies,omitempty"`        // copies of the read models that a broken-off rebuild or verify left
}

var (
	// ErrNotProjected says that no projector brings the read models up to the stream.
	ErrNotProjected = errors.New("the projector doesn't come to the end of the stream; start it (lensledger project, or serve --project) and run the erasure again, which goes on where it stopped")
	// ErrErasing says that another erasure runs.
	ErrErasing = errors.New("another erasure is running")
)

var personCode = regexp.MustCompile(`^[A-Za-z0-9_-]{1,40}$`)

// maxReason bounds a reason, in characters.
const maxReason = 200

// check refuses a request, in words that don't repeat the code.
func (r ErasureRequest) check() error {
	switch {
	case r.Role != events.RolePatient && r.Role != events.RoleSurgeon:
		return fmt.Errorf("erase: the role is %q, allowed are patient and surgeon", r.Role)
	case !personCode.MatchString(r.Code):
		return errors.New("erase: the code isn't one of 1 to 40 letters, digits, - and _")
	case r.Role == events.RoleSurgeon && slices.Contains([]string{events.Undetermined, events.ScopeTrainees, events.ScopeIndependent}, r.Code):
		return errors.New("erase: the code is a word of the vocabulary and names nobody")
	case r.Reason == "" || utf8.RuneCountInString(r.Reason) > maxReason || strings.ContainsFunc(r.Reason, unicode.IsControl):
		return fmt.Errorf("erase: a reason of 1 to %d characters is needed, on one line", maxReason)
	case strings.Contains(r.Reason, r.Code):
		return errors.New("erase: the reason has the code in it, and the reason is kept")
	}
	return nil
}

// Run erases. Broken off at any moment, it is run again and goes on; run when all is
// done, it takes what has arrived since. A projector has to be running.
func (e *Eraser) Run(ctx context.Context, r ErasureRequest) (ErasureReport, error) {
	var report ErasureReport
	if err := r.check(); err != nil {
		return report, err
	}
	unlock, err := e.lock(ctx)
	if err != nil {
		return report, err
	}
	defer unlock()
	if report.Position, err = e.projected(ctx); err != nil {
		return report, err
	}
	run, err := e.begin(ctx, r)
	if err != nil {
		return report, err
	}
	// What comes in the place of the messages is stored first, all of it, and only then
	// are they removed, the last one first: whoever reads the stream meanwhile finds
	// repeats of an event either all as they were, or can find what replaces them.
	for from := uint64(1); ; {
		before := len(run.taken)
		if err := run.pass(ctx, from, report.Position, &report); err != nil {
			return report, err
		}
		from = report.Position + 1
		if report.Position, err = e.projected(ctx); err != nil {
			return report, err
		}
		if len(run.taken) == before {
			break
		}
	}
	slices.Sort(run.taken)
	for _, sequence := range slices.Backward(run.taken) {
		if err := e.Stream.Remove(ctx, sequence); err != nil {
			return report, fmt.Errorf("erase: %w", err)
		}
		if err := e.step("removed"); err != nil {
			return report, err
		}
	}
	return report, e.end(ctx, r, &report)
}

// lock keeps a second erasure of the registry out until unlock is called.
func (e *Eraser) lock(ctx context.Context) (unlock func(), err error) {
	conn, err := e.Pool.Acquire(ctx)
	if err != nil {
		return nil, fmt.Errorf("erase: %w", err)
	}
	raw := conn.Hijack() // closing it is what lets go of the lock
	unlock = func() { _ = raw.Close(context.WithoutCancel(ctx)) }
	var alone bool
	err = raw.QueryRow(ctx, "SELECT pg_try_advisory_lock(hashtextextended('lensledger erase ' || $1, 0))", e.Base).Scan(&alone)
	if err == nil && !alone {
		err = ErrErasing
	}
	if err != nil {
		unlock()
		return nil, fmt.Errorf("erase: %w", err)
	}
	return unlock, nil
}

// projected waits until the read models have come to what is the end of the stream
// when it is called, and returns that position.
func (e *Eraser) projected(ctx context.Context) (uint64, error) {
	info, err := e.Stream.Info(ctx)
	if err != nil {
		return 0, fmt.Errorf("erase: %w", err)
	}
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for reached, moved := uint64(0), time.Now(); ; {
		var at int64
		if err := e.Pool.QueryRow(ctx, "SELECT least(c.position, s.position) FROM checkpoint c, stream_state s").Scan(&at); err != nil && !missing(err) {
			return 0, fmt.Errorf("erase: read the position: %w", err)
		}
		switch {
		case uint64(at) >= info.Last:
			return info.Last, nil
		case uint64(at) > reached:
			reached, moved = uint64(at), time.Now()
		case time.Since(moved) > e.Wait:
			return 0, fmt.Errorf("erase: at position %d of %d: %w", at, info.Last, ErrNotProjected)
		}
		select {
		case <-look.C:
		case <-ctx.Done():
			return 0, ctx.Err()
		}
	}
}

// begin makes the pseudonym, or takes up that of a run that was broken off.
func (e *Eraser) begin(ctx context.Context, r ErasureRequest) (*erasing, error) {
	fresh := "E-" + rand.Text()[:13] // 65 bits in base 32
	var pseudonym string
	err := pg.AsWriter(ctx, e.Pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, "INSERT INTO erasure_run (role, code, pseudonym) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING", string(r.Role), r.Code, fresh); err != nil {
			return err
		}
		return tx.QueryRow(ctx, "SELECT pseudonym FROM erasure_run WHERE role = $1 AND code = $2", string(r.Role), r.Code).Scan(&pseudonym)
	})
	if err != nil {
		return nil, fmt.Errorf("erase: keep the pseudonym: %w", err)
	}
	run := &erasing{Eraser: e, reason: r.Reason, pseudonym: events.Pseudonym{Role: r.Role, Code: r.Code, New: pseudonym}}
	if r.Role == events.RoleSurgeon {
		run.pseudonym.Charts = derivedCharts(r.Code, pseudonym)
	}
	return run, e.step("begun")
}

// end forgets the pseudonym's origin and clears the old bytes out of the tables.
func (e *Eraser) end(ctx context.Context, r ErasureRequest, report *ErasureReport) error {
	err := pg.AsWriter(ctx, e.Pool, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, "DELETE FROM erasure_run WHERE role = $1 AND code = $2", string(r.Role), r.Code)
		return err
	})
	if err != nil {
		return fmt.Errorf("erase: end the run: %w", err)
	}
	if err := e.step("ended"); err != nil {
		return err
	}
	how := "VACUUM "
	if r.Scrub {
		how = "VACUUM (FULL) "
	}
	model := pg.ModelSchema(e.Base)
	var names []string
	for _, name := range []string{"event_log", "quarantine", "alarm_notice", "erasure_run"} {
		names = append(names, quote(e.Base)+"."+quote(name))
	}
	for _, t := range tables {
		names = append(names, quote(model)+"."+quote(t.Name))
	}
	for _, name := range names {
		if _, err := e.Pool.Exec(ctx, how+name); err != nil {
			return fmt.Errorf("erase: the code is gone from every row, but clearing %s failed; run the erasure again: %w", name, err)
		}
		report.Tables = append(report.Tables, strings.ReplaceAll(name, `"`, ""))
	}
	if r.Scrub {
		if _, err := e.Pool.Exec(ctx, "CHECKPOINT"); err != nil {
			return fmt.Errorf("erase: done, but without a checkpoint; let an administrator of the database run CHECKPOINT: %w", err)
		}
	}
	rows, err := e.Pool.Query(ctx, "SELECT nspname::text FROM pg_namespace WHERE nspname = ANY ($1) ORDER BY 1", []string{model + "_next", model + "_check", model + "_old"})
	if err != nil {
		return fmt.Errorf("erase: look for copies of the read models: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var schema string
		if err := rows.Scan(&schema); err != nil {
			return fmt.Errorf("erase: look for copies of the read models: %w", err)
		}
		report.Copies = append(report.Copies, schema)
	}
	return rows.Err()
}
