package department

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
)

// Reconciliation says what a department's record lacks: operations that were
// booked and of which nothing came, operations without an end, follow-up that
// didn't come, pairs of a patient's operations that don't fit, and how the record
// compares with the theatre's own count. Each is to be looked at, none is a finding
// about anyone.
type Reconciliation struct {
	Department string                 `json:"department"`
	From       string                 `json:"from"`
	To         string                 `json:"to"`
	AsOf       archive.AsOf           `json:"as_of"`
	Definition string                 `json:"definition"`
	Recorded   int                    `json:"recorded"` // operations of the period, also those outside the figures
	Theatre    *TheatreCount          `json:"theatre"`
	NotStarted []OpenCase             `json:"not_started"`
	NotEnded   []OpenCase             `json:"not_ended"`
	FollowUp   FollowUp               `json:"follow_up"`
	Checks     []outcome.PatientCheck `json:"checks"`
	LeftOut    LeftOut                `json:"left_out"`
}

// TheatreCount sets the number of operations that the theatre counted beside that
// on record. Difference is the theatre's less the record's: more than 0 are missing
// from the record.
type TheatreCount struct {
	Operations int `json:"operations"`
	Recorded   int `json:"recorded"`
	Difference int `json:"difference"`
}

// OpenCase is a case of which something is awaited since a day.
type OpenCase struct {
	Case string `json:"case"`
	On   string `json:"on"`
}

// FollowUp counts, of the operations in the figures, what isn't known and why. What
// may still come, because its window isn't over, is waiting and not missing.
type FollowUp struct {
	N            int             `json:"n"`
	AcuityBefore MissingFollowUp `json:"acuity_before"`
	AcuityAfter  MissingFollowUp `json:"acuity_after"`
	Refraction   MissingFollowUp `json:"refraction"`
	Keratometry  MissingFollowUp `json:"settled_keratometry"`
}

// MissingFollowUp counts the eyes of which one kind of follow-up is known, waited
// for, and missing. ByReason says of the missing ones why there is no figure of
// them, Closed how their follow-up was closed, open where it wasn't.
type MissingFollowUp struct {
	Known    int            `json:"known"`
	Waiting  int            `json:"waiting"`
	Missing  int            `json:"missing"`
	ByReason map[string]int `json:"by_reason"`
	Closed   map[string]int `json:"followup_closed"`
}

const (
	followupOpen = "open"
	// notRecorded is the reason where nothing says more.
	notRecorded = "not-recorded"
)

// Reconcile says what is missing of a department's operations of a period.
// theatreOperations is the theatre's own count; nil when nobody gave one.
func Reconcile(ctx context.Context, tx pgx.Tx, department string, p Period, asOf archive.AsOf, theatreOperations *int) (Reconciliation, error) {
	r := Reconciliation{Department: department, From: p.From.Format(time.DateOnly), To: p.To.Format(time.DateOnly), AsOf: asOf, Definition: Definition,
		NotStarted: []OpenCase{}, NotEnded: []OpenCase{}}
	operations, err := outcome.Operations(ctx, tx, department, p.From, p.To, asOf)
	if err != nil {
		return r, err
	}
	var eyes []outcome.EyeRow
	for _, o := range operations {
		if !o.Counts {
			continue
		}
		r.Recorded++
		if !o.OutcomeKnown {
			r.NotEnded = append(r.NotEnded, OpenCase{o.CaseCode, o.OperatedOn.Format(time.DateOnly)})
		}
		if ExcludedReason(o.Row) == "" {
			eyes = append(eyes, *o.Eye)
		}
	}
	sortOpen(r.NotEnded)
	if theatreOperations != nil {
		r.Theatre = &TheatreCount{*theatreOperations, r.Recorded, *theatreOperations - r.Recorded}
	}
	awaited, err := outcome.Awaited(ctx, tx, department, p.From, p.To, asOf)
	if err != nil {
		return r, err
	}
	today := asOf.RecordedAt.UTC().Truncate(24 * time.Hour)
	for _, a := range awaited {
		if a.AwaitedOn.Before(today) { // today's list may still run
			r.NotStarted = append(r.NotStarted, OpenCase{a.CaseCode, a.AwaitedOn.Format(time.DateOnly)})
		}
	}
	sortOpen(r.NotStarted)
	r.FollowUp = followUpOf(eyes, asOf.RecordedAt)
	if r.Checks, err = outcome.PatientChecks(ctx, tx, department, p.From, p.To, asOf); err != nil {
		return r, err
	}
	left, err := CountLeftOut(ctx, tx, []string{department}, asOf)
	if err != nil {
		return r, err
	}
	r.LeftOut = left[department]
	return r, nil
}

func sortOpen(list []OpenCase) {
	slices.SortFunc(list, func(a, b OpenCase) int { return slices.Compare([]string{a.On, a.Case}, []string{b.On, b.Case}) })
}

func followUpOf(eyes []outcome.EyeRow, at time.Time) FollowUp {
	f := FollowUp{N: len(eyes), AcuityBefore: newMissing(), AcuityAfter: newMissing(), Refraction: newMissing(), Keratometry: newMissing()}
	for _, e := range eyes {
		over := func(days int) bool { return at.After(e.OperatedOn.AddDate(0, 0, days+1)) }
		f.AcuityBefore.add(e, e.BeforeOn != nil, true, notRecorded)
		f.AcuityAfter.add(e, e.AfterOn != nil, over(fold.AcuityToDay), outcome.NoAcuityAfter)
		f.Refraction.add(e, e.RefractionOn != nil, over(fold.RefractionToDay), e.RefractionReason)
		f.Keratometry.add(e, e.SiaXMicro != nil, over(fold.SettledToDay), e.SiaReason)
	}
	return f
}

func newMissing() MissingFollowUp {
	return MissingFollowUp{ByReason: map[string]int{}, Closed: map[string]int{}}
}

func (m *MissingFollowUp) add(e outcome.EyeRow, known, over bool, reason string) {
	switch {
	case known:
		m.Known++
		return
	case !over:
		m.Waiting++
		return
	}
	m.Missing++
	if reason == "" {
		reason = notRecorded
	}
	m.ByReason[reason]++
	if e.FollowupClosed == "" {
		m.Closed[followupOpen]++
	} else {
		m.Closed[e.FollowupClosed]++
	}
}
