package analytics

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"strings"
	"testing"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/department"
)

// TestFigureDesk asks for what leaves the departments, from the choice of departments
// to a release made again. Its parts publish, and run in their order.
func TestFigureDesk(t *testing.T) {
	r := newRegistry(t)
	r.publish(t, figureScenario()...)
	t.Run("a choice gives nothing away", r.testChoice)
	t.Run("manifests", r.testManifests)
	t.Run("changes", r.testFigureChanges)
	t.Run("cases left out", r.testCasesLeftOut)
	t.Run("releases", r.testReleases)
}

// PUBLISHED's 15 ruptures aren't few. Shown alone they would be what HARBOUR's 3 lack
// of the 18 together.
func (r *registry) testChoice(t *testing.T) {
	for _, c := range []struct{ who, choice, want string }{
		{"quality", "PUBLISHED", "PUBLISHED 148 15, * 148 15, "},
		{"auditor", "PUBLISHED", "PUBLISHED 148 -, * 148 -, "},
		{"auditor", "HARBOUR", "HARBOUR 61 -, * 61 -, "},
		{"auditor", "PUBLISHED,HARBOUR", "HARBOUR 61 -, PUBLISHED 148 -, * 209 18, "},
		{"auditor", "HARBOUR,HARBOUR", "HARBOUR 61 -, * 61 -, "},
	} {
		f, _ := r.figures(t, c.who, figureYear+"&departments="+c.choice)
		got := ""
		for _, row := range append(f.Rows, f.Total) {
			got += row.Department + " " + value(row.Operations) + " " + value(row.CapsuleRupture.Events) + ", "
		}
		if got != c.want {
			t.Errorf("%s of %s: %s, want %s", c.who, c.choice, got, c.want)
		}
	}
	for _, choice := range []string{"INLAND", "NOWHERE", "HARBOUR,", ""} {
		p := r.call(t, "auditor", "GET", "/v1/figures?"+figureYear+"&departments="+choice, "").problem(t, 400, "invalid")
		if len(p.Errors) != 1 || p.Errors[0].Pointer != "?departments" || !strings.Contains(p.Errors[0].Detail, "HARBOUR, PUBLISHED") {
			t.Errorf("%q: %+v", choice, p.Errors)
		}
	}
}

// manifest asks for a manifest and holds it against the bytes that it describes.
func (r *registry) manifest(t *testing.T, who, query, form string) department.Manifest {
	t.Helper()
	var m department.Manifest
	r.call(t, who, "GET", "/v1/figures/manifest?"+query+"&form="+form, "").into(t, &m)
	a := r.call(t, who, "GET", m.Address, "", "Accept", map[string]string{"csv": mediaCSV, "json": mediaJSON}[form])
	sum := sha256.Sum256([]byte(a.body))
	if m.SHA256 != hex.EncodeToString(sum[:]) || m.Bytes != len(a.body) || m.Form != form || m.Query.AsOf != m.AsOf.Position {
		t.Errorf("%s: %+v for %d bytes", form, m, len(a.body))
	}
	return m
}

func (r *registry) testManifests(t *testing.T) {
	for _, form := range department.Forms {
		m := r.manifest(t, "auditor", figureYear+"&departments=HARBOUR", form)
		if m.Rows != 2 || value(m.Operations) != "61" || m.Definition != department.Definition || fmt.Sprint(m.Query.Departments, m.Among) != "[HARBOUR] [HARBOUR PUBLISHED]" ||
			m.Suppressed == 0 || m.Query.AsOf != r.last(t) {
			t.Errorf("%+v", m)
		}
	}
	r.call(t, "auditor", "GET", "/v1/figures/manifest?"+figureYear+"&form=xlsx", "").problem(t, 400, "invalid")
}

func (r *registry) changes(t *testing.T, who, query string) department.FigureChanges {
	t.Helper()
	a := r.call(t, who, "GET", "/v1/figures/changes?"+figureYear+"&"+query, "")
	if a.status != 200 {
		t.Fatalf("%s: %d %s", query, a.status, a.body)
	}
	var c department.FigureChanges
	a.into(t, &c)
	return c
}

// changeOf is a number of a row as "before>after difference reasons".
func changeOf(t *testing.T, row department.ChangedRow, figure string) string {
	t.Helper()
	for _, f := range row.Figures {
		if f.Figure == figure {
			return value(f.Before) + ">" + value(f.After) + " " + value(f.Difference) + " " + fmt.Sprint(f.Why)
		}
	}
	t.Fatalf("no figure %s", figure)
	return ""
}

