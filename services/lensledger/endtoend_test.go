package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lensledger/events/simulate"
	"lensledger/events/stream"
	"lensledger/projections/projector"
)

// The demo goes the program's own way: most of it waits in the stream and takes
// the bulk path, the rest arrives while the program follows.
func TestNaiveRecomputationOfTheDemo(t *testing.T) {
	const live = 4000
	var bodies [][]byte
	var batch []stream.Outgoing
	for e := range simulate.Demo().Events() {
		body := e.Encode()
		bodies = append(bodies, body)
		batch = append(batch, stream.Outgoing{Subject: projector.SubjectOf(e), MessageID: e.MessageID(), Data: body})
	}
	w := newWorld(t, func(log *stream.Stream) { send(t, log, batch[:len(batch)-live]...) })
	send(t, w.log, batch[len(batch)-live:]...)

	bySubject := naiveRead(t, bodies)
	operations := naiveOperations(bySubject)
	if len(operations) < 6000 {
		t.Fatalf("the naive recomputation finds %d operations", len(operations))
	}
	w.checkBooks(t)
	compareDepartments(t, w, operations, demoDepartments, 900)
	eyes := naiveEyes(bySubject)
	compareEyes(t, w, eyes, demoDepartments, 150)
	if runs, points, advised := compareLearning(t, w, bySubject, eyes, demoDepartments); runs < 60_000 || points < 8000 || advised < 100 {
		t.Errorf("too little to compare: %d runs of steps, %d points of charts, %d teaching points", runs, points, advised)
	}
	surgeons, points, alarms := compareCharts(t, w, bySubject, operations, demoDepartments)
	if surgeons != 47 || points < 12_000 || alarms < 2 {
		t.Errorf("too little to compare: %d surgeons, %d points, %d alarms", surgeons, points, alarms)
	}
	t.Run("truth", func(t *testing.T) { compareTruth(t, w, bySubject) })
}

// demoDepartments are those of events/simulate.
var demoDepartments = []string{"HARBOUR", "MOORLAND", "FENLAND"}

// The demo is a well-kept record. This one is a wild one, made to meet the rules
// that the demo seldom or never does.
func TestNaiveRecomputationOfOddCases(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Log("seed", seed)
	o := &oddRecord{Rand: rand.New(rand.NewPCG(seed, 1))}
	var batch []stream.Outgoing
	var bodies [][]byte
	for _, f := range o.write(900) {
		batch = append(batch, f.outgoing())
		bodies = append(bodies, []byte(f.json()))
	}
	o.Shuffle(len(batch), func(i, j int) { batch[i], batch[j] = batch[j], batch[i] })
	w := newWorld(t, nil)
	send(t, w.log, batch...)
	w.checkBooks(t)
	var refused int
	if err := w.Pool.QueryRow(t.Context(), "SELECT count(*) FROM quarantine").Scan(&refused); err != nil || refused > 0 {
		t.Fatalf("%d events are in quarantine: %v", refused, err)
	}
	bySubject := naiveRead(t, bodies)
	operations := naiveOperations(bySubject)
	compareDepartments(t, w, operations, []string{"ODD"}, 200)
	surgeons, points, alarms := compareCharts(t, w, bySubject, operations, []string{"ODD"})
	if surgeons != len(oddPosts) || points < 300 || alarms < 2 {
		t.Errorf("too little to compare: %d surgeons, %d points, %d alarms", surgeons, points, alarms)
	}
}

