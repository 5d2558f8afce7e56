package intake

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"net/http"
	"net/url"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/services/access"
	"lensledger/services/web"
)

// options are the query parameters of POST /v1/events.
type options struct {
	dryRun bool
	wait   bool
}

// parseOptions refuses what it doesn't know: whoever mistypes dry_run doesn't
// mean to store.
func parseOptions(query url.Values) (options, error) {
	var o options
	var faults []web.Fault
	for name, values := range query {
		value := values[0]
		switch {
		case len(values) > 1:
			faults = append(faults, web.Fault{Pointer: "?" + name, Code: "invalid", Detail: "found more than once, allowed once"})
		case name == "dry_run" && (value == "true" || value == "false"):
			o.dryRun = value == "true"
		case name == "dry_run":
			faults = append(faults, web.Fault{Pointer: "?dry_run", Code: "invalid", Detail: "allowed: true or false"})
		case name == "wait" && value == "projected":
			o.wait = true
		case name == "wait":
			faults = append(faults, web.Fault{Pointer: "?wait", Code: "invalid", Detail: "allowed: projected"})
		default:
			faults = append(faults, web.Fault{Pointer: "?", Code: "invalid", Detail: "an unknown parameter; known are dry_run and wait"})
		}
	}
	if len(faults) > 0 {
		return o, &web.Error{Code: web.CodeInvalid, Message: "The query can't be read. Nothing was stored.", Faults: faults}
	}
	return o, nil
}

// postEvents serves POST /v1/events.
func (s *Service) postEvents(w http.ResponseWriter, r *http.Request) {
	actor, ok := access.FromContext(r.Context())
	if !ok {
		web.WriteError(w, r, errors.New("publish without an actor: the route isn't behind access.Require"))
		return
	}
	o, err := parseOptions(r.URL.Query())
	if err != nil {
		web.WriteError(w, r, err)
		return
	}
	if o.wait && s.cfg.Projection == nil {
		web.WriteError(w, r, &web.Error{Code: web.CodeUnavailable, Message: "This service can't wait for rows. Send without wait=projected."})
		return
	}
	sent, err := items(r)
	if err != nil {
		web.WriteError(w, r, err)
		return
	}
	release, err := s.slot(r.Context(), actor.Source)
	if err != nil {
		web.WriteError(w, r, err)
		return
	}
	defer release()
	receipt, failure := s.take(r.Context(), actor, sent, o)
	release()
	if o.wait && !o.dryRun {
		s.await(r.Context(), receipt)
	}
	receipt.answer(w, r, failure)
}

// Events are published in groups of this size: many under way at once, few held
// in memory.
const (
	groupEvents = 256
	groupBytes  = 2 << 20
)

// take checks and publishes events in their order. It stops where the body is at
// fault, or where the log takes no more.
func (s *Service) take(ctx context.Context, actor access.Actor, sent iter.Seq2[item, error], o options) (*Receipt, *web.Error) {
	receipt := &Receipt{DryRun: o.dryRun, Results: []Result{}}
	var failure *web.Error
	var group []item
	bytes := 0
	for one, err := range sent {
		if err != nil {
			failure = asWebError(err)
			break
		}
		group = append(group, one)
		bytes += len(one.body)
		if len(group) == groupEvents || bytes >= groupBytes {
			s.publish(ctx, actor, group, o.dryRun, receipt)
			group, bytes = nil, 0
			if receipt.NotStored > 0 {
				break
			}
		}
	}
	s.publish(ctx, actor, group, o.dryRun, receipt)
	return receipt, failure
}

func asWebError(err error) *web.Error {
	var e *web.Error
	if errors.As(err, &e) {
		return e
	}
	return &web.Error{Code: web.CodeInvalid, Message: "The body could not be read."}
}

// publish adds the result of each event of a group to the receipt.
func (s *Service) publish(ctx context.Context, actor access.Actor, group []item, dryRun bool, receipt *Receipt) {
	results := make([]Result, len(group))
	types := make([]events.Type, len(group))
	var out []stream.Outgoing
	var at []int // which of the group each of out is
	listed := 0
	for _, r := range receipt.Results {
		listed += len(r.Problems) + len(r.Confirm)
	}
	for i, one := range group {
		event, problems := s.check(actor, one)
		types[i] = event.Type
		results[i] = Result{Index: one.index, Line: one.line, ID: event.ID}
		if len(problems) > 0 {
			if listed > maxProblems {
				problems = problems[:1]
			}
			listed += len(problems)
			results[i].Status, results[i].Problems = Refused, problems
			continue
		}
		results[i].Status = Valid
		if confirm := event.Confirmations(); listed+len(confirm) <= maxProblems {
			results[i].Confirm = confirm
			listed += len(confirm)
		}
		if !dryRun {
			out = append(out, outgoing(event, one))
			at = append(at, i)
		}
	}
	for i, stored := range s.send(ctx, out) {
		settle(&results[at[i]], stored)
	}
	for i, r := range results {
		s.metrics.count(r.Status, types[i])
		receipt.add(r)
	}
}

