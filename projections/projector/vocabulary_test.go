package projector_test

import (
	"testing"
	"time"

	"lensledger/events"
)

// wholePath adds, to an operation, every event that an eye can meet on its way from
// the plan to the settled refraction, some of them twice, early, late or by halves.
func (m *maker) wholePath(s events.Event, n int) {
	days := func(d int) time.Time { return s.Time.AddDate(0, 0, d).Add(time.Duration(n) * time.Minute) }
	minutes := func(k int) time.Time { return s.Time.Add(time.Duration(k) * time.Minute) }
	operator := s.Data.(*events.CaseStarted).FirstOperator
	sphere := func(hundredths int) *events.FollowupRefraction {
		return &events.FollowupRefraction{Refraction: events.Refraction{SphereD: events.Hundredths(hundredths),
			CylinderD: events.Some(events.Hundredths(50)), AxisDeg: events.Some[int64](90), Method: "subjective"}}
	}
	sees := func(hundredths int64, correction events.Correction) *events.FollowupAcuity {
		return &events.FollowupAcuity{Acuity: []events.Acuity{{Correction: correction, LogMARHundredths: events.Some(hundredths)}}}
	}
	plan := &events.LensPlanned{Formula: "F-1", Biometer: "B-1", Constant: events.Some(events.Millionths(118_900_000)),
		TargetRefractionD: events.Some(events.Hundredths(-25)),
		Candidates:        []events.LensCandidate{{LensModel: "M-1", PowerD: 2100, PredictedRefractionD: events.Some(events.Hundredths(-20))}}}
	m.add(events.TypeLensPlanned, s.Subject, days(-20), plan)
	m.add(events.TypePreopAssessed, s.Subject, days(-15), &events.PreopAssessed{Acuity: []events.Acuity{
		{Correction: "corrected", LogMARHundredths: events.Some[int64](50)}, {Correction: "unaided", LowVision: "hand-movements", Convention: "A"}},
		Keratometry: &events.Keratometry{K1D: 4300, K1AxisDeg: events.Some[int64](90), K2D: 4400, K2AxisDeg: events.Some[int64](180)}})
	m.add(events.TypeIncisionMade, s.Subject, minutes(1), &events.IncisionMade{Kind: events.IncisionMain, WidthUM: events.Some[int64](2400), MeridianDeg: events.Some[int64](180)})
	m.add(events.TypeAdjunctUsed, s.Subject, minutes(2), &events.AdjunctUsed{Kind: "iris-hooks", Planned: events.Yes, Count: events.Some[int64](4)})
	m.add(events.TypeMeasurementTaken, s.Subject, minutes(3), &events.MeasurementTaken{What: events.MeasurementRhexisLeast, ValueUM: 5000})
	m.add(events.TypeMachineRead, s.Subject, minutes(20), &events.MachineRead{Machine: "P-1", UltrasoundTimeMS: events.Some[int64](40_000)})
	m.add(events.TypeDrugGiven, s.Subject, minutes(21), &events.DrugGiven{Drug: "cefuroxime", Route: "intracameral", DoseUG: events.Some[int64](1000)})
	m.add(events.TypeLensImplanted, s.Subject, minutes(15), &events.LensImplanted{LensModel: "M-1", PowerD: events.Some(events.Hundredths(2100)), Site: "bag", RhexisOverlap: "complete"})
	for i, offset := range []int{4, 200, 500} {
		m.add(events.TypeTechniqueNoted, s.Subject, minutes(offset), &events.TechniqueNoted{Step: events.StepCapsulorhexis, TeachingPoint: "rhexis-small",
			Polarity: []events.Polarity{events.PolarityImprove, events.PolarityStrength}[i%2], Consequence: "capsule", By: "C-01"})
	}
	m.add(events.TypeFollowupAcuity, s.Subject, days(-1), sees(0, "unaided")) // before the operation
	m.add(events.TypeFollowupAcuity, s.Subject, days(30), sees(20, "unaided"))
	late := m.add(events.TypeFollowupAcuity, s.Subject, days(60+n), sees(40, "pinhole"))
	m.add(events.TypeFollowupRefraction, s.Subject, days(3), sphere(-200))
	m.add(events.TypeFollowupRefraction, s.Subject, days(35), sphere(-75))
	wrong := m.add(events.TypeFollowupRefraction, s.Subject, days(70), sphere(300))
	m.add(events.TypeFollowupKeratometry, s.Subject, days(7), &events.FollowupKeratometry{Keratometry: events.Keratometry{K1D: 4350, K1AxisDeg: events.Some[int64](80), K2D: 4400}})
	m.add(events.TypeFollowupKeratometry, s.Subject, days(40), &events.FollowupKeratometry{Keratometry: events.Keratometry{K1D: 4320, K1AxisDeg: events.Some[int64](85), K2D: 4410}})
	m.add(events.TypeFollowupFinding, s.Subject, days(9), &events.FollowupFinding{Kind: events.FindingCornealOedema})
	if n%2 == 0 {
		m.add(events.TypeFollowupFinding, s.Subject, days(50), &events.FollowupFinding{Kind: events.FindingReturnToTheatre})
		m.add(events.TypeLensImplanted, s.Subject, days(50), &events.LensImplanted{LensModel: "M-2", PowerD: events.Some(events.Hundredths(2000)), Site: "sulcus"})
	}
	m.add(events.TypeFollowupClosed, s.Subject, days(90), &events.FollowupClosed{Reason: "discharged"})
	m.add(events.TypeCaseReviewed, s.Subject, days(1), &events.CaseReviewed{Trainer: "C-01", AtThisStage: events.StageAs,
		TeachingPoints: []events.Code{"rhexis-small"}, AgreedAction: "draw it first", SupervisionNext: "scrubbed"})
	question := m.add(events.TypeRecordQuestioned, s.Subject, days(2), &events.RecordQuestioned{Part: "operator", Words: "the last quadrant was mine", By: operator})
	if n%3 != 1 {
		m.add(events.TypeRecordAnswered, s.Subject, days(4), &events.RecordAnswered{Question: events.ID(question.ID), Answer: events.AnswerSentOn, By: "Q-01"})
		m.add(events.TypeRecordAnswered, s.Subject, days(5), &events.RecordAnswered{Question: events.ID(question.ID), Answer: events.AnswerCorrected, Words: "amended", By: "Q-01"})
	}
	m.correct(events.TypeEventRetracted, wrong, days(71), &events.EventRetracted{TargetSource: events.Code(wrong.Source), TargetID: events.ID(wrong.ID)})
	raw := events.Event{Type: late.Type, Data: sees(10, "corrected"), Source: "x", ID: "x", Subject: "x", Department: "x", Time: late.Time}
	m.correct(events.TypeEventAmended, late, days(95), &events.EventAmended{TargetSource: events.Code(late.Source), TargetID: events.ID(late.ID),
		OccurredAt: events.Some(days(40)), Data: dataOf(raw)})
	if n == 0 {
		m.add(events.TypeSurgeonMoved, string(operator), days(10), &events.SurgeonMoved{Department: "ELSEWHERE", FromOn: events.Date(days(10).Format(time.DateOnly))})
		m.add(events.TypeSurgeonMoved, string(operator), days(11), &events.SurgeonMoved{Department: events.Code(s.Department), FromOn: events.Date(days(20).Format(time.DateOnly))})
		m.add(events.TypeFiguresReleased, "release-1", days(200), &events.FiguresReleased{From: "2024-01-01", To: "2024-12-31", Definition: "2026-1", Position: 1,
			SHA256: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"})
		m.add(events.TypeChartDesigned, "design-step", days(-1), &events.ChartDesigned{Outcome: events.StepOutcome(events.StepCapsulorhexis),
			Kind: events.KindCompetence, Scope: events.ScopeTrainees, Acceptable: 100_000, Unacceptable: 300_000, Threshold: 2_000_000})
		m.add(events.TypeChartDesigned, "design-misses", days(-1), &events.ChartDesigned{Outcome: events.OutcomeRefractionMiss,
			Kind: events.KindDetection, Scope: events.Code(s.Department), Acceptable: 200_000, Unacceptable: 400_000, Threshold: 3_000_000})
	}
}

// The history that the properties run over holds every type there is.
func TestHistoryHoldsTheVocabulary(t *testing.T) {
	seen := map[events.Type]bool{}
	for _, e := range tended(11, 14) {
		seen[e.Type] = true
		if _, problems := events.Decode(nil, e.Encode()); len(problems) > 0 {
			t.Errorf("%s %s would be refused: %v", e.Type, e.ID, problems)
		}
	}
	for _, entry := range events.Catalogue {
		if !seen[entry.Type] {
			t.Errorf("no %s in the history", entry.Type)
		}
	}
}
