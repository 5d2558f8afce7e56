package feedback_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/archive"
	"lensledger/projections/feedback"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// registry is one on real servers.
type registry struct {
	*pgtest.DB
	stream *stream.Stream
	sent   int
}

func newRegistry(t *testing.T) *registry {
	t.Helper()
	r := &registry{DB: pgtest.New(t)}
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: t.TempDir(), InProcessOnly: true, MaxFileBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	if r.stream, err = stream.Open(t.Context(), stream.Config{Server: server, ManageStream: true}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.stream.Close)
	return r
}

// send publishes events and projects them.
func (r *registry) send(t *testing.T, es ...events.Event) {
	t.Helper()
	batch := make([]stream.Outgoing, len(es))
	for i, e := range es {
		batch[i] = stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()}
	}
	for _, res := range r.stream.Publisher().PublishBatch(t.Context(), batch) {
		if res.Err != nil {
			t.Fatal(res.Err)
		}
	}
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler)})
	if err := p.RunToEnd(t.Context()); err != nil {
		t.Fatal(err)
	}
	r.sent += len(es)
	var waiting int
	if err := r.Pool.QueryRow(t.Context(), "SELECT count(*) FROM quarantine").Scan(&waiting); err != nil || waiting > 0 {
		t.Fatal(waiting, "events in quarantine", err)
	}
}

// as reads as somebody, as of a position or "" for now.
func (r *registry) as(t *testing.T, who pg.Actor, asOf string, read func(pgx.Tx, archive.AsOf) error) {
	t.Helper()
	if err := pg.AsActor(t.Context(), r.Pool, who, func(tx pgx.Tx) error {
		at, err := archive.Resolve(t.Context(), tx, asOf)
		if err != nil {
			return err
		}
		return read(tx, at)
	}); err != nil {
		t.Fatal(err)
	}
}

var (
	trainer     = pg.Actor{Role: "trainer", Surgeons: []string{"C-1", "T-1"}}
	trainee     = pg.Actor{Role: "trainee", Surgeons: []string{"T-1"}}
	responsible = pg.Actor{Role: "trainer", Surgeons: []string{"R-1"}}
	quality     = pg.Actor{Role: "quality", Departments: []string{"HARBOUR"}}
	figures     = pg.Actor{Role: "figures", Departments: []string{"HARBOUR"}}
)

var monday = time.Date(2025, 3, 3, 9, 0, 0, 0, time.UTC)

// line is an event from its noun, subject, minute after a start and data.
func line(t *testing.T, id, name, subject string, at time.Time, data string) events.Event {
	t.Helper()
	e, problems := events.DecodeStructured([]byte(fmt.Sprintf(`{"specversion":"1.0","id":%q,"source":"ehr-harbour","type":"lensledger.%s.v1","subject":%q,"department":"HARBOUR","time":%q,"data":%s}`,
		id, name, subject, at.Format(time.RFC3339), data)))
	if len(problems) > 0 {
		t.Fatal(name, problems)
	}
	return e
}

// operated is a whole case by one surgeon: the capsulorhexis takes the seconds.
func operated(t *testing.T, code, surgeon string, at time.Time, seconds int) []events.Event {
	after := func(s int) time.Time { return at.Add(time.Duration(s) * time.Second) }
	by := `"operator":"` + surgeon + `"`
	return []events.Event{
		line(t, code+"-b", "case.booked", code, at.AddDate(0, 0, -7), `{"patient":"P-`+code+`","eye":"right","responsible_consultant":"R-1"}`),
		line(t, code+"-s", "case.started", code, at, `{"responsible_consultant":"R-1","first_operator":"`+surgeon+`","supervision":"scrubbed"}`),
		line(t, code+"-1", "step.started", code, after(300), `{"step":"capsulorhexis",`+by+`}`),
		line(t, code+"-2", "step.finished", code, after(300+seconds), `{"step":"capsulorhexis"}`),
		line(t, code+"-3", "step.started", code, after(900), `{"step":"sculpting",`+by+`}`),
		line(t, code+"-4", "step.finished", code, after(1200), `{"step":"sculpting"}`),
		line(t, code+"-f", "case.finished", code, after(1800+seconds), `{}`),
	}
}

func enrolled(t *testing.T, code, post string, prior int) events.Event {
	return line(t, code+"-e", "surgeon.enrolled", code, monday.AddDate(0, -1, 0), fmt.Sprintf(`{"post":%q,"prior_whole_cases":%d}`, post, prior))
}

func noted(t *testing.T, id, code, point, by string, at time.Time) events.Event {
	return line(t, id, "technique.noted", code, at, fmt.Sprintf(`{"step":"capsulorhexis","teaching_point":%q,"polarity":"improve","consequence":"capsule","by":%q}`, point, by))
}

