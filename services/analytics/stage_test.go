package analytics

import (
	"slices"
	"strings"
	"testing"
	"time"

	"lensledger/projections/archive"
)

func (r *registry) testStage(t *testing.T) {
	const path = "/v1/cases/HB-500/stage"
	var s stage
	got := r.call(t, "trainer", "GET", path, "")
	got.into(t, &s)
	if s.Case != "HB-500" || s.Surgeon != "S-014" || !s.RecordSeen || s.CaseNumber == nil || *s.CaseNumber != 25 || s.CompletedWithout == nil || !*s.CompletedWithout {
		t.Errorf("%s", got.body)
	}
	// 240 s beside 120 to 160 s of five others at the same count.
	if len(s.Steps) != 1 || s.Steps[0].Others == nil || s.Steps[0].Others.Others != 5 || s.Steps[0].Others.Lower != 120 || s.Steps[0].Others.Upper != 160 || s.Steps[0].Compared != "longer" {
		t.Errorf("%+v", s.Steps)
	}
	if !slices.Equal(s.CameBack, []string{"rhexis-size"}) || s.Rhexis == nil || s.Rhexis.Covers == nil || !*s.Rhexis.Covers || len(s.Discussion) != 0 || s.PeersAsOf == nil {
		t.Errorf("%s", got.body)
	}
	for _, sentence := range []string{
		"Completed without capsule rupture and without unplanned take-over.", "No rule asks for a case discussion.", "Came back after advice: rhexis-size.",
		"Capsulorhexis by S-014: 4 min 00 s, longer than the middle half of 5 others at cases 11 to 25, 2 min 00 s to 2 min 40 s.",
		"Corneal oedema on day 1: before day 28 that is healing, not outcome.",
	} {
		if !slices.Contains(s.Words, sentence) {
			t.Errorf("%q isn't said: %q", sentence, s.Words)
		}
	}
	for _, who := range []string{"trainee", "quality"} {
		if theirs := r.call(t, who, "GET", path, ""); theirs.body != got.body {
			t.Errorf("%s: %s", who, theirs.body)
		}
	}
	if again := r.call(t, "trainer", "GET", path, "", "If-None-Match", got.header.Get("ETag")); again.status != 304 {
		t.Errorf("asked again: %d", again.status)
	}
	// Who answers for the case sees the case, and nothing that rests on others.
	var part stage
	r.call(t, "consultant", "GET", path, "").into(t, &part)
	if part.RecordSeen || part.CaseNumber != nil || part.Steps[0].Others != nil || len(part.CameBack) != 0 || part.Place != nil {
		t.Errorf("%+v", part)
	}
	r.call(t, "inland", "GET", path, "").problem(t, 404, "not-found")
	r.call(t, "trainer", "GET", "/v1/cases/HB-021/stage", "").problem(t, 404, "not-found")
	r.call(t, "auditor", "GET", path, "").problem(t, 403, "forbidden")
	if p := r.call(t, "quality", "GET", "/v1/cases/HB-600/stage", "").problem(t, 404, "not-found"); !strings.Contains(p.Detail, "isn't an operation") {
		t.Errorf("%+v", p)
	}
	// What is known later changes nothing of what was known, but for the others'.
	then := s.AsOf
	r.publish(t, of(t, "HB-500", "again", "technique.noted", day(8, 9, 0), `{"step":"capsulorhexis","teaching_point":"hand-position","polarity":"improve","consequence":"comfort"}`))
	var now, past stage
	r.call(t, "trainer", "GET", path, "").into(t, &now)
	back := r.call(t, "trainer", "GET", path+"?as_of="+whole(then.Position), "")
	back.into(t, &past)
	if len(now.Points) != 2 || len(past.Points) != 1 || past.AsOf != then || past.PeersAsOf.Position <= then.Position {
		t.Errorf("%+v %+v", now.Points, past)
	}
	if a, b := withoutPeers(back.body, past.PeersAsOf), withoutPeers(got.body, s.PeersAsOf); a != b {
		t.Errorf("\n%s\n%s", a, b)
	}
}

// withoutPeers blanks what others' figures are of.
func withoutPeers(body string, of *archive.AsOf) string {
	return strings.Replace(body, `"peers_as_of":{"position":`+whole(of.Position)+`,"recorded_at":"`+of.RecordedAt.Format(time.RFC3339Nano)+`"}`, "", 1)
}
