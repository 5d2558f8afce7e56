package projector

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/learning"
	"lensledger/projections/pg"
)

// surgeonState is what a surgeon's charts and peer bands follow from, and what
// they came to. A state is never changed once a batch has made it.
type surgeonState struct {
	standing learning.Surgeon
	entries  []learning.Entry // in chart order
	charts   []alarm.ChartRow
	alarms   []alarm.Row
	times    map[string][]learning.StepTime // of the cases that learning.Banded lists
	bands    []learning.PeerBand
}

// designs is what people decided about charts: it concerns many surgeons at once
// and is small, so that it is held whole.
type designs struct {
	set     map[string]alarm.DesignRow // by code
	reviews map[[2]string]alarm.ReviewRow
}

func (d *designs) clone() *designs {
	out := &designs{set: make(map[string]alarm.DesignRow, len(d.set)), reviews: make(map[[2]string]alarm.ReviewRow, len(d.reviews))}
	for k, v := range d.set {
		out.set[k] = v
	}
	for k, v := range d.reviews {
		out.reviews[k] = v
	}
	return out
}

func (d *designs) list() []alarm.Design {
	out := make([]alarm.Design, 0, len(d.set))
	for _, r := range d.set {
		out = append(out, r.Design())
	}
	return out
}

func (d *designs) restarts() alarm.Restarts {
	rows := make([]alarm.ReviewRow, 0, len(d.reviews))
	for _, r := range d.reviews {
		rows = append(rows, r)
	}
	return alarm.RestartsOf(rows)
}

// redraw recomputes the charts and the peer bands of every surgeon whose entries,
// steps, standing, designs or restarts the batch changed, and adds their rows to
// both sides of the difference.
func redraw(ctx context.Context, tx pgx.Tx, work *draft, before, after *rowset) error {
	if err := work.loadDesigns(ctx, tx); err != nil {
		return err
	}
	old := work.designs
	if changed(before, after, tableDesign) || changed(before, after, tableReview) {
		work.designs = old.clone()
		applyRows(work.designs.set, before.rows[tableDesign], after.rows[tableDesign], func(k [2]string) string { return k[0] })
		applyRows(work.designs.reviews, before.rows[tableReview], after.rows[tableReview], func(k [2]string) [2]string { return k })
	}
	moved, err := movedSurgeons(ctx, tx, before, after)
	if err != nil {
		return err
	}
	timed := map[string]bool{}
	differing(before, after, tableStep, func(k [2]string) { timed[k[1]] = true })
	for code := range moved {
		timed[code] = true
	}
	codes := sortedKeys(timed)
	if len(codes) == 0 {
		return nil
	}
	states, err := work.loadSurgeons(ctx, tx, codes)
	if err != nil {
		return err
	}
	set, restarts := work.designs.list(), work.designs.restarts()
	now := make(map[string]*surgeonState, len(codes))
	for _, code := range codes {
		now[code] = states[code].apply(code, before, after)
		if moved[code] {
			now[code].draw(set, restarts)
			states[code].addTo(before)
			now[code].addTo(after)
		}
		work.surgeons[code] = now[code]
	}
	if err := loadTimes(ctx, tx, now); err != nil {
		return err
	}
	for _, code := range codes {
		now[code].band()
		addBands(before, after, states[code].bands, now[code].bands)
	}
	return nil
}

// applyRows brings a map of rows from before to after.
func applyRows[K comparable, R pg.Row](held map[K]R, before, after map[[2]string]pg.Row, key func([2]string) K) {
	for k := range before {
		delete(held, key(k))
	}
	for k, row := range after {
		held[key(k)] = row.(R)
	}
}

// apply gives the state after the batch's difference, its charts and bands as they
// were; s itself stays as it was.
func (s *surgeonState) apply(code string, before, after *rowset) *surgeonState {
	now := &surgeonState{standing: s.standing, entries: s.entries, charts: s.charts, alarms: s.alarms, bands: s.bands}
	if row, ok := after.rows[tableSurgeon][[2]string{code}]; ok {
		now.standing = row.(learning.Surgeon)
	} else if _, was := before.rows[tableSurgeon][[2]string{code}]; was {
		now.standing = learning.Surgeon{Surgeon: code} // nothing is said of this code any more
	}
	gone := map[[2]string]bool{}
	var come []learning.Entry
	for k := range before.rows[tableEntry] {
		if k[1] == code {
			gone[k] = true
		}
	}
	for k, row := range after.rows[tableEntry] {
		if k[1] == code {
			come = append(come, row.(learning.Entry))
		}
	}
	if len(gone) > 0 || len(come) > 0 {
		now.entries = slices.DeleteFunc(slices.Clone(s.entries), func(e learning.Entry) bool { return gone[e.Key()] })
		now.entries = append(now.entries, come...)
		slices.SortFunc(now.entries, learning.Order)
	}
	now.times = appliedTimes(s.times, code, before, after)
	return now
}

// draw computes the surgeon's charts from the entries. A surgeon without one has
// no charts.
func (s *surgeonState) draw(set []alarm.Design, restarts alarm.Restarts) {
	s.charts, s.alarms = nil, nil
	if len(s.entries) == 0 {
		return
	}
	for _, c := range alarm.ComputeAll(s.standing, s.entries, set, restarts) {
		s.charts = append(s.charts, c.Row())
		s.alarms = append(s.alarms, c.Alarms...)
	}
}

func (s *surgeonState) addTo(r *rowset) {
	for _, c := range s.charts {
		r.add(tableChart, c)
	}
	for _, a := range s.alarms {
		r.add(tableAlarm, a)
	}
}

