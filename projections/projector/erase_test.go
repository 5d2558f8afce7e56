package projector_test

import (
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/projector"
)

// canaries gives a history in which the surgeon of the chart that alarms and one
// patient have the canaries' codes, which also stand in free text and in corrections.
func canaries(t testing.TB) []events.Event {
	t.Helper()
	set := history(11, 14)
	var surgeon, patient string
	for _, e := range set {
		switch d := e.Data.(type) {
		case *events.ChartDesigned:
			if e.Subject == "design-1" {
				surgeon = string(d.Scope)
			}
		case *events.CaseBooked:
			if patient == "" {
				patient = string(d.Patient)
			}
		}
	}
	pairs := renaming(surgeon, canarySurgeon)
	delete(pairs, surgeon) // in quotes only: ids begin with it
	pairs[`"`+surgeon+`"`], pairs[`"`+patient+`"`] = `"`+canarySurgeon+`"`, `"`+canaryPatient+`"`
	set = renamed(t, set, pairs)
	made := maker{base: set, department: "HARBOUR"}
	start := made.ofType(events.TypeCaseStarted)[0]
	enrolled := events.Event{ID: "enrolled-canary", Source: "ehr-harbour", Type: events.TypeSurgeonEnrolled, Subject: canarySurgeon, Department: start.Department,
		Time: start.Time.AddDate(-1, 0, 0), Data: &events.SurgeonEnrolled{Post: "trainee", PriorWholeCases: events.Some[int64](3), VerifiedBy: canarySurgeon}}
	made.es = append(made.es, enrolled)
	// A correction of it that doesn't say what it corrects.
	made.correct(events.TypeEventAmended, enrolled, start.Time, &events.EventAmended{TargetSource: "ehr-harbour", TargetID: "enrolled-canary",
		Data: events.RawOf(&events.SurgeonEnrolled{Post: "trainee", PriorWholeCases: events.Some[int64](5), VerifiedBy: canarySurgeon})})
	made.add(events.TypeComplicationRecorded, start.Subject, start.Time.Add(time.Minute), &events.ComplicationRecorded{Kind: "iris-prolapse",
		NoticedBy: canarySurgeon, Management: "put back by " + canarySurgeon + ", told patient (" + canaryPatient + ")."})
	for i := range made.es[1:] {
		made.es[i+1].ID = fmt.Sprint("canary-", i)
	}
	return append(set, made.es...)
}

// publishCanaries sends the history out of order with repeats, and what can't be
// read between them.
func publishCanaries(t testing.TB, r *registry, set []events.Event, rename map[string]string) {
	t.Helper()
	dice := rand.New(rand.NewPCG(7, 7))
	order := dice.Perm(len(set))
	for n := range 40 {
		order = append(order, order[n*3])
	}
	all := renamed(t, set, rename)
	for _, i := range order[:len(order)-25] {
		r.again(t, all[i])
	}
	newer := `{"specversion":"1.0","id":"newer","source":"ehr-harbour","type":"lensledger.case.booked.v9","subject":"K-NEW","department":"HARBOUR",
		"time":"2025-01-02T10:00:00Z","data":{"patient":"` + canaryPatient + `","surgeon":"` + canarySurgeon + `"}}`
	r.raw(t, "cases.v1.ehr-harbour.HARBOUR.case.booked", "newer", nil, replaced(newer, rename))
	r.raw(t, "cases.v1.ehr-harbour.HARBOUR.case.started", "broken", nil, replaced(`{"specversion":"1.0","first_operator":"`+canarySurgeon+`",`, rename))
	binary := map[string][]string{"ce-specversion": {"1.0"}, "ce-id": {"b"}, "ce-source": {"ehr-harbour"}, "ce-type": {"lensledger.surgeon.moved.v1"},
		"ce-subject": {replaced(canarySurgeon, rename)}, "ce-department": {"HARBOUR"}, "ce-time": {"2025-01-02T10:00:00Z"}}
	r.raw(t, "cases.v1.ehr-harbour.HARBOUR.surgeon.moved", "unmoved", binary, `{"department":"NO SUCH CODE"}`)
	binary["ce-id"] = []string{"c"}
	r.raw(t, "cases.v1.ehr-harbour.HARBOUR.surgeon.moved", "moved", binary, `{"department":"HARBOUR","from_on":"2090-01-01"}`)
	for _, i := range order[len(order)-25:] {
		r.again(t, all[i])
	}
}