func reviewed(t *testing.T, id, code, point string, at time.Time) events.Event {
	return line(t, id, "case.reviewed", code, at, fmt.Sprintf(`{"trainer":"C-1","at_this_stage":"as","teaching_points":[%q],"agreed_action":"draw it first","supervision_next":"scrubbed"}`, point))
}

// Everything that is read of a surgeon and of a case, from event to answer; and as
// of every position at which the record once stood it is the same as it was then.
func TestFeedbackFromEventsToAnswers(t *testing.T) {
	r := newRegistry(t)
	code := func(i int) string { return fmt.Sprintf("K-%02d", i) }
	at := func(i int) time.Time { return monday.AddDate(0, 0, i) }
	read := func(asOf string) string {
		var out string
		r.as(t, trainer, asOf, func(tx pgx.Tx, at archive.AsOf) error {
			f, err := feedback.Points(t.Context(), tx, "T-1", at)
			if err != nil {
				return err
			}
			reviews, err := feedback.Reviews(t.Context(), tx, "T-1", at)
			if err != nil {
				return err
			}
			s, err := feedback.ReadStage(t.Context(), tx, feedback.Peers{}, code(9), at)
			if err != nil && !errors.Is(err, outcome.ErrNoCase) {
				return err
			}
			text, err := json.MarshalIndent([]any{f, reviews, s, s.Case != "" && len(s.Words()) > 0}, "", " ")
			out = string(text)
			return err
		})
		return out
	}
	then := map[int]string{}
	step := func(es ...events.Event) {
		r.send(t, es...)
		then[r.sent] = read("")
	}
	step(enrolled(t, "T-1", "trainee", 10), enrolled(t, "C-1", "consultant", 0))
	for i := 1; i <= 9; i++ {
		step(operated(t, code(i), "T-1", at(i), 200+10*i)...)
	}
	step(noted(t, "n-2", code(2), "edge", "C-1", at(2).Add(6*time.Minute)), noted(t, "n-4", code(4), "edge", "C-1", at(4).Add(6*time.Minute)))
	step(reviewed(t, "r-4", code(4), "edge", at(4).Add(time.Hour)))
	step(noted(t, "n-6", code(6), "size", "C-1", at(6).Add(6*time.Minute)))
	step(noted(t, "n-9", code(9), "edge", "C-1", at(9).Add(6*time.Minute)), reviewed(t, "r-9", code(9), "size", at(9).Add(time.Hour)))
	step(line(t, "a-6", "event.amended", code(6), at(10), `{"target_source":"ehr-harbour","target_id":"n-6","data":{"step":"capsulorhexis","teaching_point":"grip","polarity":"strength","by":"C-1"}}`))
	step(line(t, "x-2", "event.retracted", code(2), at(10), `{"target_source":"ehr-harbour","target_id":"n-2","reason":"wrong case"}`))
	step(line(t, "f-4", "followup.finding", code(4), at(11), `{"kind":"corneal-oedema"}`)) // a case with a review is touched again
	for position, want := range then {
		if diff := cmp.Diff(want, read(strconv.Itoa(position))); diff != "" {
			t.Errorf("as of %d: %s", position, diff)
		}
	}

	r.as(t, trainer, "", func(tx pgx.Tx, now archive.AsOf) error {
		f, err := feedback.Points(t.Context(), tx, "T-1", now)
		if err != nil {
			return err
		}
		// Left: edge in the fourth case, reviewed there, and in the ninth; size in the
		// ninth's review; grip as a strength in the sixth.
		if f.Operations != 9 || f.Looked != 3 || len(f.Points) != 2 || len(f.Strengths) != 1 {
			t.Errorf("%+v", f)
		}
		edge := f.Points[0]
		if edge.TeachingPoint != "edge" || edge.Advised.By != "review" || edge.Advised.Case != code(4) || edge.State != feedback.StateRecurs ||
			edge.Before != (feedback.Split{With: 1, N: 1, NotLooked: 3}) || edge.After != (feedback.Split{With: 1, Without: 1, N: 2, NotLooked: 3}) {
			t.Errorf("%+v", edge)
		}
		s, err := feedback.ReadStage(t.Context(), tx, feedback.Peers{}, code(9), now)
		if err != nil {
			return err
		}
		// The ninth whole case after ten, and the longest of all nine.
		if *s.CaseNumber != 19 || s.Place.LongerThan != 8 || s.Place.Known != 8 || cmp.Diff([]string{"edge"}, s.CameBack) != "" {
			t.Errorf("%+v", s)
		}
		waiting, err := feedback.Waiting(t.Context(), tx, at(3), 100)
		if err != nil {
			return err
		}
		var codes []string
		for _, w := range waiting {
			codes = append(codes, w.CaseCode)
		}
		if diff := cmp.Diff([]string{code(8), code(7), code(6), code(5), code(3)}, codes); diff != "" {
			t.Error("waiting for a review:", diff)
		}
		return nil
	})

	// The consultant who answers for the case sees it, and nothing that rests on the
	// rest of the surgeon's record; no case waits for their review.
	r.as(t, responsible, "", func(tx pgx.Tx, now archive.AsOf) error {
		s, err := feedback.ReadStage(t.Context(), tx, feedback.Peers{}, code(9), now)
		if err != nil {
			return err
		}
		if s.RecordSeen || s.CaseNumber != nil || s.Place != nil || len(s.CameBack) > 0 {
			t.Errorf("%+v", s)
		}
		waiting, err := feedback.Waiting(t.Context(), tx, at(0), 100)
		if len(waiting) > 0 {
			t.Errorf("%d wait for a consultant who supervises nobody", len(waiting))
		}
		return err
	})
	visible(t, r)
}