func (r *registry) testFigureChanges(t *testing.T) {
	first := r.last(t)
	var late []events.Event
	for i := range 12 {
		late = append(late, operation("HARBOUR", fmt.Sprintf("HB-9%02d", i), "S-300", day(60+i, 9, 0), false)...)
	}
	r.publish(t, late...)
	second := r.last(t)
	seen := &events.FollowupAcuity{Acuity: []events.Acuity{{Correction: "corrected", LogMARHundredths: events.Some[int64](10)}}}
	r.publish(t,
		retraction("HB-010", "HB-010-infected"),
		eventOf("HARBOUR", "amended", "HB-057", day(80, 9, 0), events.TypeEventAmended, &events.EventAmended{TargetSource: "ehr-harbour", TargetID: "HB-057-rupture",
			TargetType: events.TypeComplicationRecorded, Data: events.RawOf(&events.ComplicationRecorded{Kind: "iris-trauma"})}),
		eventOf("HARBOUR", "HB-803-acuity", "HB-803", day(52+35, 8, 0), events.TypeFollowupAcuity, seen),
		eventOf("HARBOUR", "HB-011-acuity", "HB-011", day(2+11, 8, 0).AddDate(0, 0, 35), events.TypeFollowupAcuity, seen), // the other content says 0
		eventOf("HARBOUR", "HB-802-end", "HB-802", day(21, 9, 20), events.TypeCaseFinished, &events.CaseFinished{}))
	third := r.last(t)

	own := r.changes(t, "quality", fmt.Sprintf("before=%d", first))
	if len(own.Rows) != 2 || own.Before.Position != first || own.After.Position != third {
		t.Fatalf("%+v", own)
	}
	harbour, other := own.Rows[0], own.Rows[1]
	for figure, want := range map[string]string{
		"operations":                           "61>74 13 map[came-later:12 more-recorded:1]",
		"excluded.not-finished":                "1>0 -1 map[more-recorded:1]",
		"capsule_rupture.events":               "3>2 -1 map[corrected:1]",
		"complications.any.events":             "3>3 0 map[]",
		"complications.endophthalmitis.events": "2>1 -1 map[retracted:1]",
		"vision.at_0_30_or_better.n":           "60>60 0 map[came-in-conflict:1 follow-up-arrived:1]", // one came, one is in doubt
		"vision.visual_loss.n":                 "60>59 -1 map[came-in-conflict:1]",
	} {
		if got := changeOf(t, harbour, figure); got != want {
			t.Errorf("%s: %s, want %s", figure, got, want)
		}
	}
	want := map[string]int{"came-later": 12, "retracted": 1, "corrected": 1, "came-in-conflict": 1, "follow-up-arrived": 1, "more-recorded": 1}
	if !maps.Equal(harbour.Cases, want) || !maps.Equal(own.Total.Cases, want) || other.Cases == nil || len(other.Cases) != 0 {
		t.Errorf("%v %v %v", harbour.Cases, own.Total.Cases, other.Cases)
	}
	then, _ := r.figures(t, "quality", fmt.Sprintf("%s&as_of=%d", figureYear, first))
	now, _ := r.figures(t, "quality", figureYear)
	if got, want := changeOf(t, own.Total, "operations"), value(then.Total.Operations)+">"+value(now.Total.Operations)+" 13 map[came-later:12 more-recorded:1]"; got != want {
		t.Errorf("%s, the figures say %s", got, want)
	}
	// Between two moments of the past nothing later counts.
	if c := r.changes(t, "quality", fmt.Sprintf("before=%d&after=%d&departments=HARBOUR", first, second)); len(c.Rows) != 1 || changeOf(t, c.Rows[0], "operations") != "61>73 12 map[came-later:12]" ||
		changeOf(t, c.Total, "capsule_rupture.events") != "3>3 0 map[]" {
		t.Errorf("%+v", c.Rows)
	}

	// 12 cases that came later are no small number; of 13, of which one is more, none is told.
	half := r.changes(t, "auditor", fmt.Sprintf("before=%d&after=%d", first, second))
	if got := changeOf(t, half.Rows[0], "operations"); got != "61>73 12 map[came-later:12]" || !maps.Equal(half.Rows[0].Cases, map[string]int{"came-later": 12}) {
		t.Errorf("%s %v", got, half.Rows[0].Cases)
	}
	left := r.changes(t, "auditor", fmt.Sprintf("before=%d", first))
	for figure, want := range map[string]string{"operations": "61>74 13 map[]", "capsule_rupture.events": "->- - map[]", "complications.endophthalmitis.events": "->- - map[]"} {
		if got := changeOf(t, left.Rows[0], figure); got != want {
			t.Errorf("%s: %s, want %s", figure, got, want)
		}
	}
	for _, f := range left.Rows[0].Figures {
		if f.Figure == "operations" && f.Why != nil {
			t.Error("one case in thirteen is told")
		}
		// One eye fewer: the number before would give it away.
		if f.Figure == "vision.visual_loss.n" && (f.Before != nil || f.Difference != nil || value(f.After) != "59") {
			t.Errorf("%+v", f)
		}
	}
	if left.Rows[0].Cases != nil || left.Total.Cases != nil {
		t.Errorf("%v %v", left.Rows[0].Cases, left.Total.Cases)
	}
	for query, pointer := range map[string]string{"": "?before", "before=yesterday": "?before", "before=999999": "?before", "before=1&after=2099-13": "?after",
		fmt.Sprintf("before=%d&after=%d", second, first): "?after", "before=1&as_of=2": "?"} {
		if p := r.call(t, "auditor", "GET", "/v1/figures/changes?"+figureYear+"&"+query, "").problem(t, 400, "invalid"); len(p.Errors) != 1 || p.Errors[0].Pointer != pointer {
			t.Errorf("%q: %+v", query, p.Errors)
		}
	}
	r.call(t, "trainer", "GET", "/v1/figures/changes?"+figureYear+"&before=1", "").problem(t, 403, "forbidden")
}