// check decodes an event and holds it against the sender's own source and
// departments.
func (s *Service) check(actor access.Actor, one item) (events.Event, []events.Problem) {
	if one.tooLong {
		return events.Event{}, []events.Problem{tooLong(fmt.Sprintf("more than %d bytes", events.MaxBytes), events.MaxBytes)}
	}
	event, problems := events.Decode(one.header, one.body)
	problems = append(problems, foreign(actor, event)...)
	if len(problems) == 0 {
		problems = event.CheckTime(s.cfg.Now())
	}
	return event, problems
}

func tooLong(found string, allowed int) events.Problem {
	return events.Problem{Code: events.CodeNotJSON, Detail: fmt.Sprintf("found an event of %s, allowed %d", found, allowed)}
}

// foreign names what an event says on behalf of somebody else. Attributes that
// could not be read are left to the decoder's problems.
func foreign(actor access.Actor, e events.Event) []events.Problem {
	var problems []events.Problem
	if e.Source != "" && e.Source != actor.Source {
		problems = append(problems, events.Problem{Pointer: "/source", Code: events.CodeForeign,
			Detail: fmt.Sprintf("source: found %q, allowed %q, the source of your token", e.Source, actor.Source)})
	}
	if e.Department != "" && !actor.InDepartment(e.Department) {
		problems = append(problems, events.Problem{Pointer: "/department", Code: events.CodeForeign,
			Detail: fmt.Sprintf("department: found %q, allowed the departments of your token", e.Department)})
	}
	var target events.Code
	switch d := e.Data.(type) {
	case *events.EventAmended:
		target = d.TargetSource
	case *events.EventRetracted:
		target = d.TargetSource
	}
	if target != "" && string(target) != actor.Source && actor.Source != access.DeskSource {
		problems = append(problems, events.Problem{Pointer: "/data/target_source", Code: events.CodeForeign,
			Detail: fmt.Sprintf("target_source: found %q, allowed %q: a source corrects its own events", target, actor.Source)})
	}
	return problems
}

func outgoing(e events.Event, one item) stream.Outgoing {
	noun, participle, _, _ := e.Type.Parts() // of a known type, so it has them
	return stream.Outgoing{
		Subject:   stream.Subject(e.Source, e.Department, noun, participle),
		MessageID: e.MessageID(),
		Header:    one.header,
		Data:      one.body,
	}
}

// send publishes, and logs once why events weren't taken.
func (s *Service) send(ctx context.Context, out []stream.Outgoing) []stream.Result {
	if len(out) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, s.cfg.PublishWithin)
	defer cancel()
	done := s.metrics.timer()
	results := s.cfg.Publisher.PublishBatch(ctx, out)
	done()
	lost := 0
	var why error
	for _, r := range results {
		if r.Err != nil && !isTooLarge(r.Err) {
			lost++
			why = r.Err
		}
	}
	if lost > 0 {
		// The outer text names the event, which the log must not.
		if cause := errors.Unwrap(why); cause != nil {
			why = cause
		}
		s.cfg.Logger.LogAttrs(ctx, slog.LevelError, "events not stored", slog.String("request_id", web.RequestID(ctx)),
			slog.Int("events", lost), slog.String("error", why.Error()))
	}
	return results
}

func isTooLarge(err error) bool {
	var large *stream.TooLargeError
	return errors.As(err, &large)
}

// settle writes what the log said about an event into its result.
func settle(r *Result, stored stream.Result) {
	var large *stream.TooLargeError
	switch {
	case errors.As(stored.Err, &large):
		r.Status, r.Confirm = Refused, nil
		r.Problems = []events.Problem{tooLong(fmt.Sprintf("%d bytes with its headers", large.Bytes), large.Limit)}
	case stored.Err != nil:
		r.Status, r.Confirm = NotStored, nil
	case stored.Kept:
		r.Status = Kept
	case stored.Duplicate:
		r.Status, r.Sequence = Duplicate, stored.Sequence
	default:
		r.Status, r.Sequence = Stored, stored.Sequence
	}
}

// await fills in the dispositions of what was stored, as far as they are known
// in time. The events are stored either way.
func (s *Service) await(ctx context.Context, receipt *Receipt) {
	sequences := receipt.sequences()
	all := receipt.Kept == 0
	if len(sequences) == 0 {
		if !all {
			receipt.Projected = &all
		}
		return
	}
	ctx, cancel := context.WithTimeout(ctx, s.cfg.WaitWithin)
	defer cancel()
	dispositions, err := s.cfg.Projection.Projected(ctx, sequences)
	if err != nil {
		s.cfg.Logger.LogAttrs(ctx, slog.LevelWarn, "rows not awaited to the end", slog.String("request_id", web.RequestID(ctx)), slog.String("error", err.Error()))
	}
	for i := range receipt.Results {
		r := &receipt.Results[i]
		if r.Sequence == 0 {
			continue
		}
		r.Disposition = dispositions[r.Sequence]
		all = all && r.Disposition != ""
	}
	receipt.Projected = &all
}
