package main

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/analytics"
)

// tendSignals lets the demo's invented quality officer say something about some of
// the signals that the invented cases came to: what crossed can't be known before
// it is projected. A signal about which anything is recorded stays as it is, so
// that a demo that is started again goes on where it stopped.
func (a *app) tendSignals(ctx context.Context, officer access.Actor, now time.Time) (last uint64, err error) {
	var listed []alarm.Listed
	err = pg.AsActor(ctx, a.Pool, analytics.Reader(officer), func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(ctx, tx, "")
		if err != nil {
			return err
		}
		listed, err = alarm.List(ctx, tx, asOf)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("list the demo's signals: %w", err)
	}
	slices.Reverse(listed) // the oldest first, so that later ones leave it as it is
	for i, l := range listed {
		if len(l.Deeds()) > 0 || !officer.InDepartment(l.Department) {
			continue
		}
		for _, e := range inventedDeeds(officer, i, l.Row, now) {
			result, err := a.desk.PublishAs(ctx, officer, e)
			if err != nil {
				return 0, fmt.Errorf("tend the signal %s: %w", l.Alarm, err)
			}
			last = max(last, result.Sequence)
		}
	}
	return last, nil
}

// inventedDeeds are what the officer did about a signal, by its place in the list:
// gave it to somebody whose day has passed, nothing, closed it, gave it to somebody
// whose day is still to come, or only acknowledged it.
func inventedDeeds(officer access.Actor, place int, a alarm.Row, now time.Time) []events.Event {
	at := func(daysAgo int) time.Time { return now.UTC().Truncate(time.Second).AddDate(0, 0, -daysAgo) }
	if place%5 == 1 {
		return nil
	}
	out := []events.Event{analytics.AcknowledgeEvent(officer, a, analytics.Acknowledgement{Note: "Seen. Invented, as all of the demo is."}, at(20))}
	switch place % 5 {
	case 0:
		out = append(out, analytics.AssignEvent(officer, a, analytics.Assignment{Owner: "C-01", DueOn: at(6).Format(time.DateOnly)}, at(19)))
	case 3:
		out = append(out, analytics.AssignEvent(officer, a, analytics.Assignment{Owner: "C-02", DueOn: at(-8).Format(time.DateOnly)}, at(19)))
	case 2:
		out = append(out, analytics.AssignEvent(officer, a, analytics.Assignment{Owner: "C-01", DueOn: at(10).Format(time.DateOnly)}, at(19)))
		out = append(out, analytics.ReviewEvents(officer, a, analytics.Review{Finding: "case-mix", Action: "Looked at each of the cases together; difficult eyes go to two surgeons now."}, at(12))...)
	}
	return out
}