func (r *registry) testCasesLeftOut(t *testing.T) {
	leftOut := func(who, query string) department.LeftOut {
		t.Helper()
		f, _ := r.figures(t, who, figureYear+query)
		var b department.Benchmarks
		r.call(t, who, "GET", "/v1/departments/HARBOUR/benchmarks?"+figureYear+query, "").into(t, &b)
		var u department.Funnel
		r.call(t, who, "GET", "/v1/funnels/capsule-rupture?"+figureYear+query, "").into(t, &u)
		for name, other := range map[string]department.LeftOut{"benchmarks": b.LeftOut, "funnel": u.LeftOut, "all departments": f.LeftOut} {
			if fmt.Sprintf("%+v", other) != fmt.Sprintf("%+v", f.Rows[0].LeftOut) {
				t.Errorf("%s: %+v, the row of figures %+v", name, other, f.Rows[0].LeftOut)
			}
		}
		return f.Rows[0].LeftOut
	}
	is := func(l department.LeftOut, cases, inConflict, waiting, unreadable int) bool {
		return l.Cases == cases && l.CasesInConflict == inConflict && l.Waiting == waiting && l.Unreadable == unreadable && l.InConflict == 1
	}
	if l := leftOut("auditor", ""); !is(l, 1, 1, 0, 0) {
		t.Errorf("the acuity of HB-011 came with two contents: %+v", l)
	}
	before := r.last(t)
	subject := func(noun, participle string) string {
		return stream.Subject("ehr-harbour", "HARBOUR", noun, participle)
	}
	event := func(id, code, kind, data string) []byte {
		return fmt.Appendf(nil, `{"specversion":"1.0","id":%q,"source":"ehr-harbour","type":"lensledger.%s.v1","subject":%q,"department":"HARBOUR","time":"2025-03-12T10:00:00+00:00","data":%s}`, id, kind, code, data)
	}
	r.send(t,
		stream.Outgoing{Subject: subject("complication", "recorded"), MessageID: "w1", Data: event("w1", "HB-012", "complication.recorded", `{"kind":"posterior-capsule-rupture","vitreous":"gel"}`)},
		stream.Outgoing{Subject: subject("complication", "recorded"), MessageID: "w2", Data: event("w2", "HB-011", "complication.recorded", `{"kind":"posterior-capsule-rupture","vitreous":"gel"}`)},
		stream.Outgoing{Subject: subject("case", "started"), MessageID: "w3", Data: event("w3", "HB-012", "case.started", `{"first_operator":"S-300","anaesthesia":["topical","magic"]}`)},
		stream.Outgoing{Subject: subject("case", "started"), MessageID: "w4", Data: []byte("\xff no text")},
		stream.Outgoing{Subject: subject("surgeon", "enrolled"), MessageID: "w5", Data: event("w5", "S-300", "surgeon.enrolled", `{"post":"wizard"}`)})
	if l := leftOut("auditor", ""); !is(l, 2, 1, 5, 1) {
		t.Errorf("HB-011 and HB-012: %+v", l)
	}
	if a, b := leftOut("quality", ""), leftOut("auditor", ""); fmt.Sprint(a) != fmt.Sprint(b) {
		t.Errorf("%+v, an auditor's %+v", a, b)
	}
	var in Intake
	r.call(t, "integrator", "GET", "/v1/intake", "").into(t, &in)
	words := map[string]string{}
	for _, u := range in.Troubles.Unknown {
		words[u.Field+" "+u.Value] = fmt.Sprint(u.Cases, " of ", u.Events)
	}
	if want := (map[string]string{"/data/vitreous gel": "2 of 2", "/data/anaesthesia/* magic": "1 of 1", "/data/post wizard": "0 of 1"}); !maps.Equal(words, want) {
		t.Errorf("%v, want %v", words, want)
	}
	if c := in.Troubles.Conflicts; len(c) != 1 || c[0].Identities != 1 || c[0].Cases != 1 {
		t.Errorf("%+v", c)
	}
	if r.call(t, "administrator", "GET", "/v1/intake", "").into(t, &in); in.Troubles != nil {
		t.Errorf("counts alone: %+v", in.Troubles)
	}

	r.publish(t, eventOf("HARBOUR", "settled", "HB-011", day(90, 9, 0), events.TypeEventAmended, &events.EventAmended{TargetSource: "ehr-harbour", TargetID: "HB-011-acuity",
		TargetType: events.TypeFollowupAcuity, Data: events.RawOf(&events.FollowupAcuity{Acuity: []events.Acuity{{Correction: "corrected", LogMARHundredths: events.Some[int64](10)}}})}))
	if l := leftOut("auditor", ""); !is(l, 2, 0, 5, 1) {
		t.Errorf("settled: %+v", l)
	}
	if l := leftOut("auditor", fmt.Sprintf("&as_of=%d", before)); !is(l, 1, 1, 0, 0) {
		t.Errorf("as of before: %+v", l)
	}
}

