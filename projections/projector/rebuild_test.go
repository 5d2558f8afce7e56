package projector_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events/stream/streamtest"
	"lensledger/projections/pg"
	"lensledger/projections/projector"
)

// A rebuild that is killed at any moment leaves the old read models or the new,
// never a mix, and never a moment in which they can't be read.
func TestKilledRebuild(t *testing.T) {
	if testing.Short() {
		t.Skip("-short: starts processes")
	}
	r := newOpenRegistry(t)
	es := history(11, 30)
	r.publish(t, es...)
	r.run(t, 500)
	dice := streamtest.Random(t)
	notices := r.notices(t)
	if notices == 0 {
		t.Fatal("no alarm was announced: this tests too little")
	}
	// What the tables of one copy hold, in one read: the old copy is marked in two.
	read := func(ctx context.Context) (string, error) {
		var out string
		err := pg.AsActor(ctx, r.Pool, pg.Actor{Role: "figures", Departments: []string{"HARBOUR", "INLAND"}}, func(tx pgx.Tx) error {
			var operations int
			var sums int64
			// Two statements: a swap may come between them.
			if err := tx.QueryRow(ctx, "SELECT count(*) FROM operation").Scan(&operations); err != nil {
				return err
			}
			if err := tx.QueryRow(ctx, "SELECT coalesce(sum(total), 0)::bigint FROM department_cell").Scan(&sums); err != nil {
				return err
			}
			out = fmt.Sprintf("%d operations, sums %d", operations, sums)
			return nil
		})
		return out, err
	}
	whole, err := read(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	mark := func() {
		t.Helper()
		err := pgx.BeginFunc(t.Context(), r.Pool, func(tx pgx.Tx) error {
			if err := pg.LockSwap(t.Context(), tx, r.Base); err != nil {
				return err
			}
			if _, err := tx.Exec(t.Context(), "DELETE FROM operation"); err != nil {
				return err
			}
			_, err := tx.Exec(t.Context(), "DELETE FROM department_cell")
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	const marked = "0 operations, sums 0"
	ctx, stop := context.WithCancel(t.Context())
	var readers sync.WaitGroup
	var reads, mixed, failed atomic.Int64
	for range 2 {
		readers.Go(func() {
			for ctx.Err() == nil {
				got, err := read(ctx)
				switch {
				case ctx.Err() != nil:
				case err != nil:
					failed.Add(1)
					t.Errorf("a read failed: %v", err)
				case got != whole && got != marked:
					mixed.Add(1)
					t.Errorf("a mixed read: %s", got)
				}
				reads.Add(1)
			}
		})
	}
	began := time.Now()
	c := r.child(t, "rebuild")
	<-c.ended
	took := time.Since(began)
	if !c.cmd.ProcessState.Success() {
		t.Fatal("the rebuild failed")
	}
	swapped := 0
	n := streamtest.Rounds(t, 6, 1)
	for range n {
		mark()
		c := r.child(t, "rebuild")
		select {
		case <-c.ended:
		case <-time.After(time.Duration(dice.Int64N(int64(took)*5/4 + 1))): // a moment drawn by lot
		}
		c.kill(t)
		if got, err := read(t.Context()); err != nil {
			t.Fatal(err)
		} else if got == whole {
			swapped++
		}
	}
	mark()
	if err := r.projector().Rebuild(t.Context()); err != nil {
		t.Fatal(err)
	}
	stop()
	readers.Wait()
	t.Logf("%d killed, %d of them after the swap; %d reads, %d failed, %d mixed", n, swapped, reads.Load(), failed.Load(), mixed.Load())
	if got := r.notices(t); got != notices {
		t.Errorf("%d alarms announced, %d before: a rebuild announces none", got, notices)
	}
	r.holds(t, es)
}

func (r *registry) notices(t testing.TB) (n int) {
	t.Helper()
	if err := r.Pool.QueryRow(t.Context(), "SELECT count(*) FROM alarm_notice").Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// One that was asleep while another rebuilt neither fills the other's copy nor
// swaps it in.
func TestTwoRebuildsDontMix(t *testing.T) {
	r := newRegistry(t)
	es := history(11, 14)
	r.publish(t, es...)
	r.run(t, 500)
	asleep, awake := r.projector(), r.projector()
	position, err := asleep.FillNext(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := asleep.FinishNext(t.Context(), position); err != nil {
		t.Errorf("its own copy: %v", err)
	}
	if _, err := awake.FillNext(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := asleep.FinishNext(t.Context(), position); !errors.Is(err, projector.ErrRebuiltElsewhere) {
		t.Errorf("another's copy: %v", err)
	}
	if err := awake.Rebuild(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := asleep.FinishNext(t.Context(), position); !errors.Is(err, projector.ErrRebuiltElsewhere) {
		t.Errorf("a copy that has gone: %v", err)
	}
	r.holds(t, es)
}
