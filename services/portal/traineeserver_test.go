package portal

import (
	"encoding/csv"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"

	"lensledger/projections/learning"
	"lensledger/services/access"
)

// testLogbook reads a trainee's logbook as a page and as a file.
func testLogbook(t *testing.T, r *registry) {
	r.as(trainee).get("/my/logbook").want(t, http.StatusOK, "30 operations: 30 whole cases and 0 part cases.", "(your own)", "5 of 30", `href="/cases/HB-030"`,
		"surgeon=S-014").lacks(t, "<select")
	r.as(trainee).get("/my/logbook?from=2025-01-07&to=2025-01-08").want(t, http.StatusOK, "2 operations from 7 January 2025 to 8 January 2025", `value="2025-01-07"`,
		"from=2025-01-07&amp;surgeon=S-014&amp;to=2025-01-08").lacks(t, "HB-001", "HB-004")
	r.as(trainee).get("/my/logbook?from=2031-01-01").want(t, http.StatusOK, "No operation is recorded from 1 January 2031 on. Choose other days")
	for query, says := range map[string]string{"?from=2025-02-01&to=2025-01-01": "The last day lies before the first", "?from=yesterday": "The first day can&#39;t be read",
		"?to=2025-02-31": "The last day can&#39;t be read"} {
		r.as(trainee).get("/my/logbook"+query).want(t, http.StatusUnprocessableEntity, says, "This needs another look")
		r.as(trainee).get("/my/logbook.csv"+query).want(t, http.StatusBadRequest)
	}
	r.as(trainer).get("/my/logbook?surgeon=S-014").want(t, http.StatusOK, `<option value="S-014" selected="selected">`, "30 whole cases").lacks(t, "</strong> (your own)")
	r.as(trainer).get("/my/logbook").want(t, http.StatusOK, "No operation is recorded.")
	for _, path := range []string{"/my/logbook?surgeon=S-099", "/my/logbook.csv?surgeon=S-099", "/my/logbook?surgeon=NOBODY", "/my/progress?surgeon=NOBODY"} {
		r.as(trainee).get(path).want(t, http.StatusNotFound, "Nothing here that you may see")
		r.as(trainer).get(path).want(t, http.StatusNotFound)
	}
	for _, a := range []access.Actor{quality, auditor, administrator} {
		r.as(a).get("/my/logbook").want(t, http.StatusForbidden)
		r.as(a).get("/my/logbook.csv?surgeon=S-014").want(t, http.StatusForbidden)
	}
	file := r.as(trainee).get("/my/logbook.csv?from=2025-01-06&to=2025-01-08").want(t, http.StatusOK)
	rows, err := csv.NewReader(strings.NewReader(file.body)).ReadAll()
	if err != nil || len(rows) != 4 || !slices.Equal(rows[0], learning.LogbookColumns) || rows[1][0] != "HB-001" || rows[1][2] != "2025-01-06" || rows[1][3] != "2025-01-06T09:00:00+00:00" ||
		rows[1][12] != "true" || rows[1][13] != "posterior-capsule-rupture" {
		t.Errorf("%v %q", err, rows)
	}
	if got := file.header.Get("Content-Disposition"); got != `attachment; filename="logbook-2025-01-06-2025-01-08.csv"` {
		t.Error(got)
	}
	// A beginner without any operation is told what will come.
	beginner := access.Actor{Subject: "beginner", Role: access.Trainee, Surgeon: "S-098"}
	r.as(beginner).get("/my/progress").want(t, http.StatusOK, "No operation is recorded yet. This page fills with the first one", "The next published minimum is 86: 86 to go.",
		"There is none: such charts are drawn for supervised trainees")
	r.as(beginner).get("/my/logbook").want(t, http.StatusOK, "No operation is recorded.")
	r.as(trainee).get("/my/progress").want(t, http.StatusOK, `data-drawing="run"`, `data-drawing="step-times"`, `data-source="/v1/surgeons/S-014/progress"`,
		"Least supervision lately", "Too few operations were looked at since the advice", "They aren&#39;t drawn: a drawing needs 25 eyes", "Follow-up is missing for ")
}

