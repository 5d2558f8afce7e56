package department_test

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"reflect"
	"slices"
	"strconv"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/projections/pg"
	"lensledger/projections/pg/pgtest"
	"lensledger/projections/projector"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var typeOf = func() map[reflect.Type]events.Type {
	m := map[reflect.Type]events.Type{}
	for _, e := range events.Catalogue {
		m[reflect.PointerTo(e.Payload)] = e.Type
	}
	return m
}()

// somePaths are the whole paths of some eyes of one department, in an order of
// arrival that has little to do with the order of time; operations lie within some
// days of the 2nd of January 2025.
func somePaths(dice *rand.Rand, cases, days int) []events.Event {
	type arriving struct {
		events.Event
		at int
	}
	var list []arriving
	for i := range cases {
		subject := fmt.Sprintf("K-%03d", i)
		start := time.Date(2025, 1, 2+dice.IntN(days), 9, 0, 0, 0, time.UTC)
		add := func(day, minute int, data any) {
			at := start.AddDate(0, 0, day).Add(time.Duration(minute) * time.Minute)
			list = append(list, arriving{events.Event{ID: fmt.Sprintf("%s-%d", subject, len(list)), Source: "ehr", Type: typeOf[reflect.TypeOf(data)],
				Subject: subject, Department: "D", Time: at, Data: data}, dice.IntN(3 * cases)})
		}
		seen := func(hundredths int) []events.Acuity {
			return []events.Acuity{{Correction: "corrected", LogMARHundredths: events.Some(int64(hundredths))},
				{Correction: "unaided", LogMARHundredths: events.Some(int64(hundredths + 10))}}
		}
		k := func(cylinder int) *events.Keratometry {
			return &events.Keratometry{K1D: 4300, K1AxisDeg: events.Some[int64](170), K2D: events.Hundredths(4300 + cylinder), K2AxisDeg: events.Some[int64](80)}
		}
		eye := []events.Eye{"left", "right"}[dice.IntN(2)]
		add(-40, 0, &events.CaseBooked{Patient: events.Code("P-" + strconv.Itoa(i)), Eye: eye, FirstOrSecondEye: []events.EyeOrder{"", "first", "second"}[dice.IntN(3)]})
		add(-30, 0, &events.PreopAssessed{Acuity: seen(30 + dice.IntN(60)), Keratometry: k(dice.IntN(150)), Glaucoma: events.FactOf(dice.IntN(4) == 0), DiabeticRetinopathy: events.No})
		add(-20, 0, &events.LensPlanned{Formula: "F", TargetRefractionD: events.Some(events.Hundredths(-25)), Candidates: []events.LensCandidate{
			{LensModel: "A", PowerD: 2100, PredictedRefractionD: events.Some(events.Hundredths(-30 + dice.IntN(30)))}}})
		add(0, 0, &events.CaseStarted{FirstOperator: "S-1", ResponsibleConsultant: "C-1"})
		add(0, 10, &events.LensImplanted{LensModel: "A", PowerD: events.Some(events.Hundredths(2100)), Site: "bag"})
		if dice.IntN(12) == 0 {
			add(0, 12, &events.ComplicationRecorded{Kind: "posterior-capsule-rupture"})
		}
		if dice.IntN(20) > 0 {
			add(0, 20, &events.CaseFinished{})
		}
		if dice.IntN(5) > 0 {
			add(30, 0, &events.FollowupAcuity{Acuity: seen(dice.IntN(45))})
			add(7, 0, &events.FollowupKeratometry{Keratometry: *k(dice.IntN(200))})
			add(35, 0, &events.FollowupKeratometry{Keratometry: *k(dice.IntN(150))})
			add(30, 5, &events.FollowupRefraction{Refraction: events.Refraction{SphereD: events.Hundredths(25 * (dice.IntN(12) - 8)), Method: "subjective"}})
		}
		if i%40 == 3 {
			add(5, 0, &events.FollowupFinding{Kind: "endophthalmitis", Certainty: "presumed"})
		}
	}
	slices.SortStableFunc(list, func(a, b arriving) int { return cmp.Compare(a.at, b.at) })
	out := make([]events.Event, len(list))
	for i, a := range list {
		out[i] = a.Event
	}
	return out
}