// compareDepartments holds every department's figures against the oracle's: whole
// months, which are sums of cells, and odd days, which are summed from operations.
func compareDepartments(t *testing.T, w *world, operations []naiveOperation, departments []string, least int) {
	t.Helper()
	for _, department := range departments {
		for _, days := range [][2]string{{"2024-01-01", "2025-12-31"}, {"2024-03-10", "2025-02-20"}, {"2024-02-01", "2024-02-29"}, {"2024-01-10", "2024-01-10"}} {
			from, to := days[0], days[1]
			var got benchmarkAnswer
			w.get(t, quality(department), benchmarkPath(department, from, to, ""), &got)
			want := naiveBenchmark(operations, department, from, to)
			if d := differs(department+" "+from, got, want); d != "" {
				t.Error(d)
			}
			if from == "2024-01-01" && (got.Operations < least || got.Rupture.Events < 5 || len(got.Excluded) == 0) {
				t.Errorf("%s: too little to compare: %+v", department, got)
			}
		}
		for _, view := range []string{"responsible-consultant", "first-operator", "operator-at-cause"} {
			var got benchmarkAnswer
			w.get(t, quality(department), benchmarkPath(department, "2024-01", "2025-12", view), &got)
			found := map[string]ruptureFigure{}
			for _, f := range got.BySurgeon {
				f.Unknown = nil
				found[f.Surgeon] = f.ruptureFigure
			}
			if d := differs(department+" "+view, found, naiveBySurgeon(operations, view, department, "2024-01-01", "2025-12-31")); d != "" {
				t.Error(d)
			}
		}
	}
}

// compareCharts holds every chart of every surgeon against the oracle's, case by
// case, and the list of alarms.
func compareCharts(t *testing.T, w *world, bySubject map[string][]naiveEvent, operations []naiveOperation, departments []string) (surgeons, points, crossings int) {
	t.Helper()
	officer := quality(departments...)
	var alarms []string
	for _, surgeon := range slices.Sorted(maps.Keys(bySubject)) {
		standing := naiveStanding(bySubject[surgeon])
		i := slices.IndexFunc(standing, func(e naiveEvent) bool { return e.kind == "lensledger.surgeon.enrolled.v1" })
		if i < 0 {
			continue
		}
		surgeons++
		prior, _ := standing[i].data["prior_whole_cases"].(float64)
		trainee := !slices.Contains([]string{"consultant", "associate-specialist", "staff-grade"}, standing[i].word("post"))
		var answer struct{ Charts []chartAnswer }
		w.get(t, officer, "/v1/surgeons/"+url.PathEscape(surgeon)+"/charts", &answer)
		// Charts of steps have rules of their own: see compareLearning.
		answer.Charts = slices.DeleteFunc(answer.Charts, func(c chartAnswer) bool { return strings.HasPrefix(c.Outcome, "step:") })
		if want := map[bool]int{true: 4, false: 2}[trainee]; len(answer.Charts) != want {
			t.Errorf("%s has %d charts, want %d", surgeon, len(answer.Charts), want)
		}
		for _, chart := range answer.Charts {
			name := surgeon + " " + chart.Outcome + " " + chart.Kind
			checkRuptureDesign(t, name, trainee, surgeon == "S-014", chart)
			want := naiveChart(operations, surgeon, int(prior), chart)
			if d := differs(name, chart, want); d != "" {
				t.Error(d)
			}
			points += len(chart.Cases)
			for _, a := range want.Alarms {
				alarms = append(alarms, surgeon+" "+chart.Outcome+" "+a.Case)
			}
		}
	}
	var listed struct {
		Alarms []struct{ Surgeon, Outcome, Case string }
	}
	w.get(t, officer, "/v1/alarms", &listed)
	var got []string
	for _, a := range listed.Alarms {
		got = append(got, a.Surgeon+" "+a.Outcome+" "+a.Case)
	}
	slices.Sort(got)
	slices.Sort(alarms)
	if !slices.Equal(got, alarms) {
		t.Errorf("alarms %v, want %v", got, alarms)
	}
	return surgeons, points, len(alarms)
}