// changed says whether a table's rows differ.
func changed(before, after *rowset, table int) bool {
	b, a := before.rows[table], after.rows[table]
	if len(b) != len(a) {
		return true
	}
	for k, row := range b {
		if now, ok := a[k]; !ok || !sameRow(row, now) {
			return true
		}
	}
	return false
}

// movedSurgeons are the surgeons whose charts the batch may move.
func movedSurgeons(ctx context.Context, tx pgx.Tx, before, after *rowset) (map[string]bool, error) {
	moved := map[string]bool{}
	differing(before, after, tableEntry, func(k [2]string) { moved[k[1]] = true })
	differing(before, after, tableSurgeon, func(k [2]string) { moved[k[0]] = true })
	everyone := false
	differing(before, after, tableDesign, func(k [2]string) {
		for _, side := range []*rowset{before, after} {
			if row, ok := side.rows[tableDesign][k]; ok {
				switch scope := row.(alarm.DesignRow).Scope; scope {
				case events.ScopeTrainees, events.ScopeIndependent:
					everyone = true
				default:
					moved[scope] = true
				}
			}
		}
	})
	charts := map[string]bool{}
	differing(before, after, tableReview, func(k [2]string) { charts[k[0]] = true })
	var more []string
	var err error
	switch {
	case everyone:
		more, err = pg.Values[string](ctx, tx, "SELECT DISTINCT surgeon FROM chart_entry")
	case len(charts) > 0:
		more, err = pg.Values[string](ctx, tx, "SELECT surgeon FROM chart WHERE chart = ANY ($1)", sortedKeys(charts))
	}
	if err != nil {
		return nil, fmt.Errorf("list surgeons to redraw: %w", err)
	}
	for _, code := range more {
		moved[code] = true
	}
	return moved, nil
}

// loadSurgeons gives the states before the batch: from the cache, else from the
// read models.
func (d *draft) loadSurgeons(ctx context.Context, tx pgx.Tx, codes []string) (map[string]*surgeonState, error) {
	out := make(map[string]*surgeonState, len(codes))
	var missing []string
	for _, code := range codes {
		if s, ok := d.cache.surgeons.get(code); ok {
			out[code] = s
		} else {
			out[code] = &surgeonState{standing: learning.Surgeon{Surgeon: code}}
			missing = append(missing, code)
		}
	}
	if len(missing) == 0 {
		return out, nil
	}
	if err := eachRow(ctx, tx, learning.SurgeonTable, missing, func(r learning.Surgeon) { out[r.Surgeon].standing = r }); err != nil {
		return nil, err
	}
	entries, err := pg.Structs[learning.Entry](ctx, tx, loadEntriesSQL, missing)
	if err != nil {
		return nil, fmt.Errorf("load chart entries: %w", err)
	}
	for _, e := range entries {
		e.StartedAt = e.StartedAt.UTC()
		out[e.Surgeon].entries = append(out[e.Surgeon].entries, e)
	}
	if err := eachRow(ctx, tx, learning.BandTable, missing, func(r learning.PeerBand) { out[r.Surgeon].bands = append(out[r.Surgeon].bands, r) }); err != nil {
		return nil, err
	}
	if err := eachRow(ctx, tx, alarm.ChartTable, missing, func(r alarm.ChartRow) { out[r.Surgeon].charts = append(out[r.Surgeon].charts, r) }); err != nil {
		return nil, err
	}
	return out, eachRow(ctx, tx, alarm.Table, missing, func(r alarm.Row) {
		r.CrossedAt = r.CrossedAt.UTC()
		out[r.Surgeon].alarms = append(out[r.Surgeon].alarms, r)
	})
}

// loadDesigns reads the designs and reviews once.
func (d *draft) loadDesigns(ctx context.Context, tx pgx.Tx) error {
	if d.designs != nil {
		return nil
	}
	out := &designs{set: map[string]alarm.DesignRow{}, reviews: map[[2]string]alarm.ReviewRow{}}
	set, err := pg.Structs[alarm.DesignRow](ctx, tx, "SELECT "+columnList(alarm.DesignTable.Columns)+" FROM chart_design")
	if err != nil {
		return fmt.Errorf("load chart designs: %w", err)
	}
	for _, r := range set {
		r.DesignedAt = r.DesignedAt.UTC()
		out.set[r.Code] = r
	}
	reviews, err := pg.Structs[alarm.ReviewRow](ctx, tx, "SELECT "+columnList(alarm.ReviewTable.Columns)+" FROM chart_review")
	if err != nil {
		return fmt.Errorf("load chart reviews: %w", err)
	}
	for _, r := range reviews {
		r.ReviewedAt = r.ReviewedAt.UTC()
		out.reviews[r.Key()] = r
	}
	d.designs = out
	return nil
}

// noticeAlarms puts alarms that came on the list of those announced; one that is
// on it already is not announced again, whatever moved it.
func noticeAlarms(ctx context.Context, tx pgx.Tx, before, after *rowset, position uint64) ([]string, error) {
	var codes, departments, surgeons []string
	for _, row := range sortedRows(after.rows[tableAlarm]) {
		a := row.(alarm.Row)
		if _, stood := before.rows[tableAlarm][a.Key()]; !stood {
			codes, departments, surgeons = append(codes, a.Alarm), append(departments, a.Department), append(surgeons, a.Surgeon)
		}
	}
	if len(codes) == 0 {
		return nil, nil
	}
	fresh, err := pg.Values[string](ctx, tx, noticeAlarmsSQL, codes, departments, surgeons, int64(position))
	if err != nil {
		return nil, fmt.Errorf("notice alarms: %w", err)
	}
	return fresh, nil
}
