package portal

import (
	"context"
	"fmt"
	"net/http"
	"strings"

	"lensledger/events"
	"lensledger/services/access"
	"lensledger/services/intake"
	"lensledger/services/web"
)

// Checker says what would become of events without storing them, by the steps of
// POST /v1/events?dry_run=true; *intake.Service is one.
type Checker interface {
	Check(ctx context.Context, actor access.Actor, text string) (*intake.Receipt, string, *web.Error)
}

// maxCheckBytes bounds the form: an event may have 256 KB, and a form writes each
// sign of its JSON as three.
const maxCheckBytes = 2 << 20

// checkedShown bounds the results that a page lists.
const checkedShown = 100

// checkView is the form for pasted events, and what was found in them.
type checkView struct {
	Text    string
	Problem string // the text as a whole can't be read
	Answer  string // empty before anything was checked
	Results []checkedView
	Hidden  int // results that aren't listed
}

// checkedView is what was found in one event.
type checkedView struct {
	Name, Answer string
	Problems     []checkedProblem
}

// checkedProblem is a fault and its place; Place is empty for the event as a whole.
type checkedProblem struct{ Place, Words string }

func (s *Service) checker() Checker {
	c, _ := s.cfg.Desk.(Checker)
	return c
}

// checkEvents serves POST /intake/check: nothing is stored, and what was pasted stays
// in the form.
func (s *Service) checkEvents(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	checker := s.checker()
	if checker == nil {
		return &web.Error{Code: web.CodeUnavailable, Message: "Events can't be checked through this service. Ask whoever runs it."}
	}
	if err := r.ParseForm(); err != nil {
		return web.BodyError(err)
	}
	view := &checkView{Text: r.PostForm.Get("events")}
	if strings.TrimSpace(view.Text) == "" {
		view.Problem = "The field is empty: paste one event, a list of events, or one event a line."
		return s.intakePage(w, r, actor, http.StatusUnprocessableEntity, "", view)
	}
	receipt, form, failure := checker.Check(r.Context(), actor, view.Text)
	view.found(*receipt, form, failure)
	status := http.StatusOK
	if failure != nil || receipt.Refused > 0 {
		status = http.StatusUnprocessableEntity
	}
	return s.intakePage(w, r, actor, status, "", view)
}

// found words a receipt.
func (v *checkView) found(receipt intake.Receipt, form string, failure *web.Error) {
	if failure != nil {
		v.Problem = failure.Message
	}
	if n := len(receipt.Results); n > 0 {
		v.Answer = fmt.Sprintf("Read as %s: %s would be taken, %s refused. Nothing was stored.", form, whole(receipt.Valid), whole(receipt.Refused))
	}
	for i, result := range receipt.Results {
		if i == checkedShown {
			v.Hidden = len(receipt.Results) - checkedShown
			break
		}
		v.Results = append(v.Results, checked(result))
	}
}

func checked(r intake.Result) checkedView {
	v := checkedView{Name: "Event " + whole(r.Index+1), Answer: "Would be taken."}
	if r.Line > 0 {
		v.Name += ", line " + whole(r.Line)
	}
	if r.ID != "" {
		v.Name += ", id " + r.ID
	}
	if r.Status == intake.Refused {
		v.Answer = "Would be refused: " + plural(len(r.Problems), "problem", "problems") + "."
	}
	add := func(list []events.Problem, before string) {
		for _, p := range list {
			words := before + p.Detail
			if todo := reasonWords[p.Code].todo; todo != "" && before == "" {
				words += ". " + todo
			}
			v.Problems = append(v.Problems, checkedProblem{p.Pointer, words})
		}
	}
	add(r.Problems, "")
	add(r.Confirm, "it would be taken, but please look again: ")
	return v
}