// checkRuptureDesign holds the designs in force for rupture against the settings
// of common practice; that of S-014 is the demo's own event.
func checkRuptureDesign(t *testing.T, name string, trainee, own bool, chart chartAnswer) {
	t.Helper()
	if chart.Outcome != "capsule-rupture" {
		return
	}
	type setting struct {
		acceptable, unacceptable, threshold float64
		closes                              int
	}
	twice := func(p float64) float64 { return 2 * p / (1 + p) } // odds ratio 2
	want := setting{.01, twice(.01), 2.4, 0}
	switch {
	case chart.Kind == "competence" && own:
		want = setting{.05, .10, 2.42, 100}
	case chart.Kind == "competence":
		want = setting{.05, .10, 3.58, 300}
	case trainee:
		want = setting{.03, twice(.03), 2.36, 0}
	}
	d := chart.Design
	got := setting{d.Acceptable, d.Unacceptable, d.Threshold, 0}
	if d.Closes != nil {
		got.closes = *d.Closes
	}
	diff := differs(name+" design", []float64{got.acceptable, got.unacceptable, float64(got.closes)},
		[]float64{want.acceptable, want.unacceptable, float64(want.closes)})
	// Thresholds are given to two places and are "about" what holds the chance.
	if diff != "" || math.Abs(got.threshold-want.threshold) > .011 {
		t.Errorf("%s design: %+v, want %+v", name, got, want)
	}
}

// child is the program in a process of its own, to be killed.
type child struct {
	*exec.Cmd
	url    string
	tokens map[string]string
}

// newChild starts `lensledger demo --empty` on a folder. With a wait it is killed
// after it, ready or not, and nil is returned.
func newChild(t *testing.T, dir string, killAfter time.Duration) *child {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := &child{Cmd: exec.Command(program, "demo", "--empty", "--listen", "127.0.0.1:0", "--data", dir)}
	c.Env = append(slices.DeleteFunc(os.Environ(), func(v string) bool {
		return strings.HasPrefix(v, "DATABASE_URL=") || strings.HasPrefix(v, "NATS_URL=")
	}), childVariable+"=1")
	stderr, err := c.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.kill)
	if killAfter > 0 {
		time.Sleep(killAfter) // the moment is what is tested, nothing is waited for
		c.kill()
		return nil
	}
	answers := make(chan string, 1)
	said := make(chan string, 1)
	go func() {
		var all strings.Builder
		for in := bufio.NewScanner(stderr); in.Scan(); {
			fmt.Fprintln(&all, in.Text())
			if _, rest, ok := strings.Cut(in.Text(), "lensledger answers at "); ok {
				address, _, _ := strings.Cut(rest, "/ ")
				answers <- address
			}
		}
		said <- all.String()
	}()
	select {
	case c.url = <-answers:
	case text := <-said:
		t.Fatalf("the program ended: %s", text)
	case <-time.After(5 * time.Minute):
		t.Fatal("the program isn't ready after five minutes")
	}
	text, err := os.ReadFile(filepath.Join(dir, "personas.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &c.tokens); err != nil {
		t.Fatal(err)
	}
	return c
}

// kill ends the process as kill -9 does.
func (c *child) kill() {
	_ = c.Process.Kill() // it may be gone already
	_ = c.Wait()
}

func (c *child) do(persona, method, path, body string, v any) (int, error) {
	request, err := http.NewRequest(method, c.url+path, strings.NewReader(body))
	if err != nil {
		return 0, err
	}
	request.Header.Set("Authorization", "Bearer "+c.tokens[persona])
	request.Header.Set("Content-Type", lines)
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return 0, err
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		return 0, err
	}
	return response.StatusCode, json.Unmarshal(text, v)
}

// acknowledged collects what publishers were told is stored: by case, ids and
// their positions.
type acknowledged struct {
	sync.Mutex
	events map[string]map[string]uint64
	count  int
}