// Invariants 11, 19, 30: after an erasure nothing yields the identity, and no figure
// of any date has changed but for the name.
func TestErasureTakesTheNameAndNoFigure(t *testing.T) {
	set := canaries(t)
	dir := t.TempDir()
	r := openRegistry(t, dir)
	var announced atomic.Int64
	said, stop := r.follow(t, func(codes []string) { announced.Add(int64(len(codes))) })
	// What arrives while read models are made for the first time comes with them, and
	// is announced to nobody.
	for begun := time.Now(); !strings.Contains(said(), "projector follows the stream"); time.Sleep(10 * time.Millisecond) {
		if time.Since(begun) > time.Minute {
			t.Fatalf("the projector doesn't follow:\n%s", said())
		}
	}
	publishCanaries(t, r, set, nil)
	end := r.settled(t)

	departments, cases := []string{}, []string{}
	for _, e := range set {
		if !slices.Contains(departments, e.Department) {
			departments = append(departments, e.Department)
		}
		if e.Type == events.TypeCaseStarted && !slices.Contains(cases, e.Subject) {
			cases = append(cases, e.Subject)
		}
	}
	positions := []string{fmt.Sprint(end / 4), fmt.Sprint(end / 2), fmt.Sprint(end - 30), fmt.Sprint(end)}
	before := map[string]string{}
	for _, p := range positions {
		before[p] = r.ask(t, p, departments, []string{canarySurgeon}, cases)
	}
	texts := func() map[string]string { return map[string]string{"dump": r.dump(t), "log and metrics": said()} }
	for _, code := range []string{canarySurgeon, canaryPatient} {
		if found := traces(t, code, dir, texts()); len(found) < 2 {
			t.Fatalf("before the erasure %s is found only in %v: its absence would show nothing", code, found)
		}
	}
	alarms := announced.Load()
	if alarms == 0 {
		t.Fatal("no alarm was announced: the test shows too little")
	}
	wasBooks := r.dispositions(t)

	surgeons := r.erase(t, events.RoleSurgeon, canarySurgeon)
	if found := traces(t, canarySurgeon, dir, texts()); len(found) > 0 {
		t.Errorf("the surgeon's code is still found in %v", found)
	}
	patients := r.erase(t, events.RolePatient, canaryPatient)
	if found := traces(t, canaryPatient, dir, texts()); len(found) > 0 {
		t.Errorf("the patient's code is still found in %v", found)
	}
	if surgeons.Events < 40 || patients.Events < 3 || surgeons.First == 0 || surgeons.Last > end || len(surgeons.Tables) < 10 || len(surgeons.Copies) > 0 {
		t.Errorf("reports: %+v, %+v", surgeons, patients)
	}
	r.settled(t)
	r.checkBooks(t)
	if got := announced.Load(); got != alarms {
		t.Errorf("%d alarms were announced again", got-alarms)
	}

	// What was accepted, a repeat, in conflict or set aside still is.
	books := r.dispositions(t)
	for _, d := range []string{projector.Accepted, projector.Duplicate, projector.Conflict, projector.Quarantined} {
		if books[d] != wasBooks[d] || books[d] == 0 {
			t.Errorf("%s: %d, before %d", d, books[d], wasBooks[d])
		}
	}
	// Each erasure is on record, without the name.
	if n := r.value(t, "SELECT count(*)::text FROM erasure WHERE reason = 'asked for in writing, file 12'"); n != fmt.Sprint(books[projector.Erased]) {
		t.Errorf("%s erasures on record, %d positions", n, books[projector.Erased])
	}
	if n := r.value(t, "SELECT count(*)::text FROM erasure_run"); n != "0" {
		t.Errorf("%s runs are still known", n)
	}

	// The same answers to everything as of every date, but for the name.
	surgeon := r.value(t, "SELECT surgeon FROM chart_entry WHERE surgeon LIKE 'E-%' LIMIT 1")
	patient := r.value(t, "SELECT patient FROM operation WHERE patient LIKE 'E-%' LIMIT 1")
	pairs := renaming(canarySurgeon, surgeon)
	pairs[canaryPatient] = patient
	for _, p := range positions {
		if got, want := r.ask(t, p, departments, []string{surgeon}, cases), replaced(before[p], pairs); got != want {
			t.Errorf("as of %s: %s", p, firstDifference(want, got))
		}
	}
	// The same rows as a registry has that never heard the name.
	r.digests(t) // and a rebuild gives what is live
	never := newRegistry(t)
	publishCanaries(t, never, set, pairs)
	never.run(t, 500)
	rows := r.contents(t)
	if d := difference(never.contents(t), rows); d != "" {
		t.Errorf("rows differ from those of a registry that had the pseudonyms from the start: %s", d)
	}
	// The same as the stream gives from its beginning, by events and in bulk.
	fresh := r.fresh(t)
	if d := difference(fresh.contents(t), rows); d != "" {
		t.Errorf("a fresh projector's rows differ: %s", d)
	}
	sameArchive(t, "a fresh projector's archive", r.archived(t), fresh.archived(t))
	r.copiesAgree(t)

	// A source sends an erased event again as it was.
	var original events.Event
	for _, e := range set {
		if d, ok := e.Data.(*events.CaseStarted); ok && d.FirstOperator == canarySurgeon {
			original = e
		}
	}
	retry := r.again(t, original)
	r.settled(t)
	r.checkBooks(t)
	if d := r.value(t, "SELECT disposition FROM arrival WHERE sequence = $1", int64(retry)); d != projector.Erased {
		t.Errorf("an erased event sent again is %s", d)
	}
	if d := difference(rows, r.contents(t)); d != "" {
		t.Errorf("an erased event sent again changes a figure: %s", d)
	}
	if !strings.Contains(said(), "lensledger_erased_again_total 1") || !strings.Contains(said(), "run lensledger erase again") {
		t.Error("nothing says that an erased event came again")
	}
	if report := r.erase(t, events.RoleSurgeon, canarySurgeon); report.Events != 1 || report.First != retry {
		t.Errorf("the second erasure: %+v, want position %d", report, retry)
	}
	if found := traces(t, canarySurgeon, dir, texts()); len(found) > 0 {
		t.Errorf("after the second erasure the code is found in %v", found)
	}
	if d := difference(rows, r.contents(t)); d != "" {
		t.Errorf("the second erasure changed a figure: %s", d)
	}
	if report := r.erase(t, events.RoleSurgeon, canarySurgeon); report.Events != 0 {
		t.Errorf("a third erasure finds %d events", report.Events)
	}
	r.settled(t)
	fresh = r.fresh(t)
	sameArchive(t, "after a retry", r.archived(t), fresh.archived(t))
	stop()
	r.checkBooks(t)
}

