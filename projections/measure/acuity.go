package measure

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// The range of an acuity read on a chart, in hundredths of logMAR.
const (
	bestAcuity  = -30
	worstAcuity = 170
)

// VisualLossHundredths is a doubling of the visual angle in hundredths of
// logMAR: an eye that is worse by this much or more after its operation has
// lost vision.
//
// Source: usage of Day AC et al. Eye 2015;29:552-560 and Sparrow JM et al. Eye
// 2012;26:821-826 (from memory).
const VisualLossHundredths = 30

// Acuity is one visual acuity in whole hundredths of logMAR, smaller is better:
// 0 is 6/6 and 30 is 6/12. Whole numbers make the edges of bands exact, where
// 6/12 as a fraction, 0.30103, would fall outside "0.30 or better".
//
// For an eye below the chart LowVision is its word, Convention is the list that
// gave the word its number, and neither is ever without the other.
type Acuity struct {
	LogMARHundredths int        `json:"logmar_hundredths"`
	LowVision        LowVision  `json:"low_vision,omitempty"`
	Convention       Convention `json:"convention,omitempty"`
}

// LowVision is the word for an acuity below the chart.
type LowVision string

// The words, best first.
const (
	CountingFingers   LowVision = "counting-fingers"
	HandMovements     LowVision = "hand-movements"
	LightPerception   LowVision = "light-perception"
	NoLightPerception LowVision = "no-light-perception"
)

var lowVisionWords = []LowVision{CountingFingers, HandMovements, LightPerception, NoLightPerception}

// Convention is a list of numbers for the low-vision words. Two acuities of
// different conventions are never compared.
type Convention string

// The conventions, each with its source.
const (
	// ConventionA is measured for fingers and movements, imputed for light: 190,
	// 230, 270, 300. Source: Bach M et al. 2007, after Schulze-Bonsel K et al.
	// Invest Ophthalmol Vis Sci 2006;47:1236-1240.
	ConventionA Convention = "A"
	// ConventionB is that of the large British series: 210, 240, 270, 300 (from
	// memory).
	ConventionB Convention = "B"
	// ConventionC is fingers and movements at 2 feet: 200, 300; it has no number
	// for light. Source: Holladay JT. J Refract Surg 1997;13:388-391 (from memory).
	ConventionC Convention = "C"
	// ConventionD is that of rapid population surveys: light perception 300, none
	// 400; it has no number for fingers and movements.
	ConventionD Convention = "D"
)

// lowVisionHundredths has 0 where a convention has no number for a word.
var lowVisionHundredths = []struct {
	convention Convention
	values     [4]int
}{
	{ConventionA, [4]int{190, 230, 270, 300}},
	{ConventionB, [4]int{210, 240, 270, 300}},
	{ConventionC, [4]int{200, 300, 0, 0}},
	{ConventionD, [4]int{0, 0, 300, 400}},
}

// NewLowVision gives the acuity of a word under a convention. It fails on an
// unknown word or convention, and on a word for which the convention has no
// number.
func NewLowVision(word LowVision, convention Convention) (Acuity, error) {
	place := word.place()
	if place < 0 {
		return Acuity{}, outsideWord("low_vision", string(word), fmt.Sprintf("one of %q", lowVisionWords))
	}
	for _, list := range lowVisionHundredths {
		if list.convention != convention {
			continue
		}
		if list.values[place] == 0 {
			return Acuity{}, outsideWord("low_vision", string(word), "a word to which convention "+string(convention)+" gives a number")
		}
		return Acuity{LogMARHundredths: list.values[place], LowVision: word, Convention: convention}, nil
	}
	return Acuity{}, outsideWord("convention", string(convention), "A, B, C or D")
}

// place is 0 for the best word, and -1 for one that is none.
func (w LowVision) place() int {
	for i, word := range lowVisionWords {
		if w == word {
			return i
		}
	}
	return -1
}