// publishUntilKilled sends cases one after another until the program is gone.
func (a *acknowledged) publishUntilKilled(t *testing.T, c *child, name string) {
	for n := 0; ; n++ {
		code := fmt.Sprintf("%s-%04d", name, n)
		var body strings.Builder
		for i := range 8 {
			f := harbour(fmt.Sprintf("%s-%d", code, i), "step.started", code, `{"step":"draping","operator":"S-1"}`)
			body.WriteString(f.json() + "\n")
		}
		var r receipt
		status, err := c.do("integrator", http.MethodPost, "/v1/events", body.String(), &r)
		a.Lock()
		for _, one := range r.Results { // also of an answer that was cut off by the end
			if err == nil && one.Sequence > 0 {
				if a.events[code] == nil {
					a.events[code] = map[string]uint64{}
				}
				a.events[code][one.ID] = one.Sequence
				a.count++
			}
		}
		a.Unlock()
		if err != nil {
			return
		}
		if status != http.StatusAccepted && status != http.StatusServiceUnavailable {
			t.Errorf("publish: %d %+v", status, r)
			return
		}
	}
}

// check wants every acknowledged event back at its position, and books that add
// up.
func (a *acknowledged) check(t *testing.T, c *child, name string) {
	t.Helper()
	var r receipt
	if _, err := c.do("integrator", http.MethodPost, "/v1/events?wait=projected", harbour("after-"+name, "step.started", "AFTER-"+name, `{"step":"draping"}`).json(), &r); err != nil || r.Stored != 1 || r.Results[0].Disposition != "accepted" {
		t.Fatalf("publish after the restart: %+v %v", r, err)
	}
	var books struct {
		N      uint64
		Counts map[string]uint64
		AsOf   struct{ Position uint64 } `json:"as_of"`
	}
	if _, err := c.do("administrator", http.MethodGet, "/v1/intake", "", &books); err != nil {
		t.Fatal(err)
	}
	if last := r.Results[0].Sequence; books.N != last || books.AsOf.Position != last || books.Counts["accepted"]+books.Counts["duplicate"] != last {
		t.Errorf("the books don't add up: last sequence %d, %+v", last, books)
	}
	for code, ids := range a.events {
		var kept struct {
			Events []struct {
				ID       string
				Sequence uint64
			}
		}
		status, err := c.do("integrator", http.MethodGet, "/v1/cases/"+code+"/events", "", &kept)
		if err != nil || status != http.StatusOK {
			t.Fatalf("events of %s: %d %v", code, status, err)
		}
		found := map[string]uint64{}
		for _, e := range kept.Events {
			found[e.ID] = e.Sequence
		}
		for id, sequence := range ids {
			if found[id] == 0 || found[id] > sequence {
				t.Errorf("%s was acknowledged at %d and is found at %d", id, sequence, found[id])
			}
		}
	}
}

// Whatever was acknowledged is there after kill -9, at any moment, start
// included: the program comes up again on the same folder without help.
func TestKill(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a PostgreSQL server")
	}
	seed := uint64(time.Now().UnixNano())
	t.Log("seed", seed)
	dice := rand.New(rand.NewPCG(seed, 0))
	dir, err := os.MkdirTemp("", "lensledger-kill-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) }) // a server on its way out may still write
	// Postgres runs as another user where root tests, and must get in.
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for round := range 3 {
		c := newChild(t, dir, 0)
		stored := &acknowledged{events: map[string]map[string]uint64{}}
		var publishers sync.WaitGroup
		for p := range 2 {
			publishers.Go(func() { stored.publishUntilKilled(t, c, fmt.Sprintf("KILL-%d-%d", round, p)) })
		}
		time.Sleep(time.Duration(100+dice.IntN(600)) * time.Millisecond) // the moment is what is tested
		c.kill()
		publishers.Wait()
		if round == 1 {
			newChild(t, dir, time.Duration(50+dice.IntN(600))*time.Millisecond)
		}
		if stored.count == 0 {
			t.Errorf("round %d: nothing was acknowledged", round)
		}
		c = newChild(t, dir, 0)
		stored.check(t, c, fmt.Sprint(round))
		c.kill()
	}
}

// oddRecord writes operations that go and are recorded in every odd way.
type oddRecord struct {
	*rand.Rand
	facts []fact
	code  string    // of the case that is written
	start time.Time // of its operation

	stepped []bool // of each case: whether its steps are recorded
}

