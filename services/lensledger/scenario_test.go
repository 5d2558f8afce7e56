package main

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"lensledger/events/stream"
)

// scenarioChart and the types after it are what the API says of a surgeon, as far as a scenario's
// measures have it.
type scenarioChart struct {
	Department, Outcome, Kind string

	Design    struct{ Code string }
	PartCases int `json:"part_cases"`
	LeftOut   int `json:"left_out"`
	Cases     []struct {
		Case       string
		CaseNumber int `json:"case_number"`
		Outcome    int
		Value      float64
	}
	Alarms []struct{ Case string }
}

type scenarioProgress struct {
	Post       string
	Enrolled   bool
	CaseNumber int `json:"case_number"`
	WholeCases int `json:"whole_cases"`
	PartCases  int `json:"part_cases"`
	PriorWhole int `json:"prior_whole_cases"`
	PriorPart  int `json:"prior_part_cases"`
	Missing    struct {
		Before     int `json:"acuity_before"`
		After      int `json:"acuity_after"`
		Refraction int
	} `json:"missing_followup"`
	Feedback struct {
		Points []struct {
			TeachingPoint string `json:"teaching_point"`
			Advised       struct{ By, Case string }
			Before, After struct {
				With, N   int
				NotLooked int `json:"not_looked_at"`
			}
			State string
		} `json:"teaching_points"`
	}
}

type scenarioBenchmarks struct {
	Department, From, To string
	Operations           int
	Excluded             map[string]int
	CapsuleRupture       struct {
		Events   int
		Expected float64
	} `json:"capsule_rupture"`
	Vision struct {
		Eyes          int
		Before, After struct{ N int }
		Loss          struct{ Events, N int } `json:"visual_loss"`
		Excluded      map[string]int
	}
	Refraction struct {
		N       int
		AllEyes struct {
			N         int
			Within050 struct{ Count int } `json:"within_0_50_d"`
			Within100 struct{ Count int } `json:"within_1_00_d"`
		} `json:"all_eyes"`
		Excluded map[string]int
	}
}

var (
	scenarioSpan    = regexp.MustCompile(`^(\w+) (\d{4}-\d\d-\d\d) to (\d{4}-\d\d-\d\d): operations`)
	scenarioSurgeon = regexp.MustCompile(`^([A-Z0-9-]+) at case `)
)

// Each scenario of testdata, posted to the API as its sources would, is answered by
// the API with the measures that stand in its file. That the folds and Postgres come
// to the file's rows is tested beside the projector.
func TestScenariosOverHTTP(t *testing.T) {
	if testing.Short() {
		t.Skip("-short: starts servers")
	}
	paths, err := filepath.Glob("../../testdata/scenarios/*.txt")
	if err != nil || len(paths) == 0 {
		t.Fatal("no scenarios", err)
	}
	for _, path := range paths {
		t.Run(filepath.Base(path), func(t *testing.T) {
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			_, rest, _ := strings.Cut(string(text), "\n== events\n")
			source, rest, _ := strings.Cut(rest, "\n== rows\n")
			_, measures, found := strings.Cut(rest, "\n== measures\n")
			if !found {
				t.Fatal("no measures")
			}
			w := newWorld(t, nil)
			for line := range strings.Lines(source) {
				if f := strings.Fields(line); len(f) >= 4 && f[0] != "#" {
					w.postScenario(t, f, line)
				}
			}
			w.wait(t)
			var got, want []string
			for line := range strings.Lines(strings.TrimSpace(measures)) {
				line = strings.TrimSpace(line)
				want = append(want, line)
				if m := scenarioSpan.FindStringSubmatch(line); m != nil {
					got = append(got, w.scenarioDepartment(t, m[1], m[2], m[3])...)
				}
				if m := scenarioSurgeon.FindStringSubmatch(line); m != nil {
					got = append(got, w.scenarioSurgeon(t, m[1])...)
				}
			}
			if g, w := strings.Join(got, "\n"), strings.Join(want, "\n"); g != w {
				t.Errorf("the API answers\n%s\nthe scenario says\n%s", g, w)
			}
		})
	}
}

