package outcome

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
	"lensledger/projections/measure"
)

var noon = time.Date(2025, 3, 12, 12, 0, 0, 0, time.UTC)

type dated struct {
	day  int
	data any
}

// folded is a case whose operation began at noon of day 0.
func folded(list ...dated) fold.Case {
	types := map[reflect.Type]events.Type{}
	for _, e := range events.Catalogue {
		types[reflect.PointerTo(e.Payload)] = e.Type
	}
	s := fold.Subject{Code: "K"}
	for i, d := range append([]dated{{0, &events.CaseStarted{FirstOperator: "T"}}}, list...) {
		s.Events = append(s.Events, fold.Recorded{Sequence: uint64(i + 1), Event: events.Event{ID: fmt.Sprintf("e%03d", i), Source: "ehr",
			Type: types[reflect.TypeOf(d.data)], Subject: "K", Department: "D", Time: noon.AddDate(0, 0, d.day), Data: d.data}})
	}
	return fold.Component([]fold.Subject{s})[0]
}

func eyeRow(t *testing.T, list ...dated) EyeRow {
	t.Helper()
	o := OperationOf(folded(list...))
	if o.Eye == nil {
		t.Fatal("no row")
	}
	return *o.Eye
}

func chart(hundredths int64) events.Acuity {
	return events.Acuity{Correction: "corrected", LogMARHundredths: events.Some(hundredths)}
}

func word(w events.LowVision, convention events.Convention) events.Acuity {
	return events.Acuity{Correction: "corrected", LowVision: w, Convention: convention}
}

// Visual loss is worse by 30 hundredths of logMAR or more: a doubling of the
// visual angle, usage of Day AC et al. Eye 2015;29:552-560 (from memory). Words
// below the chart are compared as categories.
func TestVisualLoss(t *testing.T) {
	yes, no := true, false
	for name, test := range map[string]struct {
		before, after events.Acuity
		want          *bool
		reason        string
	}{
		"29 worse":                      {chart(20), chart(49), &no, ""},
		"30 worse":                      {chart(20), chart(50), &yes, ""}, // 0.50 - 0.20 of the published usage
		"30 worse, further down":        {chart(40), chart(70), &yes, ""}, // 0.70 - 0.40 is 0.29999999999999993 in floating point
		"better":                        {chart(50), chart(0), &no, ""},
		"from the chart to fingers":     {chart(60), word("counting-fingers", "B"), &yes, ""},
		"from fingers to the chart":     {word("counting-fingers", "A"), chart(100), &no, ""},
		"the same word":                 {word("hand-movements", "A"), word("hand-movements", "A"), &no, ""},
		"the same word, two lists":      {word("hand-movements", "A"), word("hand-movements", "B"), &no, ""},
		"a worse word":                  {word("counting-fingers", "A"), word("hand-movements", "B"), &yes, ""},
		"nothing to lose":               {word("no-light-perception", "A"), word("no-light-perception", "A"), nil, NoLightBefore},
		"nothing to lose, and no after": {word("no-light-perception", "A"), events.Acuity{}, nil, NoLightBefore},
		"no after":                      {chart(20), events.Acuity{}, nil, NoAcuityAfter},
		"no before":                     {events.Acuity{}, chart(20), nil, NoAcuityBefore},
		"neither":                       {events.Acuity{}, events.Acuity{}, nil, NoAcuityEither},
	} {
		var list []dated
		if test.before.Correction != "" {
			list = append(list, dated{-3, &events.PreopAssessed{Acuity: []events.Acuity{test.before}}})
		}
		if test.after.Correction != "" {
			list = append(list, dated{30, &events.FollowupAcuity{Acuity: []events.Acuity{test.after}}})
		}
		e := eyeRow(t, list...)
		if !reflect.DeepEqual(e.VisualLoss, test.want) || e.VisionReason != test.reason {
			t.Errorf("%s: loss %v %q, want %v %q", name, e.VisualLoss, e.VisionReason, test.want, test.reason)
		}
	}
}

// Every word of the vocabulary has its place in the convention in which words are
// compared with numbers.
func TestEveryWordHasANumber(t *testing.T) {
	for _, w := range []events.LowVision{"counting-fingers", "hand-movements", "light-perception", "no-light-perception"} {
		if a := acuityOf(word(w, "C")); a.LogMARHundredths < 180 {
			t.Errorf("%s: %d", w, a.LogMARHundredths)
		}
	}
}

