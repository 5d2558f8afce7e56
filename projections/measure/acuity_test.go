package measure

import (
	"errors"
	"math"
	"testing"
)

func read(t *testing.T, notation Notation, text string) Acuity {
	t.Helper()
	a, err := ParseAcuity(notation, text)
	if err != nil {
		t.Fatalf("%s %q: %v", notation, text, err)
	}
	return a
}

// Bach M, table of acuity notations; the row of that page that gives 20/200 as
// 0.02 in its small table is its misprint, its main table says 0.10.
func TestAcuityTable(t *testing.T) {
	for _, c := range []struct {
		decimal string
		want    int
	}{
		{"2.0", -30}, {"1.6", -20}, {"1.26", -10}, {"1.0", 0}, {"0.8", 10}, {"0.63", 20}, {"0.5", 30}, {"0.4", 40}, {"0.32", 50},
		{"0.25", 60}, {"0.2", 70}, {"0.16", 80}, {"0.1", 100}, {"0.08", 110}, {"0.063", 120}, {"0.05", 130},
	} {
		if got := read(t, NotationDecimal, c.decimal); math.Abs(float64(got.LogMARHundredths-c.want)) > 1 || (c.want%30 == 0 && got.LogMARHundredths != c.want) {
			t.Errorf("decimal %s: %+v, want %d", c.decimal, got, c.want)
		}
	}
}

// Exact values by the definition (Holladay JT. J Cataract Refract Surg
// 2004;30:287-290), computed to four places and rounded to hundredths: 6/9
// 0.1761, 6/12 0.3010, 6/18 0.4771, 6/24 0.6021, 6/36 0.7782, 6/60 1.0000, 3/60
// 1.3010, 1/60 1.7782, which is below the chart.
func TestFractions(t *testing.T) {
	for text, want := range map[string]int{
		"6/6": 0, "6/9": 18, "6/12": 30, "6/18": 48, "6/19": 50, "6/24": 60, "6/36": 78, "6/60": 100, "3/60": 130, "6/3": -30, "6/120": 130,
	} {
		if got := read(t, NotationMetres, text); got != (Acuity{LogMARHundredths: want}) {
			t.Errorf("%s: %+v, want %d", text, got, want)
		}
	}
	for text, want := range map[string]int{"20/20": 0, "20/40": 30, "20/63": 50, "20/200": 100, "20/10": -30} {
		if got := read(t, NotationFeet, text); got.LogMARHundredths != want {
			t.Errorf("%s: %+v, want %d", text, got, want)
		}
	}
	_, err := ParseAcuity(NotationMetres, "1/60")
	refused(t, "1/60", err, "acuity")
}

// 0.02 a letter: the 0.60 line and three letters of the next are 0.54 (worked
// example of a guide to letter scoring). 85 letters are 0 (from memory).
func TestLetters(t *testing.T) {
	if got := must[Acuity](t)(FromLine(60, 3)); got.LogMARHundredths != 54 {
		t.Errorf("line 60 and 3 letters: %+v, want 54", got)
	}
	for letters, want := range map[string]int{"85": 0, "70": 30, "100": -30, "0": 170, "35": 100} {
		if got := read(t, NotationLetters, letters); got.LogMARHundredths != want {
			t.Errorf("%s letters: %+v, want %d", letters, got, want)
		}
	}
}

