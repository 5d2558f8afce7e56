package analytics

import (
	"container/list"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"slices"
	"sync"
	"time"

	"lensledger/events"
	"lensledger/projections/measure"
	"lensledger/services/web"
)

// postDesign serves POST /v1/designs: the chart calculator.
func (s *Service) postDesign(w http.ResponseWriter, r *http.Request) {
	var request measure.DesignRequest
	given, err := readBody(r, &request)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if faults := zeros(request, given); len(faults) > 0 {
		s.fail(w, r, refused(faults...))
		return
	}
	design, err := s.asked.get(r.Context(), request)
	if err != nil {
		names, _ := fieldsOf(reflect.ValueOf(request))
		s.fail(w, r, argumentError(err, names))
		return
	}
	web.WriteJSON(w, http.StatusOK, design)
}

// zeros refuses a 0 or an empty list that was sent where the measure would read
// it as not given. A head start of 0 and a steady state not asked for mean just
// that.
func zeros(request measure.DesignRequest, given map[string]bool) []web.Fault {
	names, fields := fieldsOf(reflect.ValueOf(request))
	var faults []web.Fault
	for i, name := range names {
		empty := fields[i].IsZero() || fields[i].Kind() == reflect.Slice && fields[i].Len() == 0
		if given[name] && empty && fields[i].Kind() != reflect.Bool && name != "head_start" {
			allowed, ok := allowedEmpty[name]
			if !ok {
				allowed = "more than 0"
			}
			faults = append(faults, web.Fault{Pointer: "/" + name, Code: events.CodeOutOfRange,
				Detail: fmt.Sprintf("%s: found nothing, allowed %s", name, allowed)})
		}
	}
	return slices.Clip(faults)
}

// allowedEmpty says what a list or a word wants.
var allowedEmpty = map[string]string{
	"case_mix":     "at least one risk with its share",
	"risks":        "at least one risk",
	"alarm_within": "at least one number of cases",
	"kind":         "detection or competence or boundary",
	"direction":    "up or down",
}

// designs works charts out, few at a time, and remembers the latest: some take
// seconds, and the same ones are asked for again and again.
type designs struct {
	slots chan struct{}

	mu     sync.Mutex
	known  map[string]*list.Element // of latest, by request
	latest *list.List               // of *worked, the one used last in front
}

type worked struct {
	request string
	design  measure.Design
	err     error // a refusal takes as long to find as an answer
}

const (
	designsKept    = 256
	designsAtATime = 2
	designWait     = 5 * time.Second
)

func newDesigns() *designs {
	return &designs{slots: make(chan struct{}, designsAtATime), known: map[string]*list.Element{}, latest: list.New()}
}

// get gives the chart that was asked for. Its lists are shared and stay as they
// are.
func (d *designs) get(ctx context.Context, request measure.DesignRequest) (measure.Design, error) {
	key, err := json.Marshal(request)
	if err != nil {
		return measure.Design{}, fmt.Errorf("design: %w", err)
	}
	if w, ok := d.find(string(key)); ok {
		return w.design, w.err
	}
	wait := time.NewTimer(designWait)
	defer wait.Stop()
	select {
	case d.slots <- struct{}{}:
		defer func() { <-d.slots }()
	case <-wait.C:
		return measure.Design{}, &web.Error{Code: web.CodeUnavailable, Message: "Other charts are being worked out. Try again."}
	case <-ctx.Done():
		return measure.Design{}, ctx.Err()
	}
	if w, ok := d.find(string(key)); ok {
		return w.design, w.err
	}
	w := &worked{request: string(key)}
	w.design, w.err = measure.NewDesign(request)
	d.keep(w)
	return w.design, w.err
}

func (d *designs) find(request string) (*worked, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	e, ok := d.known[request]
	if !ok {
		return nil, false
	}
	d.latest.MoveToFront(e)
	return e.Value.(*worked), true
}

func (d *designs) keep(w *worked) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, ok := d.known[w.request]; ok {
		return
	}
	d.known[w.request] = d.latest.PushFront(w)
	if d.latest.Len() > designsKept {
		oldest := d.latest.Back()
		delete(d.known, d.latest.Remove(oldest).(*worked).request)
	}
}
