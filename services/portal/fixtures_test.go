package portal

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"lensledger/events"
	"lensledger/projections/alarm"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/projections/fold"
	"lensledger/projections/learning"
	"lensledger/projections/outcome"
	"lensledger/services/access"
	"lensledger/services/intake"
)

// All people, cases and departments here are invented.

var (
	fixedNow = time.Date(2025, 6, 2, 8, 30, 0, 0, time.UTC)
	fixedAt  = archive.AsOf{Position: 12345, RecordedAt: time.Date(2025, 6, 2, 8, 29, 5, 0, time.UTC)}

	trainee       = access.Actor{Subject: "trainee", Role: access.Trainee, Surgeon: "S-014"}
	trainer       = access.Actor{Subject: "trainer", Role: access.Trainer, Surgeon: "S-002", Supervises: []string{"S-014"}, Departments: []string{"HARBOUR"}}
	quality       = access.Actor{Subject: "quality", Role: access.Quality, Departments: []string{"HARBOUR"}}
	auditor       = access.Actor{Subject: "auditor", Role: access.Auditor, Departments: []string{"HARBOUR"}}
	integrator    = access.Actor{Subject: "integrator", Role: access.Integrator, Source: "ehr-harbour", Departments: []string{"HARBOUR"}}
	administrator = access.Actor{Subject: "administrator", Role: access.Administrator}
)

// onPaper is a service that has no server behind it: for what is only worded.
func onPaper(t *testing.T) *Service {
	t.Helper()
	s, err := New(Config{Pool: &pgxpool.Pool{}, Tokens: &access.Verifier{}, Sessions: &access.Sessions{}, Desk: &intake.Service{}, Releaser: noRelease{},
		Personas:     []Persona{{"trainee", "trainee", "S-014, sixty whole cases done"}, {"quality", "quality", "reviews the alarms of HARBOUR"}},
		PersonaToken: func(string) (string, error) { return "", nil }, Now: func() time.Time { return fixedNow }})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

type noRelease struct{}

func (noRelease) Release(context.Context, uint64, *archive.Exchange) (uint64, error) { return 0, nil }

// standingS014 is a trainee with two whole cases before the record.
var standingS014 = learning.Surgeon{Surgeon: "S-014", Enrolled: true, Department: "HARBOUR", Post: "trainee", Trainee: true, PriorWhole: 2, PriorPart: 5}

// entries makes n whole cases, one a day, of which those named had a rupture;
// every tenth is a take-over instead and every seventh a part case.
func entries(n int, ruptures ...int) []learning.Entry {
	out := make([]learning.Entry, n)
	yes, no := true, false
	for i := range out {
		e := learning.Entry{CaseCode: caseName(i), Surgeon: "S-014", Department: "HARBOUR", StartedAt: time.Date(2025, 1, 6, 9, 0, 0, 0, time.UTC).AddDate(0, 0, i),
			Whole: true, Enters: true, OutcomeKnown: true, TakenOver: &no, OddsRatioMillionths: 1_000_000 + int64(i%5)*200_000}
		switch {
		case i%10 == 9:
			e.Whole, e.TakenOver = false, &yes
		case i%7 == 6:
			e.Whole, e.Enters = false, false
		}
		for _, r := range ruptures {
			e.Rupture = e.Rupture || r == i
		}
		out[i] = e
	}
	out[n-1].OutcomeKnown = false
	return out
}

func caseName(i int) string {
	return "HB-2025-" + string([]byte{'0' + byte(i/100%10), '0' + byte(i/10%10), '0' + byte(i%10)})
}

// listed makes the alarms of charts as alarm.List gives them.
func listed(charts []alarm.Chart, reviews ...alarm.ReviewRow) []alarm.Listed {
	known := uint64(9876)
	var out []alarm.Listed
	for _, c := range charts {
		for _, a := range c.Alarms {
			l := alarm.Listed{Row: a, FirstKnown: &known}
			for _, r := range reviews {
				r.Chart, r.Alarm, r.Department = a.Chart, a.Alarm, a.Department
				l.Reviews = append(l.Reviews, r)
			}
			out = append(out, l)
		}
	}
	return out
}

func drawn(n int, ruptures ...int) []alarm.Chart {
	return alarm.ComputeAll(standingS014, entries(n, ruptures...), nil, nil)
}

// benchmarks are 15 ruptures of 148 operations: Newcombe's example as a department.
func benchmarks(t *testing.T) department.Benchmarks {
	t.Helper()
	r, err := department.Rupture(15, 148, 12_900_000_000)
	if err != nil {
		t.Fatal(err)
	}
	r.Unknown = map[string]int{"pupil": 12, "axial_length_um": 3}
	takeover, err := department.Rupture(20, 140, 0)
	if err != nil {
		t.Fatal(err)
	}
	return department.Benchmarks{Department: "HARBOUR", From: "2024-07-01", To: "2025-06-30", AsOf: fixedAt, Definition: department.Definition,
		Operations: 148, CapsuleRupture: r, Takeover: &department.CountedFigure{Events: 20, N: 140, Rate: takeover.Rate, Interval: takeover.Interval},
		Vision: vision(t), Refraction: refraction(t), Complications: complications(t), Completeness: completeness(t),
		Excluded: map[string]int{department.ExcludedUnfinished: 2, fold.ExcludedCombined: 4}}
}

func surgeonFigures(t *testing.T) []department.SurgeonFigure {
	t.Helper()
	var out []department.SurgeonFigure
	for _, f := range []struct {
		code      string
		events, n int
		expected  int64
	}{{"S-014", 3, 61, 1_500_000_000}, {"S-002", 0, 87, 1_400_000_000}, {"S-030", 0, 7, 80_000_000}} {
		r, err := department.Rupture(f.events, f.n, f.expected)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, department.SurgeonFigure{Surgeon: f.code, RuptureFigure: r})
	}
	return out
}