// postScenario posts one line of a scenario: [source:]id, time, kind, subject, data.
func (w *world) postScenario(t *testing.T, f []string, line string) {
	t.Helper()
	data := "{}"
	if at := strings.Index(line, "{"); at >= 0 {
		data = strings.TrimSpace(line[at:])
	}
	source, id := "ehr-harbour", f[0]
	if from, rest, named := strings.Cut(id, ":"); named {
		source, id = from, rest
	}
	body := fmt.Sprintf(`{"specversion":"1.0","id":%q,"source":%q,"type":"lensledger.%s.v1","subject":%q,"department":"HARBOUR","time":%q,"data":%s}`,
		id, source, f[2], f[3], f[1], data)
	if source != "ehr-harbour" { // a correction of another's event, which no token may post
		noun, participle, _ := strings.Cut(f[2], ".")
		send(t, w.log, stream.Outgoing{Subject: stream.Subject(source, "HARBOUR", noun, participle), MessageID: source + "/" + id, Data: []byte(body)})
		return
	}
	code, answer := w.request(t, integrator(source, "HARBOUR", "PIER"), http.MethodPost, "/v1/events", "application/cloudevents+json", body)
	if code != http.StatusAccepted {
		t.Fatalf("%s: %d %s", id, code, answer)
	}
}

func (w *world) scenarioDepartment(t *testing.T, department, from, to string) []string {
	t.Helper()
	var f scenarioBenchmarks
	w.get(t, quality("HARBOUR", "PIER"), "/v1/departments/"+department+"/benchmarks?from="+from+"&to="+to, &f)
	return []string{
		fmt.Sprintf("%s %s to %s: operations %d, ruptures %d, expected %.6f, excluded %v", f.Department, f.From, f.To,
			f.Operations, f.CapsuleRupture.Events, f.CapsuleRupture.Expected, f.Excluded),
		fmt.Sprintf("%s vision: eyes %d, known before %d, after %d, loss %d of %d, excluded %v", f.Department,
			f.Vision.Eyes, f.Vision.Before.N, f.Vision.After.N, f.Vision.Loss.Events, f.Vision.Loss.N, f.Vision.Excluded),
		fmt.Sprintf("%s refraction: main %d, all eyes %d of which within 0.50 D %d, within 1.00 D %d, excluded %v", f.Department,
			f.Refraction.N, f.Refraction.AllEyes.N, f.Refraction.AllEyes.Within050.Count, f.Refraction.AllEyes.Within100.Count, f.Refraction.Excluded),
	}
}

func (w *world) scenarioSurgeon(t *testing.T, surgeon string) []string {
	t.Helper()
	var charts struct{ Charts []scenarioChart }
	w.get(t, quality("HARBOUR", "PIER"), "/v1/surgeons/"+surgeon+"/charts", &charts)
	var out []string
	for _, c := range charts.Charts {
		var b strings.Builder
		fmt.Fprintf(&b, "%s %s %s (%s): part %d, left out %d", surgeon, c.Outcome, c.Kind, c.Design.Code, c.PartCases, c.LeftOut)
		for _, p := range c.Cases {
			fmt.Fprintf(&b, "; %d %s %d -> %.6f", p.CaseNumber, p.Case, p.Outcome, p.Value)
		}
		for _, a := range c.Alarms {
			fmt.Fprintf(&b, "; for review at %s", a.Case)
		}
		out = append(out, b.String())
	}
	var p scenarioProgress
	w.get(t, quality("HARBOUR", "PIER"), "/v1/surgeons/"+surgeon+"/progress", &p)
	if p.Enrolled {
		out = append(out, fmt.Sprintf("%s %s of %s, prior %d and %d in part", surgeon, p.Post, charts.Charts[0].Department, p.PriorWhole, p.PriorPart))
	}
	out = append(out, fmt.Sprintf("%s at case %d: whole %d, part %d; missing before %d, after %d, refraction %d", surgeon, p.CaseNumber,
		p.WholeCases, p.PartCases, p.Missing.Before, p.Missing.After, p.Missing.Refraction))
	for _, point := range p.Feedback.Points {
		out = append(out, fmt.Sprintf("%s %s: advised by %s on %s; before in %d of %d, after in %d of %d, nobody looked %d times; %s", surgeon,
			point.TeachingPoint, point.Advised.By, point.Advised.Case, point.Before.With, point.Before.N, point.After.With, point.After.N,
			point.Before.NotLooked+point.After.NotLooked, point.State))
	}
	return out
}
