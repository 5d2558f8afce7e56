package portal

import (
	"testing"

	"lensledger/events"
	"lensledger/projections/archive"
	"lensledger/projections/department"
	"lensledger/services/intake"
	"lensledger/services/web"
)

// changesOf is a department whose numbers moved; of one that leaves the departments
// the small ones are held back.
func changesOf(suppressed bool) department.FigureChanges {
	number := func(n int) *int { return &n }
	before := fixedAt
	before.Position, before.Past = 9000, true
	row := func(code string) department.ChangedRow {
		r := department.ChangedRow{Department: code, Cases: map[string]int{department.WhyCameLater: 12, department.WhyRetracted: 1, department.WhyFollowUp: 30}}
		for _, name := range department.FigureNames() {
			f := department.ChangedFigure{Figure: name, Before: number(100), After: number(100), Difference: number(0), Why: map[string]int{}}
			switch name {
			case "operations":
				f = department.ChangedFigure{Figure: name, Before: number(1136), After: number(1148), Difference: number(12), Why: map[string]int{department.WhyCameLater: 12}}
			case "capsule_rupture.events":
				f = department.ChangedFigure{Figure: name, Before: number(16), After: number(15), Difference: number(-1), Why: map[string]int{department.WhyRetracted: 1}}
			}
			r.Figures = append(r.Figures, f)
		}
		if suppressed {
			r.Cases = nil
			r.Figures[1].Before, r.Figures[1].Difference, r.Figures[1].Why = nil, nil, nil
			r.Figures[2].After, r.Figures[2].Before, r.Figures[2].Difference, r.Figures[2].Why = nil, nil, nil, nil
		}
		return r
	}
	c := department.FigureChanges{From: "2024-07-01", To: "2025-06-30", Before: before, After: fixedAt, Definition: department.Definition, Rule: "What is held back, in words.",
		Rows: []department.ChangedRow{row("HARBOUR"), row("MOORLAND")}, Total: row(department.AllDepartments)}
	c.Suppression.Applied = suppressed
	return c
}

func releaseOf(code string) department.Release {
	return department.Release{Release: code, From: "2024-07-01", To: "2025-06-30", Departments: []string{"HARBOUR", "MOORLAND"}, Definition: department.Definition,
		Position: 9000, SHA256: "5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e5e", ReleasedAt: fixedAt.RecordedAt}
}

// deskPages adds what changed, the releases, and what was found in pasted events.
func deskPages(t *testing.T, s *Service, add func(name, page string, view any)) {
	t.Helper()
	for name, suppressed := range map[string]bool{"changes-auditor": true, "changes-quality": false} {
		page := &departmentPage{frame: s.frame(t.Context(), auditor, "What changed in the figures between two moments, and why?", &fixedAt), Action: "/figures/changes",
			From: "2024-07-01", To: "2025-06-30"}
		changesForm(page, reading{actor: auditor, query: map[string][]string{"before": {"9000"}, "departments": {"HARBOUR,NOWHERE"}}})
		page.changes(changesOf(suppressed))
		add(name, "department", page)
	}
	framed := s.frame(t.Context(), auditor, "Which figures left the departments, and can they be made again?", &fixedAt)
	manifest, err := sideBySide(t, true).Manifest(department.FormCSV)
	if err != nil {
		t.Fatal(err)
	}
	manifest.SHA256 = releaseOf("").SHA256
	for name, again := range map[string]*department.Remade{"releases": nil,
		"releases-same":  {Release: releaseOf("release-5e5e"), Same: true, Form: department.FormCSV, Manifest: []department.Manifest{manifest}},
		"releases-other": {Release: releaseOf("release-5e5e"), Why: "the record hasn't come to the position of the release"}} {
		view := releasesOf([]department.Release{releaseOf("release-5e5e"), releaseOf("release-7f7f")})
		view.frame, view.Recorded = framed, "The release is recorded."
		if again != nil {
			view.Again = remadeOf(*again)
		}
		add(name, "releases", view)
	}
	none := releasesOf(nil)
	none.frame = framed
	add("releases-none", "releases", none)

	checked := &checkView{Text: `{"id":"<b>"}`}
	checked.found(intake.Receipt{DryRun: true, Valid: 1, Refused: 1, Results: []intake.Result{
		{Index: 0, Line: 1, ID: "a-1", Status: intake.Valid, Confirm: []events.Problem{{Pointer: "/data/age_years", Code: events.CodeConfirm, Detail: "age_years: found 17, usual 18 to 104"}}},
		{Index: 1, Line: 2, Status: intake.Refused, Problems: []events.Problem{{Pointer: "/data/vitreous", Code: events.CodeNotAllowed, Detail: `vitreous: found "gel", allowed none, prolapse, loss`}}}}},
		intake.FormLines, &web.Error{Code: web.CodeInvalid, Message: "The body ends too early."})
	add("intake-checked", "intake", intakeView{frame: s.frame(t.Context(), integrator, intakeTitle, &fixedAt), Answer: intakeAnswer(nil, 0, true), Quarantine: &quarantineView{},
		Troubles: troubleSections(archive.Troubles{}, nil), Check: checked})
}