func TestAcuityIsWritten(t *testing.T) {
	for _, c := range []struct {
		hundredths                             int
		metres, feet, decimal, logmar, letters string
	}{
		{-30, "6/3", "20/10", "2", "-0.30", "100"},
		{-10, "6/5", "20/16", "1.3", "-0.10", "90"},
		{0, "6/6", "20/20", "1", "0.00", "85"},
		{10, "6/7.5", "20/25", "0.79", "0.10", "80"},
		{18, "6/9", "20/30", "0.66", "0.18", "76"},
		{20, "6/9.5", "20/32", "0.63", "0.20", "75"},
		{30, "6/12", "20/40", "0.5", "0.30", "70"},
		{48, "6/18", "20/60", "0.33", "0.48", "61"},
		{50, "6/19", "20/63", "0.32", "0.50", "60"},
		{60, "6/24", "20/80", "0.25", "0.60", "55"},
		{78, "6/36", "20/121", "0.17", "0.78", "46"},
		{100, "6/60", "20/200", "0.1", "1.00", "35"},
		{130, "6/120", "20/399", "0.05", "1.30", "20"},
		{170, "6/301", "20/1002", "0.02", "1.70", "0"},
	} {
		for notation, want := range map[Notation]string{NotationMetres: c.metres, NotationFeet: c.feet,
			NotationDecimal: c.decimal, NotationLogMAR: c.logmar, NotationLetters: c.letters} {
			if got := must[string](t)(Acuity{LogMARHundredths: c.hundredths}.In(notation)); got != want {
				t.Errorf("%d as %s: %s, want %s", c.hundredths, notation, got, want)
			}
		}
	}
	// What is written is read back; only logMAR keeps every hundredth.
	for h := bestAcuity; h <= worstAcuity; h++ {
		a := Acuity{LogMARHundredths: h}
		for notation, off := range map[Notation]int{NotationLogMAR: 0, NotationLetters: 1, NotationFeet: 1, NotationDecimal: 3, NotationMetres: 4} {
			if back := read(t, notation, must[string](t)(a.In(notation))); back.LogMARHundredths > h+off || back.LogMARHundredths < h-off {
				t.Errorf("%d as %s comes back as %d", h, notation, back.LogMARHundredths)
			}
		}
	}
}

// Convention A: Bach, with Schulze-Bonsel K et al. IOVS 2006;47:1236-1240 (1.85
// and 2.30 measured). B: large British series, from memory. C: Holladay JT. J
// Refract Surg 1997;13:388-391, from memory. D: rapid population surveys, 3.0 and
// 4.0.
func TestLowVision(t *testing.T) {
	for _, c := range []struct {
		convention Convention
		want       map[LowVision]int
	}{
		{ConventionA, map[LowVision]int{CountingFingers: 190, HandMovements: 230, LightPerception: 270, NoLightPerception: 300}},
		{ConventionB, map[LowVision]int{CountingFingers: 210, HandMovements: 240, LightPerception: 270, NoLightPerception: 300}},
		{ConventionC, map[LowVision]int{CountingFingers: 200, HandMovements: 300}},
		{ConventionD, map[LowVision]int{LightPerception: 300, NoLightPerception: 400}},
	} {
		for _, w := range lowVisionWords {
			got, err := NewLowVision(w, c.convention)
			want, known := c.want[w]
			if !known {
				refused(t, string(w)+" in "+string(c.convention), err, "low_vision")
				continue
			}
			if err != nil || got != (Acuity{want, w, c.convention}) {
				t.Errorf("%s in %s: %+v, %v, want %d", w, c.convention, got, err, want)
			}
			if text := must[string](t)(got.In(NotationMetres)); text != string(w) {
				t.Errorf("%s is written %s", w, text)
			}
		}
	}
}

// ICD-11 and the WHO's surgical outcome: edges belong to the better band, 6/18
// counts as good.
func TestBandEdges(t *testing.T) {
	for _, c := range []struct{ text, band, outcome string }{
		{"6/12", "none", "good"}, {"6/12.5", "mild", "good"}, {"6/18", "mild", "good"}, {"6/19", "moderate", "borderline"},
		{"6/24", "moderate", "borderline"}, {"6/60", "moderate", "borderline"}, {"5/60", "severe", "poor"}, {"3/60", "severe", "poor"}, {"2/60", "blind", "poor"},
	} {
		a := read(t, NotationMetres, c.text)
		if band, outcome := must[string](t)(a.DistanceBand()), must[string](t)(a.SurgeryOutcome()); band != c.band || outcome != c.outcome {
			t.Errorf("%s: %s and %s, want %s and %s", c.text, band, outcome, c.band, c.outcome)
		}
	}
	fingers := must[Acuity](t)(NewLowVision(CountingFingers, ConventionA))
	if band := must[string](t)(fingers.DistanceBand()); band != "blind" {
		t.Errorf("counting fingers: %s", band)
	}
}