// FromLogMAR gives the acuity nearest to a logMAR from -0.30 to 1.70. It fails
// outside.
func FromLogMAR(logMAR float64) (Acuity, error) {
	return chartAcuity("logmar", logMAR, "-0.30 to 1.70", float64(100*logMAR))
}

// FromDecimal gives the acuity of a decimal one, 1/MAR: 1.0 is 0 and 0.5 is 30.
// It fails outside 0.02 to 2.0.
//
// Source: Holladay JT. J Cataract Refract Surg 2004;30:287-290: logMAR is minus
// the logarithm of the decimal acuity.
func FromDecimal(decimal float64) (Acuity, error) {
	if !(decimal > 0) {
		return Acuity{}, outside("decimal", decimal, "0.02 to 2.0")
	}
	return chartAcuity("decimal", decimal, "0.02 to 2.0", float64(-100*math.Log10(decimal)))
}

// FromFraction gives the acuity of a test distance over the distance at which
// the same letters subtend five minutes: 6/12, 3/60 or 20/40. Both are in one
// unit; it fails unless they are more than 0 and give 0.02 to 2.0.
func FromFraction(distance, letters float64) (Acuity, error) {
	if !(distance > 0 && distance <= 1000) {
		return Acuity{}, outside("distance", distance, "more than 0 to 1000")
	}
	if !(letters > 0 && letters <= 1e6) {
		return Acuity{}, outside("letters", letters, "more than 0 to 1000000")
	}
	return chartAcuity("acuity", distance/letters, "0.02 to 2.0 as distance over letters", float64(100*math.Log10(letters/distance)))
}

// FromLetterScore gives the acuity of a letter score of 0 to 100 on a chart of
// five letters a line: 85 is 0 and every letter is 2 hundredths.
//
// Source: the letter score of the early-treatment retinopathy study (from
// memory); 0.02 a letter is common practice.
func FromLetterScore(letters int) (Acuity, error) {
	if letters < 0 || letters > 100 {
		return Acuity{}, outsideCount("letters", letters, "0 to 100")
	}
	return Acuity{LogMARHundredths: worstAcuity - 2*letters}, nil
}

// FromLine gives the acuity of an eye that read a whole line, in hundredths of
// logMAR, and then more letters beyond it, 2 hundredths each: the 60 line and
// three letters is 54. A negative number is of letters missed on the line.
func FromLine(lineHundredths, more int) (Acuity, error) {
	if more < -100 || more > 100 {
		return Acuity{}, outsideCount("more", more, "-100 to 100 letters")
	}
	if lineHundredths < bestAcuity || lineHundredths > worstAcuity {
		return Acuity{}, outsideCount("line", lineHundredths, "-30 to 170 hundredths of logMAR")
	}
	h := lineHundredths - 2*more
	if h < bestAcuity || h > worstAcuity {
		return Acuity{}, outsideCount("more", more, "a number of letters that stays on the chart")
	}
	return Acuity{LogMARHundredths: h}, nil
}

func chartAcuity(name string, got float64, allowed string, hundredths float64) (Acuity, error) {
	// Not > also refuses NaN. The best end is rounded first, so that 2.0 is on the chart.
	h := math.Round(hundredths)
	if !(h >= bestAcuity && h <= worstAcuity) {
		return Acuity{}, outside(name, got, allowed)
	}
	return Acuity{LogMARHundredths: int(h)}, nil
}

// Notation is a way of writing an acuity.
type Notation string

// The notations.
const (
	NotationMetres  Notation = "metres"  // 6/12, 3/60
	NotationFeet    Notation = "feet"    // 20/40
	NotationDecimal Notation = "decimal" // 0.5
	NotationLogMAR  Notation = "logmar"  // 0.30
	NotationLetters Notation = "letters" // 70
)

