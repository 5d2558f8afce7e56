package intake

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"iter"
	"strings"

	"lensledger/events/stream"
	"lensledger/services/access"
	"lensledger/services/web"
)

// Forms in which events can be pasted.
const (
	FormOne   = "one event"
	FormBatch = "a list of events"
	FormLines = "one event a line"
)

// Check says what POST /v1/events?dry_run=true would say of the events in a text, by
// the same steps, and stores nothing: one event, a JSON list of them, or one event a
// line, whichever the text looks like. form is which. The error, which may be nil, is
// why the receipt ends early.
func (s *Service) Check(ctx context.Context, actor access.Actor, text string) (receipt *Receipt, form string, failure *web.Error) {
	form, sent := pasted(text)
	release, err := s.slot(ctx, actor.Source)
	if err != nil {
		return &Receipt{DryRun: true, Results: []Result{}}, form, asWebError(err)
	}
	defer release()
	receipt, failure = s.take(ctx, actor, sent, options{dryRun: true})
	if failure == nil && len(receipt.Results) == 0 {
		failure = noEvent()
	}
	return receipt, form, failure
}

// pasted finds out in which form events were pasted. What is broken is taken for one
// event, whose problem says where, unless its first line is a whole one.
func pasted(text string) (string, iter.Seq2[item, error]) {
	sent := func() io.Reader { return strings.NewReader(text) }
	trimmed := strings.TrimSpace(text)
	if trimmed == "" || strings.HasPrefix(trimmed, "[") {
		return FormBatch, batch(sent())
	}
	first, _, more := strings.Cut(trimmed, "\n")
	if more && !json.Valid([]byte(trimmed)) && json.Valid(bytes.TrimSpace([]byte(first))) {
		return FormLines, lines(sent())
	}
	return FormOne, single(strings.NewReader(trimmed), structuredHeader)
}

// SpoolState says what the spool holds; nil where there is none.
func (s *Service) SpoolState() (*stream.SpoolState, error) {
	if s.cfg.Spool == nil {
		return nil, nil
	}
	state, err := s.cfg.Spool.State()
	return &state, err
}
