package analytics

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"lensledger/events"
	"lensledger/projections/archive"
)

func (r *registry) testCase(t *testing.T) {
	var c caseRecord
	got := r.call(t, "trainee", "GET", "/v1/cases/HB-900", "")
	got.into(t, &c)
	if c.Case != "HB-900" || !slices.Equal(c.Merged, []string{"HB-901"}) || c.Patient != "P-7" || c.Eye != "right" || !c.Counts || c.Excluded != "" ||
		c.OperatedOn == nil || *c.OperatedOn != "2025-03-12" || c.OperatingSeconds == nil || *c.OperatingSeconds != 2400 {
		t.Errorf("%s", got.body)
	}
	if !slices.Equal(c.Operators, []string{"S-014", "S-001"}) || c.TakenOver == nil || !*c.TakenOver || c.ResponsibleConsultant != "S-001" || c.Supervision != "scrubbed" {
		t.Errorf("%s", got.body)
	}
	// Recorded before the hand-over, no cause named: whoever operated last before
	// it is at cause.
	if c.Rupture == nil || *c.Rupture != (rupture{Step: "sculpting", Vitreous: "loss", Cause: "S-014"}) || len(c.Complications) != 1 {
		t.Errorf("%+v %+v", c.Rupture, c.Complications)
	}
	// A man of 75: composite 1.8176, under the recalibrated model.
	if c.Expected == nil || math.Abs(c.Expected.CompositeOddsRatio-1.8176) > 1e-9 || c.Expected.Version != recalibrated.Version ||
		!(c.Expected.Risk < 0.013298) || slices.Contains(c.Expected.Unknown, "sex") || !slices.Contains(c.Expected.Unknown, "pupil") {
		t.Errorf("%+v", c.Expected)
	}
	if len(c.Steps) != 2 || c.Steps[0].Step != "capsulorhexis" || c.Steps[0].Seconds == nil || *c.Steps[0].Seconds != 240 || c.Steps[1].Seconds != nil {
		t.Errorf("%+v", c.Steps)
	}
	if h := c.HandOvers; len(h) != 1 || h[0].From != "S-014" || h[0].To != "S-001" || h[0].Planned != nil || h[0].Unplanned == nil || !*h[0].Unplanned {
		t.Errorf("%+v", h)
	}
	// As amended.
	if l := c.Implant; l == nil || l.PowerD == nil || *l.PowerD != 22.5 || l.Site != "sulcus" || l.CylinderD != nil {
		t.Errorf("%+v", l)
	}
	if !slices.Equal(c.Conflicts, []identity{{"ehr-harbour", "full-dye"}}) || c.Retracted != 1 {
		t.Errorf("conflicts %v, %d retracted", c.Conflicts, c.Retracted)
	}
	amended := slices.IndexFunc(c.Timeline, func(e timelineEvent) bool { return e.Amended })
	if len(c.Timeline) != 12 || amended < 0 || c.Timeline[amended].ID != "full-lens" || string(c.Timeline[amended].Data) != `{"lens_model":"INVENTED-1","power_d":22.5,"site":"sulcus"}` {
		t.Errorf("%d events in the timeline, %d", len(c.Timeline), amended)
	}
	if !strings.Contains(got.body, `"started_at":"2025-03-12T10:00:00+01:00"`) {
		t.Error("the start has lost its offset")
	}
	// The other code gives the same record.
	if other := r.call(t, "quality", "GET", "/v1/cases/HB-901", ""); other.body != got.body {
		t.Errorf("%s", other.body)
	}
	// A case with nothing but a start and an end.
	r.call(t, "quality", "GET", "/v1/cases/HB-001", "").into(t, &c)
	r.call(t, "quality", "GET", "/v1/cases/HB-900?as_of=7&as-of=9", "").problem(t, 400, "invalid")
}

func (r *registry) testCaseEvents(t *testing.T) {
	var all caseEvents
	got := r.call(t, "quality", "GET", "/v1/cases/HB-900/events", "")
	got.into(t, &all)
	sent := fullCase()
	if len(all.Events) != len(sent) || all.N != len(sent) || all.Next != nil {
		t.Fatalf("%d events, want %d", len(all.Events), len(sent))
	}
	for i, e := range all.Events {
		want := sent[i]
		if e.ID != want.ID || e.Body != string(want.Encode()) || e.Hash != want.Hash().String() || i > 0 && e.Sequence <= all.Events[i-1].Sequence {
			t.Errorf("%d: %+v", i, e)
		}
	}
	// Page by page it is the same.
	var paged []archive.Stored
	path := "/v1/cases/HB-900/events?limit=5"
	for path != "" {
		got := r.call(t, "trainee", "GET", path, "")
		var page caseEvents
		got.into(t, &page)
		paged = append(paged, page.Events...)
		link, _, found := strings.Cut(strings.TrimPrefix(got.header.Get("Link"), "<"), ">; rel=\"next\"")
		if path = ""; found {
			path = link
		}
		if found != (page.Next != nil) || len(page.Events) > 5 || len(paged) > 100 {
			t.Fatalf("%s %v", got.header.Get("Link"), page.Next)
		}
	}
	if a, b := fmt.Sprint(paged), fmt.Sprint(all.Events); a != b {
		t.Errorf("paged %d events:\n%s\n%s", len(paged), a, b)
	}
	// The sender gets what it sent under the code.
	r.call(t, "integrator", "GET", "/v1/cases/HB-901/events", "").into(t, &all)
	if all.Case != "HB-901" || len(all.Events) != 1 || all.Events[0].ID != "other-booked" {
		t.Errorf("%+v", all)
	}
	for query, pointer := range map[string]string{"limit=0": "?limit", "limit=501": "?limit", "limit=x": "?limit", "after=17": "?after", "after=": "?after", "after=x": "?after"} {
		if p := r.call(t, "quality", "GET", "/v1/cases/HB-900/events?"+query, "").problem(t, 400, "invalid"); len(p.Errors) != 1 || p.Errors[0].Pointer != pointer {
			t.Errorf("%s: %+v", query, p.Errors)
		}
	}
}

// What comes over HTTP is answered from the record once it is projected.
func (r *registry) postEvent(t *testing.T, e events.Event) (receipt struct{ Stored, Refused int }) {
	t.Helper()
	got := r.call(t, "integrator", "POST", "/v1/events", string(e.Encode()), "Content-Type", events.ContentTypeEvent)
	if err := json.Unmarshal([]byte(got.body), &receipt); err != nil {
		t.Fatal(err)
	}
	return receipt
}