// The main figure of refraction: uncomplicated, in the bag, 6/12 or better. 6/12
// is 30 hundredths. Source: Gale RP et al. Eye 2009;23:149-152.
func TestMainFigure(t *testing.T) {
	for name, test := range map[string]struct {
		acuity int64
		site   events.Site
		kind   events.ComplicationKind
		want   bool
	}{
		"6/12":          {30, "bag", "", true},
		"a bit worse":   {31, "bag", "", false},
		"in the sulcus": {0, "sulcus", "", false},
		"site unknown":  {0, "", "", false},
		"complicated":   {0, "bag", "iris-trauma", false},
	} {
		list := []dated{{0, &events.LensImplanted{Site: test.site}}, {30, &events.FollowupAcuity{Acuity: []events.Acuity{chart(test.acuity)}}}}
		if test.kind != "" {
			list = append(list, dated{0, &events.ComplicationRecorded{Kind: test.kind}})
		}
		if got := eyeRow(t, list...).Main(); got != test.want {
			t.Errorf("%s: %v, want %v", name, got, test.want)
		}
	}
}

func implanted(predicted, target events.Hundredths) []dated {
	return []dated{
		{-3, &events.LensPlanned{Formula: "F", TargetRefractionD: events.Some(target), Candidates: []events.LensCandidate{
			{LensModel: "A", PowerD: 2100, PredictedRefractionD: events.Some(predicted)}}}},
		{0, &events.LensImplanted{LensModel: "A", PowerD: events.Some(events.Hundredths(2100)), Site: "bag"}}}
}

func refracted(sphere, cylinder events.Hundredths, axis int64) dated {
	return dated{40, &events.FollowupRefraction{Refraction: events.Refraction{SphereD: sphere, CylinderD: events.Some(cylinder),
		AxisDeg: events.Some(axis), Method: "subjective"}}}
}

// Achieved minus predicted, negative is more myopic than predicted (Hoffer KJ et
// al. Am J Ophthalmol 2015;160:403-405, citation from memory); against the target
// it is another figure; and plus cylinder comes to the same as minus.
func TestPredictionError(t *testing.T) {
	minus := eyeRow(t, append(implanted(-40, -25), refracted(0, -100, 95))...)
	plus := eyeRow(t, append(implanted(-40, -25), refracted(-100, 100, 5))...)
	for notation, e := range map[string]EyeRow{"minus": minus, "plus": plus} {
		if e.RefractionReason != "" || *e.AchievedThousandths != -500 || *e.ErrorThousandths != -100 || *e.TargetErrorThousandths != -250 {
			t.Errorf("%s cylinder: %q achieved %v, error %v, against the target %v", notation, e.RefractionReason, e.AchievedThousandths, e.ErrorThousandths, e.TargetErrorThousandths)
		}
	}
	// The whole-number arithmetic is that of the measure, in both notations.
	const seed = 7
	dice := rand.New(rand.NewPCG(seed, 0))
	for range 200 {
		sphere, cylinder, axis := events.Hundredths(dice.IntN(1600)-800), events.Hundredths(dice.IntN(800)-400), float64(dice.IntN(180))
		se := float64(SphericalEquivalent(events.Refraction{SphereD: sphere, CylinderD: events.Some(cylinder)})) / 1000
		for _, notation := range []func(measure.Refraction) (measure.Refraction, error){measure.Refraction.MinusCylinder, measure.Refraction.PlusCylinder} {
			r, err := notation(measure.Refraction{Sphere: float64(sphere) / 100, Cylinder: float64(cylinder) / 100, Axis: &axis})
			if err != nil {
				t.Fatal(err)
			}
			want, err := r.SphericalEquivalent()
			if err != nil || math.Abs(se-want) > 1e-9 {
				t.Fatalf("seed %d: %v/%v: %v, want %v (%v)", seed, sphere, cylinder, se, want, err)
			}
		}
	}
	// An error above 2 D is kept and listed; one of 2 D isn't listed.
	for sphere, want := range map[events.Hundredths]bool{-240: false, -241: true} {
		row := RowOf(folded(append(implanted(-40, -25), refracted(sphere, 0, 0))...))
		if got := strings.Contains(row.Flags, "more than 2 D"); got != want {
			t.Errorf("sphere %v: listed %v, want %v", sphere, got, want)
		}
	}
}