// Doubling of the visual angle (Day AC et al. Eye 2015;29:552-560, usage from
// memory). 0.70 - 0.40 is 0.29999999999999993 as a fraction.
func TestVisualLoss(t *testing.T) {
	word := func(w LowVision, c Convention) Acuity { return must[Acuity](t)(NewLowVision(w, c)) }
	chart := func(h int) Acuity { return Acuity{LogMARHundredths: h} }
	for _, c := range []struct {
		before, after Acuity
		want          bool
	}{
		{chart(20), chart(50), true}, {chart(40), chart(70), true}, {chart(20), chart(49), false}, {chart(50), chart(20), false},
		{chart(100), word(CountingFingers, ConventionA), true},
		{chart(165), word(CountingFingers, ConventionA), false},
		{word(HandMovements, ConventionB), word(LightPerception, ConventionB), true},
		{word(HandMovements, ConventionB), word(HandMovements, ConventionB), false},
		{word(LightPerception, ConventionA), word(HandMovements, ConventionA), false},
		{word(LightPerception, ConventionD), chart(30), false},
	} {
		if got := must[bool](t)(VisualLoss(c.before, c.after)); got != c.want {
			t.Errorf("%+v to %+v: loss %t, want %t", c.before, c.after, got, c.want)
		}
	}
	_, err := VisualLoss(word(HandMovements, ConventionA), word(HandMovements, ConventionB))
	refused(t, "two conventions", err, "convention")
	_, err = VisualLoss(word(NoLightPerception, ConventionA), chart(30))
	refused(t, "no light before", err, "before")
}

// Sparrow JM et al. Eye 2012;26:821-826: a pinhole counts before surgery only
// when nothing else was measured, and always after it.
func TestMeasured(t *testing.T) {
	m := Measured{Unaided: &Acuity{LogMARHundredths: 60}, Corrected: &Acuity{LogMARHundredths: 50}, Pinhole: &Acuity{LogMARHundredths: 20}}
	before, after := must[*Acuity](t)(m.Before()), must[*Acuity](t)(m.After())
	if before.LogMARHundredths != 50 || after.LogMARHundredths != 20 {
		t.Errorf("before %+v, after %+v", before, after)
	}
	m = Measured{Pinhole: m.Pinhole}
	if before := must[*Acuity](t)(m.Before()); before == nil || before.LogMARHundredths != 20 {
		t.Errorf("pinhole alone: %+v", before)
	}
	if nothing := must[*Acuity](t)(Measured{}.After()); nothing != nil {
		t.Errorf("nothing measured: %+v", nothing)
	}
	a, b := must[Acuity](t)(NewLowVision(HandMovements, ConventionA)), must[Acuity](t)(NewLowVision(LightPerception, ConventionB))
	_, err := Measured{Unaided: &a, Corrected: &b}.Before()
	refused(t, "two conventions", err, "convention")
	_, err = Measured{Pinhole: &Acuity{LogMARHundredths: 999}}.Before()
	refused(t, "off the chart", err, "acuity")
}

// Holladay JT. J Cataract Refract Surg 2004;30:287-290, worked example.
func TestMeanIsGeometric(t *testing.T) {
	mean := must[Acuity](t)(MeanAcuity([]Acuity{read(t, NotationFeet, "20/20"), read(t, NotationFeet, "20/200")}))
	if text := must[string](t)(mean.In(NotationFeet)); mean.LogMARHundredths != 50 || text != "20/63" {
		t.Errorf("mean of 20/20 and 20/200: %d, %s, want 50, 20/63", mean.LogMARHundredths, text)
	}
	if mean = must[Acuity](t)(MeanAcuity([]Acuity{{LogMARHundredths: 57}, {LogMARHundredths: 58}})); mean.LogMARHundredths != 58 {
		t.Errorf("mean of 57 and 58: %d, want 58: a half goes up", mean.LogMARHundredths)
	}
}