// record is a case with a rupture, a hand-over and much unknown.
func record() outcome.Record {
	zone := time.FixedZone("", 3600)
	at := func(minute, second int) time.Time { return time.Date(2025, 3, 12, 10, minute, second, 0, zone) }
	amended := fold.Effective{Event: events.Event{ID: "b1c7-05", Source: "ehr-harbour", Type: events.TypeLensImplanted, Time: at(58, 0), Data: &events.LensImplanted{}}, Amended: true}
	c := fold.Case{
		Code: "HB-2025-00417", Department: "HARBOUR", Involved: []string{"S-002", "S-014"},
		Booked: &events.CaseBooked{Patient: "P-1", Eye: events.EyeRight, FirstOrSecondEye: "second", Procedure: events.ProcedurePhaco, ListKind: "training"},
		Preop: &events.PreopAssessed{AgeYears: events.Some(int64(78)), Sex: events.SexMale, Glaucoma: events.No, WhiteCataract: events.Yes,
			AxialLengthUM: events.Some(int64(23_450)), AlphaBlocker: "none"},
		PreopLater: &events.PreopAssessed{AgeYears: events.Some(int64(78)), Pupil: events.PupilSmall},
		Started:    &events.CaseStarted{ResponsibleConsultant: "S-002", FirstOperator: "S-014", Supervision: "scrubbed", Anaesthesia: []events.Anaesthesia{"sub-tenon"}},
		StartedAt:  at(5, 0), FinishedAt: at(59, 30),
		Steps: []fold.Step{
			{Step: events.StepMainIncision, Operator: "S-014", Supervision: "scrubbed", StartedAt: at(8, 0), FinishedAt: at(8, 45)},
			{Step: events.StepSculpting, Operator: "S-014", StartedAt: at(15, 0), FinishedAt: at(21, 40)},
			{Step: "segment-removal", Operator: "S-002", Supervision: "operating", FinishedAt: at(47, 0)},
		},
		Changes: []fold.Change{{OperatorChanged: events.OperatorChanged{From: "S-014", To: "S-002", Planned: events.No, Reason: events.ReasonComplication, Step: "segment-removal"}, At: at(41, 30)}},
		Complications: []fold.Complication{{ComplicationRecorded: events.ComplicationRecorded{Kind: events.KindCapsuleRupture, NoticedInStep: "segment-removal", NoticedBy: "S-002",
			CausedInStep: events.StepSculpting, Vitreous: events.VitreousLoss, Management: "anterior vitrectomy <two ports>"}, At: at(41, 7)}},
		Lens: &events.LensImplanted{LensModel: "INVENTED-1", PowerD: events.Some(events.Hundredths(2250)), CylinderD: events.Some(events.Hundredths(0)),
			Site: "sulcus"},
		Timeline:  []fold.Effective{amended},
		Conflicts: []events.Identity{{Source: "ehr-harbour", ID: "b1c7-09"}},
		Retracted: 1,
		Flags:     []fold.Flag{{Code: "confirm", Source: "ehr-harbour", ID: "b1c7-01", Detail: "an operating time of 54m30s"}},
	}
	return outcome.Record{Row: outcome.RowOf(c), Case: c, AsOf: fixedAt}
}
