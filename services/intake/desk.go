package intake

import (
	"context"
	"fmt"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/services/access"
	"lensledger/services/web"
)

// PublishAs stores one event that an actor made on our own pages or routes: a
// review, a chart's design or restart, a correction; while the log is away a spool
// keeps it, and the result says so. Its source must be
// access.DeskSource and its department one of the actor's; who may do it at all
// the access matrix says. Failures are *web.Error: refused, with a fault for
// each problem (pointers into the event), or unavailable, and then the event
// may be published again with the same id.
func (s *Service) PublishAs(ctx context.Context, actor access.Actor, e events.Event) (Result, error) {
	actor.Source = access.DeskSource
	one := item{header: structuredHeader, body: e.Encode()}
	// What was typed in is checked like what is sent in.
	e, problems := s.check(actor, one)
	if len(problems) > 0 {
		s.metrics.count(Refused, e.Type)
		return Result{}, refused(problems)
	}
	result := Result{ID: e.ID, Confirm: e.Confirmations()}
	settle(&result, s.send(ctx, []stream.Outgoing{outgoing(e, one)})[0])
	s.metrics.count(result.Status, e.Type)
	switch result.Status {
	case Refused:
		return Result{}, refused(result.Problems)
	case NotStored:
		return Result{}, &web.Error{Code: web.CodeUnavailable, Message: "The log doesn't take events for the moment. Nothing is lost: try again."}
	}
	return result, nil
}

func refused(problems []events.Problem) *web.Error {
	faults := make([]web.Fault, len(problems))
	for i, p := range problems {
		faults[i] = web.Fault(p)
	}
	return &web.Error{Code: web.CodeRefused, Message: fmt.Sprintf("%d problems; nothing was stored.", len(problems)), Faults: faults}
}