// recomputed folds events in memory, as if nothing else existed.
func recomputed(t *testing.T, es []events.Event, p department.Period, asOf archive.AsOf) department.Benchmarks {
	t.Helper()
	sets := map[string]*fold.Subject{}
	for i, e := range es {
		if sets[e.Subject] == nil {
			sets[e.Subject] = &fold.Subject{Code: e.Subject}
		}
		s := sets[e.Subject]
		s.Events = append(s.Events, fold.Recorded{Sequence: uint64(i + 1), Hash: e.Hash(), Event: e})
	}
	var list []outcome.Operation
	for _, s := range sets {
		if o := outcome.OperationOf(fold.Component([]fold.Subject{*s})[0]); o.In("D", p.From, p.To) {
			list = append(list, o)
		}
	}
	b, err := department.BenchmarksOf("D", p, asOf, list)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// projected publishes events to a stream and projects them into a registry.
func projected(t *testing.T, es []events.Event) *pgtest.DB {
	t.Helper()
	db := pgtest.New(t)
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: t.TempDir(), InProcessOnly: true, MaxFileBytes: 1 << 28})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	s, err := stream.Open(context.Background(), stream.Config{Server: server, ManageStream: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	batch := make([]stream.Outgoing, len(es))
	for i, e := range es {
		batch[i] = stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: e.Encode()}
	}
	for _, r := range s.Publisher().PublishBatch(t.Context(), batch) {
		if r.Err != nil {
			t.Fatal(r.Err)
		}
	}
	p := projector.New(projector.Config{Pool: db.Pool, Base: db.Base, Stream: s, BatchMax: 37, Log: slog.New(slog.DiscardHandler)})
	if err := p.RunToEnd(t.Context()); err != nil {
		t.Fatal(err)
	}
	return db
}