func TestAcuityRefuses(t *testing.T) {
	for _, c := range []struct {
		notation Notation
		text     string
		want     string
	}{
		{"", "6/6", "notation"}, {"snellen", "6/6", "notation"}, {NotationMetres, "6", "acuity"}, {NotationMetres, "6/0", "letters"},
		{NotationMetres, "0/6", "distance"}, {NotationMetres, "-6/6", "distance"}, {NotationMetres, "20/40", "acuity"}, {NotationFeet, "6/12", "acuity"},
		{NotationMetres, "6/NaN", "letters"}, {NotationMetres, "6/Inf", "letters"}, {NotationMetres, "6/2", "acuity"},
		{NotationDecimal, "0", "decimal"}, {NotationDecimal, "-1", "decimal"}, {NotationDecimal, "NaN", "decimal"}, {NotationDecimal, "2.1", "decimal"},
		{NotationDecimal, "0.019", "decimal"}, {NotationDecimal, "Inf", "decimal"}, {NotationDecimal, "", "acuity"},
		{NotationLogMAR, "NaN", "logmar"}, {NotationLogMAR, "1.71", "logmar"}, {NotationLogMAR, "-0.31", "logmar"}, {NotationLogMAR, "Inf", "logmar"},
		{NotationLetters, "101", "letters"}, {NotationLetters, "-1", "letters"}, {NotationLetters, "1.5", "acuity"},
	} {
		_, err := ParseAcuity(c.notation, c.text)
		refused(t, string(c.notation)+" "+c.text, err, c.want)
	}
	_, err := NewLowVision("nothing", ConventionA)
	refused(t, "word", err, "low_vision")
	_, err = NewLowVision(HandMovements, "")
	refused(t, "convention", err, "convention")
	_, err = FromLine(60, 101)
	refused(t, "letters", err, "more")
	_, err = FromLine(0, 16)
	refused(t, "beyond the chart", err, "more")
	_, err = FromLine(171, 0)
	refused(t, "line", err, "line")
	_, err = Acuity{LogMARHundredths: 30}.In("x")
	refused(t, "in", err, "notation")
	if _, err = MeanAcuity(nil); !errors.Is(err, ErrNoCases) {
		t.Errorf("mean of nothing: %v", err)
	}
	fingers := must[Acuity](t)(NewLowVision(CountingFingers, ConventionA))
	_, err = MeanAcuity([]Acuity{{}, fingers})
	refused(t, "mean of a word", err, "acuity[1]")
	for want, a := range map[string]Acuity{
		"acuity": {LogMARHundredths: 171}, "convention": {LowVision: HandMovements, LogMARHundredths: 230},
	} {
		_, err = a.DistanceBand()
		refused(t, "band", err, want)
		_, err = a.SurgeryOutcome()
		refused(t, "outcome", err, want)
		_, err = a.In(NotationFeet)
		refused(t, "in", err, want)
	}
	_, err = VisualLoss(Acuity{LogMARHundredths: 171}, Acuity{})
	refused(t, "before", err, "before")
	_, err = VisualLoss(Acuity{}, Acuity{LogMARHundredths: -31})
	refused(t, "after", err, "after")
	_, err = Acuity{Convention: ConventionA}.DistanceBand()
	refused(t, "a convention without a word", err, "convention")
	_, err = Acuity{LogMARHundredths: 191, LowVision: CountingFingers, Convention: ConventionA}.In(NotationFeet)
	refused(t, "a word with another number", err, "acuity")
}

func FuzzAcuity(f *testing.F) {
	f.Add("metres", "6/12", "counting-fingers", "A", 30, 6.0, 0.5)
	f.Add("decimal", "0x1p-3", "no-light-perception", "D", -31, 0.0, math.NaN())
	f.Fuzz(func(t *testing.T, notation, text, word, convention string, h int, x, y float64) {
		var list []Acuity
		add := func(a Acuity, err error) {
			if orRefused(t, err) {
				list = append(list, a)
			}
		}
		add(ParseAcuity(Notation(notation), text))
		add(NewLowVision(LowVision(word), Convention(convention)))
		add(FromLogMAR(x))
		add(FromDecimal(y))
		add(FromFraction(x, y))
		add(FromLetterScore(h))
		add(FromLine(h, len(text)))
		for _, a := range list {
			if err := a.check("acuity"); err != nil {
				t.Errorf("%+v was given and is refused: %v", a, err)
			}
			for _, b := range list {
				loss, err := VisualLoss(a, b)
				if back, err2 := VisualLoss(b, a); orRefused(t, err) && orRefused(t, err2) && loss && back {
					t.Errorf("%+v and %+v each lose", a, b)
				}
				_, err = Measured{Unaided: &a, Pinhole: &b}.After()
				orRefused(t, err)
			}
		}
		_, err := MeanAcuity(list)
		orRefused(t, err)
		a := Acuity{LogMARHundredths: h, LowVision: LowVision(word), Convention: Convention(convention)}
		for _, write := range []func() (string, error){a.DistanceBand, a.SurgeryOutcome, func() (string, error) { return a.In(Notation(notation)) }} {
			written, err := write()
			if orRefused(t, err) && written == "" {
				t.Errorf("%+v: nothing written", a)
			}
		}
		_, err = Measured{Pinhole: &a}.Before()
		orRefused(t, err)
	})
}