func (r *registry) testReleases(t *testing.T) {
	m := r.manifest(t, "auditor", figureYear, "csv")
	release := func(who, body string) answer { return r.call(t, who, "POST", "/v1/figures/releases", body) }
	body := fmt.Sprintf(`{"from":"2025-01","to":"2025-12","form":"csv","as_of":%d}`, m.Query.AsOf)
	var done Released
	release("auditor", body).into(t, &done)
	if done.Manifest.SHA256 != m.SHA256 || len(done.Events) != 2 || done.Events[0].Status != "stored" {
		t.Fatalf("%+v", done)
	}
	release("auditor", body) // again: the same file
	r.publish(t, operation("HARBOUR", "HB-950", "S-300", day(95, 9, 0), true)...)
	for _, who := range []string{"auditor", "quality"} {
		var list releases
		r.call(t, who, "GET", "/v1/figures/releases", "").into(t, &list)
		if list.N != 1 || list.Releases[0].SHA256 != m.SHA256 || fmt.Sprint(list.Releases[0].Departments) != "[HARBOUR PUBLISHED]" || list.Releases[0].Position != m.Query.AsOf {
			t.Fatalf("%s: %+v", who, list)
		}
		var again department.Remade
		r.call(t, who, "GET", "/v1/figures/releases/"+done.Release, "").into(t, &again)
		if !again.Same || again.Form != "csv" || again.Why != "" || len(again.Manifest) != 2 {
			t.Errorf("%s: %+v", who, again)
		}
	}
	// Another file under the name of the first isn't the same.
	r.publish(t, events.Event{ID: "forged", Source: "lensledger-desk", Department: "HARBOUR", Subject: "release-forged", Time: day(99, 9, 0), Type: events.TypeFiguresReleased,
		Data: &events.FiguresReleased{From: "2025-01-01", To: "2025-12-31", Definition: "2026-1", Position: int64(m.Query.AsOf), SHA256: events.Text(strings.Repeat("0", 64))}})
	var other department.Remade
	r.call(t, "auditor", "GET", "/v1/figures/releases/release-forged", "").into(t, &other)
	if other.Same || other.Form != "" || other.Why == "" {
		t.Errorf("%+v", other)
	}
	r.call(t, "inland", "GET", "/v1/figures/releases/"+done.Release, "").problem(t, 404, "not-found")
	release("quality", body).problem(t, 403, "forbidden")
	for wrong, pointer := range map[string]string{
		`{"from":"2025-02","to":"2025-01"}`: "/from", `{"from":"2025-01-02","to":"2025-01-31"}`: "/from", `{"from":"2025-01","to":"2025-12","form":"xlsx"}`: "/form",
		`{"from":"2025-01","to":"2025-12","departments":["INLAND"]}`: "/departments", `{"from":"2025-01","to":"2025-12","as_of":999999}`: "/as_of"} {
		if p := release("auditor", wrong).problem(t, 422, "refused"); len(p.Errors) != 1 || p.Errors[0].Pointer != pointer {
			t.Errorf("%s: %+v", wrong, p.Errors)
		}
	}
}