// Surgically induced astigmatism, computed from the formula of Holladay JT, Moran
// JR, Kezirian GM. J Cataract Refract Surg 2001;27:61-79: after minus before in
// the double-angle plane.
func TestInducedAstigmatism(t *testing.T) {
	// k has its steep meridian at axis, amount dioptres above 43.
	k := func(amount events.Hundredths, axis int64) events.Keratometry {
		return events.Keratometry{K1D: 4300, K1AxisDeg: events.Some((axis + 90) % 180), K2D: 4300 + amount, K2AxisDeg: events.Some(axis % 180)}
	}
	for name, test := range map[string]struct {
		before, after events.Keratometry
		x, y          int64
	}{
		"0.50 less at 90":      {k(100, 90), k(50, 90), 500_000, 0},
		"from 180 to 90":       {k(100, 180), k(100, 90), -2_000_000, 0},
		"1.50@10 to 1.00@170":  {k(150, 10), k(100, 170), -469_846, -855_050},
		"0.50@90 from nothing": {k(0, 0), k(50, 90), -500_000, 0},
		"no change":            {k(100, 45), k(100, 45), 0, 0},
	} {
		for day, settled := range map[int]bool{7: false, 40: true} {
			e := eyeRow(t, dated{-3, &events.PreopAssessed{Keratometry: &test.before}}, dated{day, &events.FollowupKeratometry{Keratometry: test.after}})
			x, y := e.SiaEarlyXMicro, e.SiaEarlyYMicro
			if settled {
				x, y = e.SiaXMicro, e.SiaYMicro
			}
			if x == nil || y == nil || *x != test.x || *y != test.y {
				t.Errorf("%s, day %d: %v %v, want %d %d", name, day, x, y, test.x, test.y)
			}
			if settled != (e.SiaReason == "") || settled != (e.SiaEarlyXMicro == nil) {
				t.Errorf("%s, day %d: reason %q", name, day, e.SiaReason)
			}
		}
	}
	flat := events.Keratometry{K1D: 4300, K1AxisDeg: events.Some[int64](0), K2D: 4350}
	if a, reason := steep(&flat, ""); reason != "" || *a.Axis != 90 {
		t.Errorf("only the flat meridian was sent: %v %q", a, reason)
	}
	if _, reason := steep(&events.Keratometry{K1D: 4300, K2D: 4350}, ""); reason != NoMeridian {
		t.Errorf("no meridian was sent: %q", reason)
	}
}

// What is no operation, and what stays out of the benchmarks, has no eye's row.
func TestNoEyeRow(t *testing.T) {
	for name, c := range map[string]fold.Case{
		"cancelled": folded(dated{1, &events.CaseCancelled{Stage: events.CancelBeforeIncision}}),
		"combined":  folded(dated{-9, &events.CaseBooked{Eye: "right", CombinedWith: []events.Combined{"vitrectomy"}}}),
	} {
		if o := OperationOf(c); o.Eye != nil {
			t.Errorf("%s: %+v", name, o.Eye)
		}
	}
}

// The columns of the table, of the row and of its values are the same.
func TestEyeColumns(t *testing.T) {
	row := reflect.TypeFor[EyeRow]()
	if row.NumField() != len(EyeTable.Columns) || len((EyeRow{}).Values()) != len(EyeTable.Columns) {
		t.Fatalf("%d fields, %d values, %d columns", row.NumField(), len((EyeRow{}).Values()), len(EyeTable.Columns))
	}
	plain := func(s string) string { return strings.ToLower(strings.ReplaceAll(s, "_", "")) }
	e := reflect.New(row).Elem()
	for i := range row.NumField() {
		if plain(row.Field(i).Name) != plain(EyeTable.Columns[i]) {
			t.Errorf("field %s stands where column %s does", row.Field(i).Name, EyeTable.Columns[i])
		}
		if e.Field(i).Kind() == reflect.String {
			e.Field(i).SetString(row.Field(i).Name)
		}
		if e.Field(i).Kind() == reflect.Pointer {
			e.Field(i).Set(reflect.New(e.Field(i).Type().Elem()))
		}
	}
	for i, v := range e.Interface().(EyeRow).Values() {
		if !reflect.DeepEqual(v, e.Field(i).Interface()) {
			t.Errorf("value %d isn't that of %s", i, row.Field(i).Name)
		}
	}
}