// few is a small registry's events: a patient with two eyes, by one surgeon.
func few() []events.Event {
	booked := func(id, subject, patient string) events.Event {
		return events.Event{ID: id, Source: "ehr-harbour", Type: events.TypeCaseBooked, Subject: subject, Department: "HARBOUR", Time: morning.AddDate(0, 0, -9),
			Data: &events.CaseBooked{Patient: events.Code(patient), Eye: "right", ResponsibleConsultant: canarySurgeon}}
	}
	return []events.Event{booked("1", "K-1", canaryPatient), started("2", "K-1", canarySurgeon, morning), finished("3", "K-1", morning.Add(time.Hour)),
		booked("4", "K-2", "P-2"), started("5", "K-2", canarySurgeon, morning.AddDate(0, 0, 1))}
}

// Broken off after each of its steps and run again each time, an erasure comes to the
// same, and whoever reads the stream meanwhile reads a whole log.
func TestErasureIsTakenUpAgain(t *testing.T) {
	broken := errors.New("broken off")
	r := newRegistry(t)
	_, stop := r.follow(t, nil)
	r.publish(t, few()...)
	r.again(t, few()[1])
	r.settled(t)
	r.erase(t, events.RolePatient, canaryPatient) // what stands for an event is replaced too
	was := r.contents(t)
	other := newRegistry(t) // reads along
	other.stream = r.stream
	request := projector.ErasureRequest{Role: events.RoleSurgeon, Code: canarySurgeon, Reason: "moved away"}
	e := r.eraser(t)
	at := map[string]int{}
	for breaks := 0; ; breaks++ {
		steps := 0
		e.AfterStep(func(name string) error {
			if steps++; name == "begun" && breaks > 0 || name == "ended" && at[name] > 0 {
				return nil
			}
			at[name]++
			return broken
		})
		_, err := e.Run(t.Context(), request)
		if err == nil {
			break
		}
		if !errors.Is(err, broken) {
			t.Fatalf("after %v: %v", at, err)
		}
		other.run(t, 2)
		if breaks%4 == 2 {
			half := r.fresh(t)
			defer func() { // read from the start when half of it was done
				half.run(t, 500)
				sameArchive(t, fmt.Sprint("read after ", breaks, " breaks"), r.archived(t), half.archived(t))
			}()
		}
	}
	if at["begun"] != 1 || at["replaced"] < 6 || at["removed"] < 5 || at["ended"] != 1 {
		t.Errorf("broken off after %v", at)
	}
	r.settled(t)
	r.checkBooks(t)
	if n := r.value(t, "SELECT count(DISTINCT surgeon)::text FROM chart_entry"); n != "1" {
		t.Errorf("the surgeon has %s pseudonyms", n)
	}
	surgeon := r.value(t, "SELECT surgeon FROM chart_entry LIMIT 1")
	for table, rows := range was {
		for i := range rows {
			rows[i] = replaced(rows[i], renaming(canarySurgeon, surgeon))
		}
		slices.Sort(was[table])
	}
	if d := difference(was, r.contents(t)); d != "" {
		t.Error(d)
	}
	fresh := r.fresh(t)
	sameArchive(t, "a fresh projector", r.archived(t), fresh.archived(t))
	other.run(t, 2)
	sameArchive(t, "one that read along", r.archived(t), other.archived(t))
	if found := traces(t, canarySurgeon, t.TempDir(), map[string]string{"dump": r.dump(t), "fresh": fresh.dump(t), "along": other.dump(t)}); len(found) > 0 {
		t.Errorf("found in %v", found)
	}
	stop()
}

