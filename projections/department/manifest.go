package department

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/url"
	"strconv"
	"strings"

	"lensledger/projections/archive"
)

// Forms in which figures leave the departments.
const (
	FormCSV  = "csv"
	FormJSON = "json"
)

// Forms lists them in the order offered.
var Forms = []string{FormCSV, FormJSON}

// Manifest says what a file of figures was made from, so that anyone with the same
// departments can make it again: the same manifest gives the same bytes. A change
// of the program's own form would give others, under another definition version.
type Manifest struct {
	Form        string          `json:"form"`
	File        string          `json:"file"`
	Query       ManifestQuery   `json:"query"`
	Address     string          `json:"address"` // of the API, as of the position
	AsOf        archive.AsOf    `json:"as_of"`
	Definition  string          `json:"definition"`
	Rows        int             `json:"rows"` // departments, and the row of all together
	Operations  *int            `json:"operations"`
	Excluded    map[string]*int `json:"excluded"`
	LeftOut     LeftOut         `json:"left_out"`
	Suppression SuppressionRule `json:"suppression"`
	Suppressed  int             `json:"suppressed"` // numbers held back
	Among       []string        `json:"among"`      // departments among which it was settled what is held back
	Bytes       int             `json:"bytes"`
	SHA256      string          `json:"sha256"` // 64 lower-case hexadecimal digits
}

// ManifestQuery is the question, with the position in place of now.
type ManifestQuery struct {
	From        string   `json:"from"`
	To          string   `json:"to"`
	Departments []string `json:"departments"`
	AsOf        uint64   `json:"as_of"`
}

// Encode gives the bytes of figures in a form, as they are served and released.
func (f Figures) Encode(form string) ([]byte, error) {
	if form == FormCSV {
		return f.CSV()
	}
	return f.JSON()
}

// Manifest describes the file that figures are in a form.
func (f Figures) Manifest(form string) (Manifest, error) {
	body, err := f.Encode(form)
	if err != nil {
		return Manifest{}, fmt.Errorf("encode figures as %s: %w", form, err)
	}
	sum := sha256.Sum256(body)
	m := Manifest{Form: form, File: f.FileName(form), AsOf: f.AsOf, Definition: f.Definition, Rows: len(f.Rows) + 1, Operations: f.Total.Operations,
		Query:    ManifestQuery{From: f.From, To: f.To, AsOf: f.AsOf.Position, Departments: []string{}},
		Excluded: f.Excluded, LeftOut: f.LeftOut, Suppression: f.Suppression, Suppressed: len(f.Suppressed), Among: f.among,
		Bytes: len(body), SHA256: hex.EncodeToString(sum[:])}
	for _, r := range f.Rows {
		m.Query.Departments = append(m.Query.Departments, r.Department)
	}
	m.Address = "/v1/figures?" + m.Query.Values().Encode()
	return m, nil
}

// FileName is what a file of figures is called.
func (f Figures) FileName(form string) string {
	return "figures-" + f.From[:len("2006-01")] + "-" + f.To[:len("2006-01")] + "." + form
}

// Values is the query as the API takes it.
func (q ManifestQuery) Values() url.Values {
	return url.Values{"from": {q.From}, "to": {q.To}, "departments": {strings.Join(q.Departments, ",")}, "as_of": {strconv.FormatUint(q.AsOf, 10)}}
}