// oddPosts are the surgeons' posts: X-0 and so on.
var oddPosts = []string{"consultant", "specialist-registrar", "staff-grade", "fellow", "senior-house-officer"}

func (o *oddRecord) chance(p float64) bool { return o.Float64() < p }

// maybe gives one of some JSON texts as a member of an object, or leaves it out.
func (o *oddRecord) maybe(name string, values ...string) string {
	if i := o.IntN(len(values) + 1); i > 0 {
		return `"` + name + `":` + values[i-1] + `,`
	}
	return ""
}

func object(members ...string) string {
	return "{" + strings.TrimSuffix(strings.Join(members, ""), ",") + "}"
}

// add writes one event so many minutes after the start.
func (o *oddRecord) add(minute float64, kind, data string) fact {
	f := fact{id: fmt.Sprintf("odd-%d", len(o.facts)), source: "ehr-odd", department: "ODD", kind: kind, subject: o.code,
		at: o.start.Add(time.Duration(minute * float64(time.Minute))).Format(time.RFC3339), data: data}
	o.facts = append(o.facts, f)
	return f
}

func (o *oddRecord) surgeon() string { return fmt.Sprintf("X-%d", o.IntN(len(oddPosts))) }

func (o *oddRecord) write(cases int) []fact {
	for i, post := range oddPosts {
		o.code, o.start = fmt.Sprintf("X-%d", i), time.Date(2023, 12, 1, 9, 0, 0, 0, time.UTC)
		o.add(0, "surgeon.enrolled", object(`"post":"`+post+`",`, o.maybe("prior_whole_cases", "7", "99")))
	}
	for i := range cases {
		zone := time.FixedZone("", []int{0, 3600, -5 * 3600, 13 * 3600}[o.IntN(4)])
		o.code = fmt.Sprintf("ODD-%04d", i)
		o.start = time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(o.IntN(720*24*60)) * time.Minute).In(zone)
		from := len(o.facts)
		o.operation()
		// Records with steps are joined with such alone: see operation.
		if other := o.IntN(i + 1); other < i && o.stepped[other] == o.stepped[i] && o.chance(.12) {
			o.add(2000, "case.joined", fmt.Sprintf(`{"other_case":"ODD-%04d"}`, other))
		}
		for o.chance(.35) {
			o.correction(o.facts[from+o.IntN(len(o.facts)-from)])
		}
	}
	return o.facts
}

