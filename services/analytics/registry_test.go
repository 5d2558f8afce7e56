package analytics

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

// registry is one registry on real servers with an invented scenario in it.
type registry struct {
	*api
	db        *pgtest.DB
	stream    *stream.Stream
	projector *projector.Projector
	deafs     []net.Conn // clients that don't read
}

func newRegistry(t *testing.T, change ...func(*Config)) *registry {
	t.Helper()
	r := &registry{db: pgtest.New(t)}
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: t.TempDir(), InProcessOnly: true, MaxFileBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	if r.stream, err = stream.Open(context.Background(), stream.Config{Server: server, ManageStream: true}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.stream.Close)
	r.projector = projector.New(projector.Config{Pool: r.db.Pool, Base: r.db.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler)})
	cfg := Config{Pool: r.db.Pool, Base: r.db.Base, Releaser: r.projector, Positions: r.watch(t)}
	for _, c := range change {
		c(&cfg)
	}
	r.api = newAPI(t, cfg, r.stream.Publisher())
	return r
}

// watch listens to the projector as a server does.
func (r *registry) watch(t *testing.T) *projector.Watcher {
	t.Helper()
	watcher := projector.NewWatcher(r.db.Pool, r.db.Base)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- watcher.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return watcher
}

// project brings the rows up to everything that was published.
func (r *registry) project(t *testing.T) {
	t.Helper()
	if err := r.projector.RunToEnd(t.Context()); err != nil {
		t.Fatal(err)
	}
}

func (r *registry) publish(t *testing.T, es ...events.Event) {
	t.Helper()
	batch := make([]stream.Outgoing, len(es))
	for i, e := range es {
		batch[i] = stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()}
	}
	r.send(t, batch...)
}

// send publishes bytes as they are and projects them.
func (r *registry) send(t *testing.T, batch ...stream.Outgoing) {
	t.Helper()
	for _, result := range r.stream.Publisher().PublishBatch(t.Context(), batch) {
		if result.Err != nil {
			t.Fatal(result.Err)
		}
	}
	r.project(t)
}

// day is the n-th day of the scenario, at an hour and minute.
func day(n, hour, minute int) time.Time {
	return time.Date(2025, 1, n, hour, minute, 0, 0, time.UTC)
}

// eventOf is an event of the department's record system.
func eventOf(department, id, subject string, at time.Time, kind events.Type, data any) events.Event {
	source := map[string]string{"HARBOUR": "ehr-harbour", "INLAND": "ehr-inland"}[department]
	if source == "" {
		source = "ehr-other"
	}
	return events.Event{ID: id, Source: source, Department: department, Subject: subject, Time: at, Type: kind, Data: data}
}

// operation is a short one: it starts and ends, perhaps with a rupture by its
// operator.
func operation(department, code, surgeon string, at time.Time, ruptured bool) []events.Event {
	es := []events.Event{
		eventOf(department, code+"-start", code, at, events.TypeCaseStarted, &events.CaseStarted{FirstOperator: events.Code(surgeon), ResponsibleConsultant: "S-001"}),
		eventOf(department, code+"-end", code, at.Add(25*time.Minute), events.TypeCaseFinished, &events.CaseFinished{}),
	}
	if ruptured {
		es = append(es, eventOf(department, code+"-rupture", code, at.Add(10*time.Minute), events.TypeComplicationRecorded,
			&events.ComplicationRecorded{Kind: events.KindCapsuleRupture, CausedBy: events.Code(surgeon), Vitreous: events.VitreousNone}))
	}
	return es
}

// scenario is invented, but for the two published series in department PUBLISHED:
// Newcombe RG. Stat Med 1998;17:857-872, 15 events in 148 cases, in 2025, and the
// 104 operations of testdata/published/arterial_switch.csv in 2024, their deaths
// taken as ruptures.
func scenario(t *testing.T) []events.Event {
	enrol := func(department, surgeon string, post events.Post, prior int64) events.Event {
		return eventOf(department, "enrol-"+surgeon, surgeon, day(1, 7, 0).AddDate(-2, 0, 0), events.TypeSurgeonEnrolled,
			&events.SurgeonEnrolled{Post: post, PriorWholeCases: events.Some(prior)})
	}
	es := []events.Event{
		enrol("HARBOUR", "S-001", events.PostConsultant, 4000),
		enrol("HARBOUR", "S-014", "specialist-registrar", 22),
		enrol("INLAND", "S-200", "specialist-registrar", 10),
		eventOf("PUBLISHED", "design", "design-published", day(1, 8, 0).AddDate(-2, 0, 0), events.TypeChartDesigned, &events.ChartDesigned{
			Outcome: events.OutcomeCapsuleRupture, Kind: events.KindDetection, Scope: "S-104", Acceptable: 20000, Unacceptable: 50000, Threshold: 5_000_000}),
	}
	// A trainee whose cases 3 to 7 of this department rupture.
	for i := 1; i <= 30; i++ {
		es = append(es, operation("HARBOUR", fmt.Sprintf("HB-%03d", i), "S-014", day(i, 9, 0), i >= 3 && i <= 7)...)
	}
	// A colleague from elsewhere helps out once.
	es = append(es, operation("HARBOUR", "HB-050", "S-200", day(20, 14, 0), false)...)
	for i := 1; i <= 12; i++ {
		es = append(es, operation("INLAND", fmt.Sprintf("IN-%03d", i), "S-200", day(i, 9, 0), i == 2)...)
	}
	for i := range 148 {
		es = append(es, operation("PUBLISHED", fmt.Sprintf("NW-%03d", i), "S-148", day(1+i, 9, 0), i < 15)...)
	}
	for i, row := range table(t, "../../testdata/published/arterial_switch.csv") {
		es = append(es, operation("PUBLISHED", fmt.Sprintf("AS-%03d", i+1), "S-104", day(1+i, 9, 0).AddDate(-1, 0, 0), row["death"] == "1")...)
	}
	return slices.Concat(es, fullCase())
}

