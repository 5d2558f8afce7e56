package portal

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"sync"
	"time"

	"lensledger/events"
	"lensledger/projections/fold"
)

// flagTitles say what each flag of a case is about.
var flagTitles = map[string]string{
	events.CodeConfirm:           "To confirm",
	"finish-before-start":        "End before start",
	"operating-time":             "Operating time",
	"operator-unannounced":       "Operator without a hand-over",
	"second-start":               "Started twice",
	"joined-surgeons-differ":     "Joined codes with different surgeons",
	"misplaced":                  "Not about a case",
	"amendment-unusable":         "Amendment that can't be used",
	"followup-before-operation":  "Follow-up before the operation",
	"followup-without-operation": "Follow-up without an operation",
	"followup-after-death":       "Follow-up after a death",
	"eye-differs":                "Right and left differ",
	"patient-differs":            "Patients differ",
	"lens-planned-after-start":   "Implant calculated after the start",
	"implant-without-prediction": "Implant without a prediction",
	"implanted-again":            "Another implant later",
	"step-time":                  "Length of a step",
	"step-outside":               "Step outside the operation",
	"risk-factors-later":         "Risk factors recorded later",
}

// flagWords word a flag of a case.
func flagWords(f fold.Flag) string {
	title, ok := flagTitles[f.Code]
	if !ok {
		title = sentence(plain(f.Code))
	}
	out := title + ": " + detailWords(f.Detail)
	if f.ID != "" {
		out += " (event " + f.ID + " of " + f.Source + ")"
	}
	return out
}

var (
	pointerPrefix = regexp.MustCompile(`^/data(/[A-Za-z0-9_]+)*: `)
	typeName      = regexp.MustCompile(`\blensledger\.[a-z]+\.[a-z]+\.v[0-9]+\b`)
	fieldName     = regexp.MustCompile(`\b[a-z][a-z0-9]*(_[a-z0-9]+)+\b`)
	wireWord      = regexp.MustCompile(`\b[a-z]+(-[a-z]+)+\b`)
	goDuration    = regexp.MustCompile(`-?\b([0-9]+h)?([0-9]+m)?[0-9]+(\.[0-9]+)?s\b`)
)

// detailWords puts the names of the wire in a flag's detail into plain words; the
// values stay as sent.
func detailWords(detail string) string {
	out := pointerPrefix.ReplaceAllString(detail, "")
	out = typeName.ReplaceAllStringFunc(out, func(name string) string { return eventName(events.Type(name)) })
	out = fieldName.ReplaceAllStringFunc(out, fieldWords)
	out = goDuration.ReplaceAllStringFunc(out, func(text string) string {
		d, err := time.ParseDuration(text)
		if err != nil || d < 0 {
			return text
		}
		return length(d)
	})
	return wireWord.ReplaceAllStringFunc(out, func(word string) string {
		if wireWords()[word] {
			return plain(word)
		}
		return word
	})
}

// wireWords are the words of the closed vocabularies, as the schemas list them.
var wireWords = sync.OnceValue(func() map[string]bool {
	words := map[string]bool{string(fold.EarlyCornealOedema): true}
	var walk func(any)
	walk = func(node any) {
		switch node := node.(type) {
		case map[string]any:
			if list, ok := node["enum"].([]any); ok {
				for _, w := range list {
					// Types of events stand in a list too: they have names of their own.
					if w, ok := w.(string); ok && !typeName.MatchString(w) {
						words[w] = true
					}
				}
			}
			for _, inner := range node {
				walk(inner)
			}
		case []any:
			for _, inner := range node {
				walk(inner)
			}
		}
	}
	for _, e := range events.Catalogue {
		schema, _ := events.Schema(e.Type)
		var node any
		if err := json.Unmarshal(schema, &node); err != nil {
			panic(fmt.Sprintf("portal: schema of %s: %v", e.Type, err)) // the program's own
		}
		walk(node)
	}
	return words
})

// fieldUnits are the units that end a field's name.
var fieldUnits = []struct{ suffix, unit string }{
	{"_hundredths", " in hundredths of logMAR"}, {"_um", " in thousandths of a millimetre"},
	{"_deg", " in degrees"}, {"_d", " in dioptres"}, {"_seconds", " in seconds"}, {"_s", " in seconds"}, {"_ms", " in thousandths of a second"},
	{"_ml", " in mL"}, {"_ug", " in thousandths of a milligram"}, {"_mmhg", " in mmHg"}, {"_years", " in years"},
}

// fieldWords names a field of an event, with its unit.
func fieldWords(name string) string {
	unit := ""
	for _, u := range fieldUnits {
		if stem, ok := strings.CutSuffix(name, u.suffix); ok {
			name, unit = stem, u.unit
			break
		}
	}
	if w, ok := fieldNames[name]; ok {
		return w + unit
	}
	return strings.ReplaceAll(name, "_", " ") + unit
}

// fieldNames are those that don't read well once their underscores are gone.
var fieldNames = map[string]string{
	"acd": "depth of the anterior chamber", "k1": "first corneal power", "k2": "second corneal power",
	"k1_axis": "meridian of the first corneal power", "k2_axis": "meridian of the second corneal power",
	"logmar": "acuity", "value": "value measured", "ocular_copathology": "other disease of the eye",
	"rhexis_overlap": "overlap of the capsulorhexis", "lens_model": "implant model",
}