// Figures of many departments are sums of quarters and of the months around them:
// each run of months is what the folds in memory give for it.
func TestFiguresOfAnyRunOfMonths(t *testing.T) {
	const seed, cases = 6, 300
	t.Logf("seed %d", seed)
	es := somePaths(rand.New(rand.NewPCG(seed, 0)), cases, 400)
	db := projected(t, es)
	month := func(i int) string { return time.Date(2025, time.Month(1+i), 1, 0, 0, 0, 0, time.UTC).Format("2006-01") }
	err := pg.AsActor(t.Context(), db.Pool, pg.Actor{Role: "figures", Departments: []string{"D", "E"}}, func(tx pgx.Tx) error {
		now, err := archive.Resolve(t.Context(), tx, "")
		if err != nil {
			return err
		}
		for from := range 14 {
			for to := from; to < 14; to++ {
				p, err := department.ParsePeriod(month(from), month(to))
				if err != nil {
					return err
				}
				f, err := department.ReadFigures(t.Context(), tx, []string{"D", "E"}, p, now, false)
				if err != nil {
					return err
				}
				want, got := recomputed(t, es, p, now), f.Rows[0]
				counts := func(list ...int) []int { return list }
				w := counts(want.Operations, want.CapsuleRupture.Events, want.Vision.Eyes, want.Vision.After.At030.Count, want.Refraction.N,
					want.Refraction.Within050.Count, want.Refraction.Within100.Count, want.Completeness.Refraction.Events, want.Excluded["not-finished"])
				g := counts(*got.Operations, *got.CapsuleRupture.Events, *got.Vision.Eyes, *got.Vision.At030.Count, *got.Refraction.N,
					*got.Refraction.Within050.Count, *got.Refraction.Within100.Count, *got.Completeness.Refraction.Events, *got.Excluded["not-finished"])
				if !slices.Equal(w, g) || *got.CapsuleRupture.Expected != want.CapsuleRupture.Expected || *f.Rows[1].Operations != 0 {
					t.Errorf("%s to %s: folds give %v, figures %v", f.From, f.To, w, g)
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// Through a real stream and a real Postgres the figures are those of the folds in
// memory: as sums of cells, from the rows for part of a month, and as of earlier
// positions.
func TestFiguresFromPostgres(t *testing.T) {
	const seed, cases = 5, 120
	t.Logf("seed %d", seed)
	es := somePaths(rand.New(rand.NewPCG(seed, 0)), cases, 85)
	db := projected(t, es)
	months, err := department.ParsePeriod("2025-01", "2025-03")
	if err != nil {
		t.Fatal(err)
	}
	part, err := department.ParsePeriod("2025-01-10", "2025-03-05")
	if err != nil {
		t.Fatal(err)
	}
	err = pg.AsActor(t.Context(), db.Pool, pg.Actor{Role: "figures", Departments: []string{"D"}}, func(tx pgx.Tx) error {
		for _, position := range []int{len(es), len(es) - 1, len(es) / 2, len(es) / 5} {
			asOf, err := archive.Resolve(t.Context(), tx, strconv.Itoa(position))
			if err != nil {
				return err
			}
			for _, period := range []department.Period{months, part} {
				got, err := department.Read(t.Context(), tx, "D", period, asOf)
				if err != nil {
					return err
				}
				if d := gocmp.Diff(recomputed(t, es[:position], period, asOf), got); d != "" {
					t.Errorf("position %d, from %s:\n%s", position, got.From, d)
				}
				if position == len(es) && period == months && (got.Operations < 90 || got.Refraction.N < 25 || got.Vision.Loss.N < 25 || got.Complications.Endophthalmitis != 3) {
					t.Errorf("too little to compare: %d operations, %d errors, %d losses, %d infections", got.Operations, got.Refraction.N, got.Vision.Loss.N, got.Complications.Endophthalmitis)
				}
			}
		}
		return readRest(t, tx, months)
	})
	if err != nil {
		t.Fatal(err)
	}
	// Nobody else's: another department's quality officer, and an integrator.
	for _, actor := range []pg.Actor{{Role: "quality", Departments: []string{"E"}}, {Role: "integrator", Source: "ehr", Departments: []string{"D"}}} {
		err = pg.AsActor(t.Context(), db.Pool, actor, func(tx pgx.Tx) error {
			asOf, err := archive.Resolve(t.Context(), tx, "")
			if err != nil {
				return err
			}
			eyes, err := outcome.Eyes(t.Context(), tx, "D", months.From, months.To, asOf)
			if len(eyes) > 0 {
				t.Errorf("%s sees %d eyes of D", actor.Role, len(eyes))
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

// readRest asks the reads that list or group eyes.
func readRest(t *testing.T, tx pgx.Tx, p department.Period) error {
	t.Helper()
	now, err := archive.Resolve(t.Context(), tx, "")
	if err != nil {
		return err
	}
	checks, err := outcome.PatientChecks(t.Context(), tx, "D", p.From, p.To, now)
	if err != nil {
		return err
	}
	if len(checks) != 0 {
		t.Errorf("each patient has one operation: %v", checks)
	}
	infections, err := department.Endophthalmitis(t.Context(), tx, "D", p, now)
	if err != nil {
		return err
	}
	if infections.N != 3 || len(infections.Infections) != 3 || infections.Infections[0].Days != 5 {
		t.Errorf("infections %+v", infections)
	}
	eyes, err := department.ReadEyes(t.Context(), tx, "D", p, now)
	if err != nil {
		return err
	}
	lenses, err := eyes.LensConstants()
	if err != nil {
		return err
	}
	figures, err := department.Read(t.Context(), tx, "D", p, now)
	if err != nil {
		return err
	}
	// The one lens model's eyes are those of the main figure, except operations
	// without an end, which have no part in the figures.
	if len(lenses) != 1 || lenses[0].Check == nil || lenses[0].N < figures.Refraction.N {
		t.Errorf("lenses %+v beside %d errors", lenses, figures.Refraction.N)
	}
	induced, err := eyes.InducedAstigmatism()
	if err != nil {
		return err
	}
	if induced.Settled.N < 60 || induced.Early.N < 60 || induced.Settled.Confidence == nil {
		t.Errorf("induced astigmatism %d settled, %d early", induced.Settled.N, induced.Early.N)
	}
	predictors, ruptures, err := department.Calibration(t.Context(), tx, "D", p, now)
	if err != nil {
		return err
	}
	count := 0
	for _, r := range ruptures {
		if r {
			count++
		}
	}
	if len(predictors) != figures.Operations || count != figures.CapsuleRupture.Events {
		t.Errorf("calibration of %d operations with %d ruptures, figures of %d with %d", len(predictors), count, figures.Operations, figures.CapsuleRupture.Events)
	}
	return nil
}