// visible holds who sees which rows.
func visible(t *testing.T, r *registry) {
	t.Helper()
	for _, test := range []struct {
		who             pg.Actor
		points, reviews int
	}{
		{trainer, 3, 2}, {trainee, 3, 2}, {quality, 3, 2}, {responsible, 0, 0},
		{pg.Actor{Role: "trainer", Surgeons: []string{"C-1"}}, 3, 2}, // what one noted oneself
		{pg.Actor{Role: "trainee", Surgeons: []string{"T-2"}}, 0, 0},
		{pg.Actor{Role: "quality", Departments: []string{"SUMMIT"}}, 0, 0},
		{pg.Actor{Role: "auditor", Departments: []string{"HARBOUR"}}, 0, 0},
		{pg.Actor{Role: "administrator"}, 0, 0},
		{pg.Actor{Role: "integrator", Departments: []string{"HARBOUR"}, Source: "ehr-harbour"}, 0, 0},
	} {
		r.as(t, test.who, "", func(tx pgx.Tx, _ archive.AsOf) error {
			var points, reviews int
			err := tx.QueryRow(t.Context(), "SELECT (SELECT count(*) FROM teaching_point), (SELECT count(*) FROM case_review)").Scan(&points, &reviews)
			if points != test.points || reviews != test.reviews {
				t.Errorf("%+v sees %d points and %d reviews, want %d and %d", test.who, points, reviews, test.points, test.reviews)
			}
			return err
		})
	}
}

// A case beside others at the same count: five others are needed, the surgeon's own
// cases are never among them.
func TestPeersOfACase(t *testing.T) {
	r := newRegistry(t)
	r.send(t, append(operated(t, "K-1", "T-1", monday, 500), enrolled(t, "T-1", "trainee", 0))...)
	summary := func() feedback.Stage {
		var e feedback.Evidence
		var peers feedback.Peers
		var err error
		r.as(t, trainee, "", func(tx pgx.Tx, now archive.AsOf) error {
			e, err = feedback.ReadEvidence(t.Context(), tx, "K-1", now)
			return err
		})
		r.as(t, figures, "", func(tx pgx.Tx, _ archive.AsOf) error {
			peers, err = feedback.ReadPeers(t.Context(), tx, e)
			return err
		})
		s, err := feedback.StageOf(e, peers)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	for i := 2; i <= 6; i++ {
		if s := summary(); s.Steps[0].Others != nil || s.CaseMix.Others != nil {
			t.Errorf("%d others are shown", i-2)
		}
		surgeon := fmt.Sprintf("T-%d", i)
		r.send(t, append(operated(t, "K-"+strconv.Itoa(i), surgeon, monday.AddDate(0, 0, i), 100*i), enrolled(t, surgeon, "trainee", 0))...)
	}
	s := summary()
	// 200, 300, 400, 500 and 600 seconds: quartiles 300 and 500. No factor is known,
	// so each composite odds ratio is 1.
	if b := s.Steps[0].Others; b == nil || b.Others != 5 || b.N != 5 || b.Lower != 300 || b.Upper != 500 || s.Steps[0].Compared != feedback.Within {
		t.Errorf("%+v", b)
	}
	if b := s.CaseMix.Others; b == nil || b.Others != 5 || b.Lower != 1 || b.Upper != 1 || s.CaseMix.Beside != feedback.As {
		t.Errorf("%+v", b)
	}
}

// A case that isn't an operation has no stage.
func TestStageOfNoOperation(t *testing.T) {
	r := newRegistry(t)
	r.send(t, line(t, "b", "case.booked", "K-1", monday, `{"patient":"P-1","eye":"left","planned_first_operator":"T-1"}`))
	r.as(t, trainee, "", func(tx pgx.Tx, now archive.AsOf) error {
		if _, err := feedback.ReadEvidence(t.Context(), tx, "K-1", now); !errors.Is(err, feedback.ErrNoOperation) {
			t.Errorf("%v", err)
		}
		if _, err := feedback.ReadEvidence(t.Context(), tx, "K-2", now); !errors.Is(err, outcome.ErrNoCase) {
			t.Errorf("%v", err)
		}
		return nil
	})
}
