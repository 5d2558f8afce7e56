package analytics

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/feedback"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/services/access"
	"lensledger/services/web"
)

// CaseReview is what a trainer says about a trainee's operation. Empty is not
// said.
type CaseReview struct {
	AtThisStage     string   `json:"at_this_stage"`    // above, as or below what is usual at this stage
	TeachingPoints  []string `json:"teaching_points"`  // codes
	AgreedAction    string   `json:"agreed_action"`    // free text, at most 500 characters
	SupervisionNext string   `json:"supervision_next"` // a word of the events' vocabulary
	ReviewedAt      string   `json:"reviewed_at"`      // as in Review
}

// ReviewedCase says which event a case's review became.
type ReviewedCase struct {
	Case   string          `json:"case"`
	Events []PublishedNote `json:"events"`
}

// postCaseReview serves POST /v1/cases/{case}/reviews.
func (s *Service) postCaseReview(w http.ResponseWriter, r *http.Request) {
	who, err := actor(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var said CaseReview
	if _, err := readBody(r, &said); err != nil {
		s.fail(w, r, err)
		return
	}
	done, err := s.ReviewCase(r, who, mux.Vars(r)["case"], said)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	web.WriteJSON(w, http.StatusAccepted, done)
}

// ReviewCase stores a trainer's review of an operation that one of the trainees
// began, as an event of the desk. Failures that a person may read are *web.Error,
// with pointers into CaseReview.
func (s *Service) ReviewCase(r *http.Request, who access.Actor, code string, said CaseReview) (ReviewedCase, error) {
	record, err := s.findOperation(r, who, code)
	if err != nil {
		return ReviewedCase{}, err
	}
	at, err := reviewTime(said.ReviewedAt, s.cfg.Now())
	if err != nil {
		return ReviewedCase{}, err
	}
	if said.AtThisStage == "" && len(said.TeachingPoints) == 0 && said.AgreedAction == "" && said.SupervisionNext == "" {
		return ReviewedCase{}, refused(web.Fault{Pointer: "/at_this_stage", Code: events.CodeMissing,
			Detail: "the review says nothing: give at_this_stage, teaching_points, agreed_action or supervision_next"})
	}
	e := CaseReviewEvent(who, record.Row, said, at)
	result, err := s.cfg.Desk.PublishAs(r.Context(), who, e)
	if err != nil {
		return ReviewedCase{}, intoCaseReview(err)
	}
	return ReviewedCase{Case: e.Subject, Events: []PublishedNote{{ID: result.ID, Type: e.Type, Status: result.Status, Sequence: result.Sequence}}}, nil
}

// findOperation reads a case that the actor may review.
func (s *Service) findOperation(r *http.Request, who access.Actor, code string) (record outcome.Record, err error) {
	err = pg.AsActor(r.Context(), s.cfg.Pool, Reader(who), func(tx pgx.Tx) error {
		asOf, err := archive.Resolve(r.Context(), tx, "")
		if err != nil {
			return err
		}
		record, err = outcome.Read(r.Context(), tx, code, asOf)
		return err
	})
	if err != nil {
		return record, err
	}
	switch row := record.Row; {
	case !row.Counts:
		err = refused(web.Fault{Pointer: "", Code: events.CodeNotAllowed, Detail: "the case isn't an operation, so there is nothing to review"})
	case !slices.Contains(who.Supervises, row.FirstOperator):
		err = &web.Error{Code: web.CodeForbidden, Message: "A case is reviewed by a trainer of whoever began it. It isn't one of your trainees."}
	case !who.InDepartment(row.Department):
		err = &web.Error{Code: web.CodeForbidden, Message: "The operation was done in a department that your token doesn't name."}
	}
	return record, err
}

// CaseReviewEvent is the desk's event of a case's review. It is a function of
// what is given, its id included, so that a review that is sent twice makes the
// same event and the second one is a duplicate.
func CaseReviewEvent(who access.Actor, row outcome.Row, said CaseReview, at time.Time) events.Event {
	at = at.UTC()
	var points []events.Code
	for _, p := range said.TeachingPoints {
		points = append(points, events.Code(p))
	}
	sum := sha256.Sum256([]byte(strings.Join([]string{row.CaseCode, at.Format(time.RFC3339), who.Surgeon, said.AtThisStage,
		strings.Join(said.TeachingPoints, " "), said.AgreedAction, said.SupervisionNext}, "\x00")))
	return events.Event{ID: "case-review-" + hex.EncodeToString(sum[:12]), Source: access.DeskSource, Type: events.TypeCaseReviewed,
		Subject: row.CaseCode, Department: row.Department, Time: at, Data: &events.CaseReviewed{Trainer: events.Code(who.Surgeon),
			AtThisStage: events.Stage(said.AtThisStage), TeachingPoints: points, AgreedAction: events.Text(said.AgreedAction),
			SupervisionNext: events.Supervision(said.SupervisionNext)}}
}

// intoCaseReview turns pointers into the event into pointers into the review.
func intoCaseReview(err error) error {
	var known *web.Error
	if !errors.As(err, &known) || len(known.Faults) == 0 {
		return err
	}
	out := *known
	out.Faults = slices.Clone(known.Faults)
	for i, f := range out.Faults {
		if rest, found := strings.CutPrefix(f.Pointer, "/data/"); found {
			out.Faults[i].Pointer = "/" + rest
		}
	}
	return &out
}

// waiting is the answer: trainees' operations that nobody has reviewed, latest
// first.
type waiting struct {
	Basis
	Since   string                `json:"since"` // day
	N       int                   `json:"n"`
	Waiting []feedback.Unreviewed `json:"waiting"`
	Next    *string               `json:"next"`
}

// Bounds of the list of operations that wait for a review. It is work to do:
// older operations show as later ones are reviewed.
const (
	waitingDays = 90
	mostWaiting = 5000
)

// getReviews serves GET /v1/reviews?waiting=true.
func (s *Service) getReviews(w http.ResponseWriter, r *http.Request) {
	who, query, err := asked(r, "waiting", "since", "after", "limit")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	since, err := readWaiting(query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := s.readPage(r, query)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p.asOf = "" // what waits is read as of now, on every page
	s.answer(w, r, question{reader: Reader(who), query: query, page: p, answer: func(tx pgx.Tx, asOf archive.AsOf) (any, error) {
		from := since
		if from.IsZero() {
			from = asOf.RecordedAt.UTC().AddDate(0, 0, -waitingDays).Truncate(24 * time.Hour)
		}
		list, err := feedback.Waiting(r.Context(), tx, from, mostWaiting)
		if err != nil {
			return nil, err
		}
		list = slices.DeleteFunc(list, func(u feedback.Unreviewed) bool { return waitingKey(u) <= p.After })
		list, next := cut(p, asOf, list, waitingKey)
		return waiting{Basis: basis(asOf), Since: from.Format(time.DateOnly), N: len(list), Waiting: append([]feedback.Unreviewed{}, list...), Next: next}, nil
	}})
}

// waitingKey sorts as the list is sorted: latest first, then by code.
func waitingKey(u feedback.Unreviewed) string {
	return fmt.Sprintf("%019d %s", 1<<62-u.StartedAt.UnixMicro(), u.CaseCode)
}

// readWaiting reads since, which is zero when it isn't given.
func readWaiting(query url.Values) (time.Time, error) {
	if query.Get("waiting") != "true" {
		return time.Time{}, badQuery(web.Fault{Pointer: "?waiting", Code: "not-allowed", Detail: fmt.Sprintf("found %q, allowed true; a case's reviews stand in its record", query.Get("waiting"))})
	}
	if !query.Has("since") {
		return time.Time{}, nil
	}
	since, err := time.Parse(time.DateOnly, query.Get("since"))
	if err != nil {
		return since, badQuery(web.Fault{Pointer: "?since", Code: faultInvalid, Detail: "allowed: a day such as 2025-03-12"})
	}
	return since, nil
}