// ParseAcuity reads an acuity from a chart. The notation must be said: 0.3 is a
// good acuity as logMAR and a poor one as a decimal.
func ParseAcuity(notation Notation, text string) (Acuity, error) {
	switch notation {
	case NotationMetres, NotationFeet:
		above, below, found := strings.Cut(text, "/")
		distance, err1 := strconv.ParseFloat(above, 64)
		letters, err2 := strconv.ParseFloat(below, 64)
		if !found || err1 != nil || err2 != nil {
			return Acuity{}, outsideWord("acuity", text, "two numbers with / between")
		}
		if notation == NotationFeet && distance != 20 {
			return Acuity{}, outsideWord("acuity", text, "20 over a number")
		}
		// Metres stop at the 6 m chart, or a 20/40 would be read as metres.
		if notation == NotationMetres && distance > 6 {
			return Acuity{}, outsideWord("acuity", text, "at most 6 over a number")
		}
		return FromFraction(distance, letters)
	case NotationDecimal, NotationLogMAR:
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return Acuity{}, outsideWord("acuity", text, "a number")
		}
		if notation == NotationDecimal {
			return FromDecimal(x)
		}
		return FromLogMAR(x)
	case NotationLetters:
		n, err := strconv.Atoi(text)
		if err != nil {
			return Acuity{}, outsideWord("acuity", text, "a whole number of letters")
		}
		return FromLetterScore(n)
	}
	return Acuity{}, outsideWord("notation", string(notation), "metres, feet, decimal, logmar or letters")
}

// In writes the acuity in a notation. Fractions and decimals are nominal:
// the letter size to the nearest half below 10 m or 20 feet and to the nearest
// whole above, decimals to two digits, letters to the nearest whole one. Only
// logMAR keeps every hundredth. An eye below the chart is written as its word.
func (a Acuity) In(notation Notation) (string, error) {
	if err := a.check("acuity"); err != nil {
		return "", err
	}
	angle := math.Pow(10, float64(a.LogMARHundredths)/100)
	var text string
	switch notation {
	case NotationMetres:
		text = "6/" + letterSize(6*angle, 10)
	case NotationFeet:
		text = "20/" + letterSize(20*angle, 20)
	case NotationDecimal:
		text = strconv.FormatFloat(twoDigits(1/angle), 'f', -1, 64)
	case NotationLogMAR:
		text = strconv.FormatFloat(float64(a.LogMARHundredths)/100, 'f', 2, 64)
	case NotationLetters:
		text = strconv.Itoa((worstAcuity - a.LogMARHundredths + 1) / 2)
	default:
		return "", outsideWord("notation", string(notation), "metres, feet, decimal, logmar or letters")
	}
	if a.LowVision != "" {
		return string(a.LowVision), nil
	}
	return text, nil
}

func letterSize(x, wholeFrom float64) string {
	if x < wholeFrom {
		return strconv.FormatFloat(math.Round(2*x)/2, 'f', -1, 64)
	}
	return strconv.FormatFloat(math.Round(x), 'f', -1, 64)
}

// twoDigits rounds to two significant digits, through text so that 0.63 is the
// nearest number to 0.63.
func twoDigits(x float64) float64 {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'e', 1, 64), 64)
	if err != nil {
		return x
	}
	return rounded
}

func (a Acuity) check(name string) error {
	if a.LowVision == "" {
		if a.Convention != "" {
			return outsideWord("convention", string(a.Convention), "nothing for an acuity read on a chart")
		}
		if a.LogMARHundredths < bestAcuity || a.LogMARHundredths > worstAcuity {
			return outsideCount(name, a.LogMARHundredths, "-30 to 170 hundredths of logMAR, or a word")
		}
		return nil
	}
	want, err := NewLowVision(a.LowVision, a.Convention)
	if err != nil {
		return err
	}
	if a != want {
		return outsideCount(name, a.LogMARHundredths, fmt.Sprintf("%d for %s in convention %s",
			want.LogMARHundredths, a.LowVision, a.Convention))
	}
	return nil
}