func (o *oddRecord) operation() {
	first := o.surgeon()
	if o.chance(.8) {
		o.add(-9000, "case.booked", object(`"patient":"P-1","eye":"left",`, o.maybe("responsible_consultant", `"X-0"`, `"X-2"`),
			o.maybe("procedure", `"phacoemulsification"`, `"laser-assisted"`, `"phacoemulsification"`, `"extracapsular"`), o.maybe("combined_with", "[]", "[]", `["glaucoma"]`)))
	}
	for _, minute := range []float64{-7000, -10, 0, 10} {
		if o.chance(.5) {
			o.add(minute, "preop.assessed", o.assessment())
		}
	}
	if o.chance(.1) {
		o.add(-5, "case.cancelled", `{"stage":"before-theatre"}`)
	}
	o.add(0, "case.started", object(`"first_operator":"`+first+`",`, o.maybe("responsible_consultant", `"X-0"`, `"X-1"`)))
	if o.chance(.1) {
		o.add(1, "case.started", `{"first_operator":"`+o.surgeon()+`"}`)
	}
	by, stepped := first, o.chance(.6)
	o.stepped = append(o.stepped, stepped)
	for i, step := range []string{"capsulorhexis", "sculpting", "segment-removal", "cortex-aspiration", "lens-insertion"} {
		minute := float64(5 * (i + 1))
		if o.chance(.12) {
			if to := o.surgeon(); to != by {
				members := []string{`"from":"` + by + `","to":"` + to + `",`, o.maybe("planned", "true", "false"), o.maybe("reason", `"planned"`, `"teaching"`, `"difficulty"`, `"complication"`)}
				if stepped { // without a recorded step a hand-over can't be placed by its time
					members = append(members, `"step":"`+step+`",`)
				}
				o.add(minute, "operator.changed", object(members...))
				by = to
			}
		}
		if stepped {
			o.add(minute+1, "step.started", object(`"step":"`+step+`",`, o.maybe("operator", `"`+by+`"`, `"`+by+`"`, `"`+by+`"`)))
			o.add(minute+3, "step.finished", `{"step":"`+step+`"}`)
		}
		if o.chance(.08) {
			o.add(minute+2, "complication.recorded", object(o.maybe("caused_by", `"undetermined"`, `"`+by+`"`, `"`+first+`"`), o.maybe("vitreous", `"none"`, `"prolapse"`, `"loss"`),
				`"kind":"`+[]string{"posterior-capsule-rupture", "posterior-capsule-rupture", "zonule-rupture", "zonular-dialysis", "anterior-tear"}[o.IntN(5)]+`",`))
		}
	}
	switch u := o.Float64(); {
	case u < .05:
		o.add(30, "case.cancelled", `{"stage":"after-incision"}`)
	case u < .1:
		o.add(30, "case.cancelled", `{"stage":"before-incision"}`)
		if o.chance(.5) { // another day
			o.add(3000, "case.started", `{"first_operator":"`+first+`"}`)
			o.add(3030, "case.finished", `{}`)
		}
	case u < .9:
		o.add(float64(30+o.IntN(400)), "case.finished", `{}`)
	}
}

func (o *oddRecord) assessment() string {
	members := []string{o.maybe("age_years", "5", "17", "18", "59", "60", "69", "70", "79", "80", "89", "90"), o.maybe("sex", `"male"`, `"female"`),
		o.maybe("pupil", `"large"`, `"medium"`, `"small"`), o.maybe("axial_length_um", "25999", "26000"), o.maybe("alpha_blocker", `"doxazosin"`, `"tamsulosin"`, `"none"`)}
	for _, name := range []string{"glaucoma", "diabetic_retinopathy", "white_cataract", "brunescent_cataract", "no_fundal_view", "vitreous_opacities",
		"pseudoexfoliation", "phacodonesis", "can_lie_flat", "previous_vitrectomy"} {
		members = append(members, o.maybe(name, "true", "false", "false"))
	}
	return object(members...)
}

// correction does something to an event: sends it again, sends another content
// under its id, amends it, retracts it. Not everybody may, and corrections are
// corrected too.
func (o *oddRecord) correction(target fact) {
	named := `"target_source":"` + target.source + `","target_id":"` + target.id + `",`
	minute := float64(5000 + o.IntN(3)*100)
	switch correction := strings.HasPrefix(target.kind, "event."); {
	case o.chance(.15):
		o.facts = append(o.facts, target)
		return
	case o.chance(.2) && !correction:
		target.at = strings.Replace(target.at, ":00+", ":30+", 1)
		target.at = strings.Replace(target.at, ":00Z", ":30Z", 1)
		o.facts = append(o.facts, target)
		return
	case correction || o.chance(.4):
		o.add(minute, "event.retracted", object(named))
	default:
		data := target.data
		switch {
		case target.kind == "preop.assessed":
			data = o.assessment()
		case o.chance(.2):
			data = `{"unusable":true}`
		}
		occurred := ""
		if o.chance(.3) {
			occurred = `"occurred_at":"` + o.start.Add(time.Duration(o.IntN(9)-4)*time.Minute).Format(time.RFC3339) + `",`
		}
		o.add(minute, "event.amended", object(named, occurred, `"data":`+data+`,`))
	}
	last := &o.facts[len(o.facts)-1]
	last.source = []string{"ehr-odd", "ehr-odd", "ehr-odd", "quality-desk", "ehr-other"}[o.IntN(5)]
	if o.chance(.35) {
		o.correction(*last)
	}
}