// testQuestions says that a record is wrong, answers it, and reads the answer.
func testQuestions(t *testing.T, r *registry) {
	by, officer := r.as(trainee), r.as(quality)
	page := by.get("/cases/HB-010").want(t, http.StatusOK, "Say that this record is wrong", "Nobody has said that something in this record is wrong.")
	r.as(trainer).get("/cases/HB-010").want(t, http.StatusOK, "you aren&#39;t among its operators on record").lacks(t, "Say that this record is wrong")
	officer.get("/cases/HB-010").lacks(t, "Say that this record is wrong")
	officer.get("/departments/HARBOUR/questions").want(t, http.StatusOK, "Nobody has said that a record of this department is wrong.")

	const action = "/cases/HB-010/questions"
	form := formOf(t, page)
	form.Set("part", "operator")
	form.Set("words", "The last \"quadrant\"\r\nwas mine")
	for field, c := range map[string]struct{ value, says string }{
		"part":      {"lunch", "Choose which part"},
		"words":     {strings.Repeat("é", maxActionCharacters+1), "shorten them to 500"},
		"opened_at": {"2019-01-01T00:00:00Z", "lay open for too long"},
		"form":      {"forged id", "lay open for too long"},
	} {
		wrong := url.Values{}
		for k, v := range form {
			wrong[k] = v
		}
		wrong.Set(field, c.value)
		again := by.post(action, wrong).want(t, http.StatusUnprocessableEntity, c.says, "Nothing is stored yet", "Back to the case HB-010")
		if field != "part" {
			again.want(t, http.StatusUnprocessableEntity, `value="operator" selected="selected"`)
		}
	}
	empty := formOf(t, page)
	by.post(action, empty).want(t, http.StatusUnprocessableEntity, "Choose which part", "Write what is wrong and what is right")
	r.as(trainer).post(action, form).want(t, http.StatusForbidden)
	officer.post(action, form).want(t, http.StatusForbidden)
	by.post("/cases/ML-001/questions", form).want(t, http.StatusNotFound)

	sent := by.post(action, form).want(t, http.StatusSeeOther)
	// Sent twice, it is one question.
	by.post(action, form).want(t, http.StatusSeeOther)
	to := sent.header.Get("Location")
	shown := by.get(strings.TrimSuffix(to, "#questions")).want(t, http.StatusOK, "What you wrote is recorded.", "“The last &#34;quadrant&#34; was mine”", "Not answered yet.")
	if n := strings.Count(shown.body, "Not answered yet."); n != 1 {
		t.Errorf("%d questions", n)
	}
	by.get("/my/progress").want(t, http.StatusOK, "Not answered yet: 1 record that was said to be wrong.", "1 of 1 not answered yet")

	list := officer.get("/departments/HARBOUR/questions").want(t, http.StatusOK, "1 question waits for an answer", "Asked by S-014", `href="/cases/HB-010"`)
	by.get("/departments/HARBOUR/questions").want(t, http.StatusForbidden)
	officer.get("/departments/MOORLAND/questions").want(t, http.StatusNotFound)
	answer := regexp.MustCompile(`action="(/departments/HARBOUR/questions/[^"]+/answers)"`).FindStringSubmatch(list.body)
	if answer == nil {
		t.Fatalf("no form for an answer\n%s", list.words())
	}
	form = formOf(t, list)
	form.Set("words", "Amended by the theatre")
	officer.post(answer[1], form).want(t, http.StatusUnprocessableEntity, "Choose what came of the question.", `href="#answer-1"`, ">Amended by the theatre</textarea>")
	form.Set("answer", "corrected")
	by.post(answer[1], form).want(t, http.StatusForbidden)
	officer.post("/departments/HARBOUR/questions/question-none/answers", form).want(t, http.StatusNotFound)
	officer.post("/departments/MOORLAND"+strings.TrimPrefix(answer[1], "/departments/HARBOUR"), form).want(t, http.StatusNotFound)
	officer.post(answer[1], form).want(t, http.StatusSeeOther)
	officer.get("/departments/HARBOUR/questions").want(t, http.StatusOK, "No question waits for an answer.", "Corrected, quality on ")
	by.get("/cases/HB-010").want(t, http.StatusOK, "Corrected, quality on ", "“Amended by the theatre”")
	by.get("/my/progress").want(t, http.StatusOK, "0 of 1 not answered yet", "Amended by the theatre").lacks(t, "Not answered yet: ")
	r.as(trainer).get("/my/progress?surgeon=S-014").want(t, http.StatusOK, "Amended by the theatre")
}
