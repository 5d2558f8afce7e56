package events

import (
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
)

// Every code that any event has is of a person, or known to be of something else.
func TestEveryCodeIsOfAPersonOrNot(t *testing.T) {
	others := []string{"alarm", "department", "other_case", "target_source", "teaching_point", "teaching_points"}
	seen := map[string]bool{}
	var look func(p *plan)
	look = func(p *plan) {
		for i := range p.fields {
			f := &p.fields[i]
			inner := f
			if f.shape == shapeList {
				inner = f.item
			}
			switch {
			case inner.shape == shapeObject:
				look(inner.of)
			case inner.shape == shapeCode:
				seen[f.name] = true
				if _, person := personFields[f.name]; person == slices.Contains(others, f.name) {
					t.Errorf("%s.%s: is it the code of a person?", p.typ.Name(), f.name)
				}
			}
		}
	}
	for _, k := range types {
		look(k.plan)
	}
	for name := range maps.Keys(personFields) {
		if !seen[name] {
			t.Errorf("no event has the field %s", name)
		}
	}
}

// About reads as the archive would answer.
func about(target Identity, _ string) About {
	return map[string]About{"of-surgeon": AboutSurgeon, "of-chart": AboutChart}[target.ID]
}

var (
	ofSurgeon = Pseudonym{Role: RoleSurgeon, Code: "1001", New: "E-NEW", Charts: map[string]string{"chart-old": "chart-new"}, Corrected: about}
	ofPatient = Pseudonym{Role: RolePatient, Code: "1001", New: "E-NEW", Corrected: about}
)

func TestPseudonymTellsPatientsSurgeonsAndCasesApart(t *testing.T) {
	at := time.Date(2025, 3, 12, 9, 0, 0, 0, time.FixedZone("", 3600))
	correction := func(id string, data any) Event {
		return Event{Type: TypeEventAmended, Subject: "1001", Data: &EventAmended{TargetSource: "s", TargetID: ID(id), Data: RawOf(data)}}
	}
	for _, c := range []struct {
		name             string
		event            Event
		surgeon, patient string // the event's text from its type on, with the pseudonym; "" where it isn't named
	}{
		{"both roles in one event", Event{Type: TypeCaseBooked, Subject: "1001", Data: &CaseBooked{Patient: "1001", Eye: "left", ResponsibleConsultant: "1001", PlannedFirstOperator: "1002"}},
			`"subject":"1001" {"eye":"left","patient":"1001","planned_first_operator":"1002","responsible_consultant":"E-NEW"}`,
			`"subject":"1001" {"eye":"left","patient":"E-NEW","planned_first_operator":"1002","responsible_consultant":"1001"}`},
		{"a case's code", Event{Type: TypeCaseFinished, Subject: "1001", Data: &CaseFinished{}}, "", ""},
		{"a joined case", Event{Type: TypeCaseJoined, Subject: "1001", Data: &CaseJoined{OtherCase: "1001"}}, "", ""},
		{"a surgeon's own", Event{Type: TypeSurgeonEnrolled, Subject: "1001", Data: &SurgeonEnrolled{Post: "trainee", VerifiedBy: "1001"}},
			`"subject":"E-NEW" {"post":"trainee","verified_by":"E-NEW"}`, ""},
		{"a hand-over", Event{Type: TypeOperatorChanged, Subject: "K", Data: &OperatorChanged{From: "1001", To: "1002"}}, `"subject":"K" {"from":"E-NEW","to":"1002"}`, ""},
		{"a longer code", Event{Type: TypeOperatorChanged, Subject: "K", Data: &OperatorChanged{From: "10011", To: "x1001"}}, "", ""},
		{"a teaching point", Event{Type: TypeTechniqueNoted, Subject: "K", Data: &TechniqueNoted{TeachingPoint: "1001", Polarity: "improve", By: "1001"}},
			`"subject":"K" {"by":"E-NEW","polarity":"improve","teaching_point":"1001"}`, ""},
		{"a chart, its alarm and its reviewer", Event{Type: TypeAlarmReviewed, Subject: "chart-old", Data: &AlarmReviewed{Alarm: "chart-old-2", Finding: "case-mix", By: "1001"}},
			`"subject":"chart-new" {"alarm":"chart-new-2","by":"E-NEW","finding":"case-mix"}`, ""},
		{"who has an alarm in hand", Event{Type: TypeAlarmAssigned, Subject: "chart-old", Data: &AlarmAssigned{Alarm: "chart-old-2", Owner: "1001", DueOn: "2025-06-30", By: "Q"}},
			`"subject":"chart-new" {"alarm":"chart-new-2","by":"Q","due_on":"2025-06-30","owner":"E-NEW"}`, ""},
		{"who has seen an alarm", Event{Type: TypeAlarmAcknowledged, Subject: "chart-older", Data: &AlarmAcknowledged{Alarm: "chart-older-2", Note: "told 1001", By: "1001"}},
			`"subject":"chart-older" {"alarm":"chart-older-2","by":"E-NEW","note":"told E-NEW"}`,
			`"subject":"chart-older" {"alarm":"chart-older-2","by":"1001","note":"told E-NEW"}`},
		{"another's chart", Event{Type: TypeAlarmReviewed, Subject: "chart-older", Data: &AlarmReviewed{Alarm: "chart-older-2", Finding: "case-mix", By: "Q"}}, "", ""},
		{"free text", Event{Type: TypeComplicationRecorded, Subject: "K", Data: &ComplicationRecorded{Kind: "iris-prolapse", Management: "told 1001, (1001); not 10010 nor 1001-a"}},
			`"subject":"K" {"kind":"iris-prolapse","management":"told E-NEW, (E-NEW); not 10010 nor 1001-a"}`,
			`"subject":"K" {"kind":"iris-prolapse","management":"told E-NEW, (E-NEW); not 10010 nor 1001-a"}`},
		{"a model's name isn't free text", Event{Type: TypeLensImplanted, Subject: "K", Data: &LensImplanted{LensModel: "1001", Site: "bag"}}, "", ""},
		{"a correction of a case", correction("of-case", &CaseStarted{FirstOperator: "1001"}),
			`"subject":"1001" {"data":{"first_operator":"E-NEW"},"target_id":"of-case","target_source":"s"}`, ""},
		{"a correction of a surgeon", correction("of-surgeon", &SurgeonEnrolled{Post: "trainee"}),
			`"subject":"E-NEW" {"data":{"post":"trainee"},"target_id":"of-surgeon","target_source":"s"}`, ""},
		{"a correction of a booking", correction("of-case", &CaseBooked{Patient: "1001", Eye: "left"}), "",
			`"subject":"1001" {"data":{"eye":"left","patient":"E-NEW"},"target_id":"of-case","target_source":"s"}`},
		{"a release of figures", Event{Type: TypeFiguresReleased, Subject: "1001", Data: &FiguresReleased{From: "2025-01-01", To: "2025-02-01", Definition: "1001", Position: 1, SHA256: Text(strings.Repeat("a", 64))}}, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.event.ID, c.event.Source, c.event.Department, c.event.Time = "1001-1", "1001", "1001", at
			was := string(c.event.Encode())
			for _, p := range []struct {
				Pseudonym
				want string
			}{{ofSurgeon, c.surgeon}, {ofPatient, c.patient}} {
				got, named, err := p.Apply(c.event)
				if err != nil {
					t.Fatal(err)
				}
				if string(c.event.Encode()) != was {
					t.Fatal("the event itself was changed")
				}
				if named != (p.want != "") {
					t.Errorf("%s: named %v", p.Role, named)
				}
				if !named {
					continue
				}
				if got.Identity() != c.event.Identity() || !got.Time.Equal(at) || got.Department != "1001" || got.Hash() == c.event.Hash() {
					t.Errorf("%s: %+v", p.Role, got)
				}
				if text := `"subject":"` + got.Subject + `" ` + string(appendData(nil, got.Data)); text != p.want {
					t.Errorf("%s:\n got %s\nwant %s", p.Role, text, p.want)
				}
				if pairs := SurgeonsReplaced(c.event, got); p.Role == RoleSurgeon && strings.Contains(strings.TrimPrefix(p.want, `"subject":"E-NEW" {"data"`), `"E-NEW"`) != reflect.DeepEqual(pairs, map[string]string{"1001": "E-NEW"}) {
					t.Errorf("surgeons replaced: %v", pairs)
				}
			}
		})
	}
}