// A database restored from before an erasure goes through it by itself, though the
// repeats that it reads on the way have been replaced already.
func TestRestoredDatabaseErasesAgain(t *testing.T) {
	r := newRegistry(t)
	r.publish(t, few()...)
	older := r.fresh(t) // stands before what follows
	r.again(t, few()[0])
	r.again(t, few()[1])
	_, stop := r.follow(t, nil)
	r.settled(t)
	r.erase(t, events.RoleSurgeon, canarySurgeon)
	r.erase(t, events.RolePatient, canaryPatient)
	stop()
	if found := traces(t, canarySurgeon, t.TempDir(), map[string]string{"dump": older.dump(t)}); len(found) == 0 {
		t.Fatal("the restored database has nothing to erase")
	}
	older.run(t, 1)
	older.checkBooks(t)
	sameArchive(t, "the restored database", r.archived(t), older.archived(t))
	if !slices.Equal(r.digests(t), older.digests(t)) {
		t.Error(difference(r.contents(t), older.contents(t)))
	}
	for _, code := range []string{canarySurgeon, canaryPatient} {
		if found := traces(t, code, t.TempDir(), map[string]string{"dump": older.dump(t)}); len(found) > 0 {
			t.Errorf("%s is still in the restored database", code)
		}
	}
}