// fullCase is one operation with everything that a record may have.
func fullCase() []events.Event {
	at := time.Date(2025, 3, 12, 10, 0, 0, 0, time.FixedZone("", 3600))
	of := func(id string, minutes int, kind events.Type, data any) events.Event {
		return eventOf("HARBOUR", "full-"+id, "HB-900", at.Add(time.Duration(minutes)*time.Minute), kind, data)
	}
	return []events.Event{
		of("booked", -3000, events.TypeCaseBooked, &events.CaseBooked{Patient: "P-7", Eye: events.EyeRight, ResponsibleConsultant: "S-001",
			PlannedFirstOperator: "S-014", PlannedOn: "2025-03-12", Procedure: events.ProcedurePhaco, ListKind: "training"}),
		of("assessed", -2000, events.TypePreopAssessed, &events.PreopAssessed{AgeYears: events.Some[int64](75), Sex: events.SexMale}),
		of("started", 0, events.TypeCaseStarted, &events.CaseStarted{FirstOperator: "S-014", Supervision: "scrubbed", Anaesthesia: []events.Anaesthesia{"sub-tenon"}}),
		of("rhexis", 2, events.TypeStepStarted, &events.StepStarted{Step: "capsulorhexis", Operator: "S-014"}),
		of("rhexis-end", 6, events.TypeStepFinished, &events.StepFinished{Step: "capsulorhexis"}),
		of("sculpting", 7, events.TypeStepStarted, &events.StepStarted{Step: events.StepSculpting, Operator: "S-014"}),
		of("change", 12, events.TypeOperatorChanged, &events.OperatorChanged{From: "S-014", To: "S-001", Reason: events.ReasonDifficulty, Step: events.StepSculpting}),
		of("rupture", 11, events.TypeComplicationRecorded, &events.ComplicationRecorded{Kind: events.KindCapsuleRupture, NoticedInStep: events.StepSculpting,
			NoticedBy: "S-001", Vitreous: events.VitreousLoss, Management: "anterior vitrectomy"}),
		of("twice", 11, events.TypeComplicationRecorded, &events.ComplicationRecorded{Kind: "iris-trauma"}),
		of("lens", 30, events.TypeLensImplanted, &events.LensImplanted{LensModel: "INVENTED-1", PowerD: events.Some[events.Hundredths](2150), Site: "sulcus"}),
		of("end", 40, events.TypeCaseFinished, &events.CaseFinished{}),
		// The power was mistyped, one complication was another eye's.
		of("lens-right", 60, events.TypeEventAmended, &events.EventAmended{TargetSource: "ehr-harbour", TargetID: "full-lens", TargetType: events.TypeLensImplanted,
			Data: events.RawOf(&events.LensImplanted{LensModel: "INVENTED-1", PowerD: events.Some[events.Hundredths](2250), Site: "sulcus"})}),
		of("twice-not", 61, events.TypeEventRetracted, &events.EventRetracted{TargetSource: "ehr-harbour", TargetID: "full-twice"}),
		// One id, two contents.
		of("dye", 1, events.TypeStepStarted, &events.StepStarted{Step: "capsule-dye"}),
		of("dye", 1, events.TypeStepStarted, &events.StepStarted{Step: "draping"}),
		// The clinic booked the same operation under another code.
		eventOf("HARBOUR", "other-booked", "HB-901", at.AddDate(0, 0, -9), events.TypeCaseBooked, &events.CaseBooked{Patient: "P-7", Eye: events.EyeRight}),
		of("joined", 70, events.TypeCaseJoined, &events.CaseJoined{OtherCase: "HB-901"}),
	}
}

// TestAPI asks one registry everything. Its parts run in their order: some of
// them publish.
func TestAPI(t *testing.T) {
	r := newRegistry(t)
	r.publish(t, scenario(t)...)
	t.Run("benchmarks", r.testBenchmarks)
	t.Run("charts", r.testCharts)
	t.Run("case", r.testCase)
	t.Run("case events", r.testCaseEvents)
	t.Run("nobody sees what isn't theirs", r.testUnseen)
	t.Run("tags", r.testTags)
	t.Run("as of", r.testAsOf)
	t.Run("alarms", r.testAlarms)
	t.Run("intake and quarantine", r.testQuarantine)
	t.Run("pages", r.testPages)
	if strings.Contains(r.log.String(), "S-014") || strings.Contains(r.log.String(), "HB-900") {
		t.Error("the log names somebody")
	}
}