// A short code isn't looked for in sentences, where it would be a number.
func TestShortCodesAreLeftInText(t *testing.T) {
	e := Event{ID: "a", Source: "s", Type: TypeComplicationRecorded, Subject: "K", Department: "D", Time: time.Unix(0, 0).UTC(),
		Data: &ComplicationRecorded{Kind: "iris-prolapse", Management: "after 5 minutes"}}
	if _, named, err := (Pseudonym{Role: RolePatient, Code: "5", New: "E-NEW"}).Apply(e); named || err != nil {
		t.Errorf("named %v, %v", named, err)
	}
}

func TestPseudonymInWhatCantBeRead(t *testing.T) {
	header := Header{"Ce-Subject": {"1001"}, "ce-id": {"x"}, "Content-Type": {"application/json"}, "Nats-Msg-Id": {"1001"}, "Other": {"1001"}}
	got, body, named := ofSurgeon.ApplyBytes(header, []byte(`{"a":"1001","b":["1001","chart-old","chart-old-1","chart-olds"],"c":1001,"d":"11001"`))
	want := Header{"ce-subject": {"E-NEW"}, "ce-id": {"x"}, "content-type": {"application/json"}}
	if !named || !reflect.DeepEqual(got, want) {
		t.Errorf("%v, %v", named, got)
	}
	if string(body) != `{"a":"E-NEW","b":["E-NEW","chart-new","chart-new-1","chart-olds"],"c":1001,"d":"11001"` {
		t.Errorf("%s", body)
	}
	if _, body, named := ofPatient.ApplyBytes(nil, []byte(`{"a":"10011","b":1001}`)); named || string(body) != `{"a":"10011","b":1001}` {
		t.Errorf("%v, %s", named, body)
	}
}