// Copies of the read models that are made meanwhile are made again.
func TestRebuildDuringAnErasure(t *testing.T) {
	r := newRegistry(t)
	_, stop := r.follow(t, nil)
	defer stop()
	r.publish(t, canaries(t)...)
	r.settled(t)
	done := make(chan struct{})
	rebuilt := make(chan error, 1)
	rebuilds := 0
	go func() {
		for {
			select {
			case <-done:
				rebuilt <- nil
				return
			default:
			}
			if err := r.projector().Rebuild(t.Context()); err != nil {
				rebuilt <- err
				return
			}
			rebuilds++
		}
	}()
	r.erase(t, events.RoleSurgeon, canarySurgeon)
	close(done)
	if err := <-rebuilt; err != nil {
		t.Fatal(err)
	}
	t.Log(rebuilds, "rebuilds during the erasure")
	r.digests(t)
	if found := traces(t, canarySurgeon, t.TempDir(), map[string]string{"dump": r.dump(t)}); len(found) > 0 {
		t.Errorf("the code is found in %v", found)
	}
}

// An erasure that can't be carried through says so, and never says whose it is.
func TestErasureRefusals(t *testing.T) {
	r := newRegistry(t)
	r.publish(t, few()...)
	s := r.eraser(t).Stream
	impatient := projector.NewEraser(projector.EraserConfig{Pool: r.Pool, Base: r.Base, Stream: s, Wait: 100 * time.Millisecond, Log: slog.New(slog.DiscardHandler)})
	request := projector.ErasureRequest{Role: events.RolePatient, Code: canaryPatient, Reason: "asked for"}
	_, err := impatient.Run(t.Context(), request)
	if !errors.Is(err, projector.ErrNotProjected) || strings.Contains(err.Error(), canaryPatient) {
		t.Errorf("without a projector: %v", err)
	}
	if m, err := r.stream.Get(t.Context(), 1); err != nil || m.Replacement != nil {
		t.Errorf("without a projector an event was erased: %v", err)
	}
	r.run(t, 500)
	for _, bad := range []projector.ErasureRequest{
		{Role: "case", Code: canaryPatient, Reason: "x"}, {Role: events.RolePatient, Code: "CANARY PATIENT", Reason: "x"},
		{Role: events.RolePatient, Code: canaryPatient}, {Role: events.RolePatient, Code: canaryPatient, Reason: "two\nlines"},
		{Role: events.RolePatient, Code: canaryPatient, Reason: "for " + canaryPatient}, {Role: events.RoleSurgeon, Code: "undetermined", Reason: "x"},
		{Role: events.RoleSurgeon, Code: "trainees", Reason: "x"},
	} {
		if _, err := impatient.Run(t.Context(), bad); err == nil || strings.Contains(err.Error(), "CANARY") {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	// Two at a time would make two pseudonyms of one person's events.
	e := r.eraser(t)
	e.AfterStep(func(name string) error {
		if name == "begun" {
			if _, err := impatient.Run(t.Context(), request); !errors.Is(err, projector.ErrErasing) {
				t.Errorf("a second erasure beside the first: %v", err)
			}
		}
		return nil
	})
	_, stop := r.follow(t, nil)
	defer stop()
	if _, err := e.Run(t.Context(), request); err != nil {
		t.Error(err)
	}
}
