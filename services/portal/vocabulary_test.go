package portal

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"lensledger/events"
	"lensledger/projections/department"
	"lensledger/projections/fold"
	"lensledger/projections/outcome"
	"lensledger/services/access"
)

// wireShape is what no page should show: words joined by hyphens, underscores or
// colons, and names of types.
var wireShape = regexp.MustCompile(`[a-z0-9]_[a-z0-9]|[a-z]:[a-z]|lensledger\.|^/|[a-z]+-[a-z]+-[a-z]+`)

// goodHyphens are hyphens of the language.
var goodHyphens = []string{"small-incision", "take-over", "hand-over", "follow-up"}

func checkPlain(t *testing.T, what, words string) {
	t.Helper()
	rest := words
	for _, good := range goodHyphens {
		rest = strings.ReplaceAll(rest, good, "")
	}
	if words == "" || wireShape.MatchString(rest) || regexp.MustCompile(`\b[a-z]+-[a-z]+\b`).MatchString(rest) {
		t.Errorf("%s is shown as %q", what, words)
	}
}

// Every word of the closed vocabularies reads well.
func TestEveryWordIsPlain(t *testing.T) {
	if len(wireWords()) < 150 {
		t.Fatalf("only %d words: the schemas weren't read", len(wireWords()))
	}
	for word := range wireWords() {
		checkPlain(t, word, plain(word))
	}
	for _, word := range []string{"step:cortex-aspiration", "culture-proven", "refraction-miss"} {
		if !wireWords()[word] {
			t.Errorf("%q isn't among the words", word)
		}
	}
}

// Every event type of the catalogue has a name, and no two the same.
func TestEveryEventHasAName(t *testing.T) {
	seen := map[string]events.Type{}
	for _, e := range events.Catalogue {
		name, ok := eventNames[e.Type]
		if !ok {
			t.Errorf("%s has no name", e.Type)
			continue
		}
		checkPlain(t, string(e.Type), name)
		if other, twice := seen[name]; twice {
			t.Errorf("%s and %s are both %q", e.Type, other, name)
		}
		seen[name] = e.Type
	}
}

// sources reads the program's own packages, without their tests.
func sources(t *testing.T, folders ...string) []*ast.File {
	t.Helper()
	var out []*ast.File
	for _, folder := range folders {
		files, err := filepath.Glob(filepath.Join(folder, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ParseComments)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, f)
		}
	}
	return out
}

// Every reason for which something is left out has a sentence: those of the
// constants that a comment calls reasons.
func TestEveryReasonHasWords(t *testing.T) {
	reasons := map[string]string{}
	for _, f := range sources(t, "../../projections/fold", "../../projections/outcome", "../../projections/department") {
		for _, d := range f.Decls {
			group, ok := d.(*ast.GenDecl)
			if !ok || group.Tok != token.CONST {
				continue
			}
			for _, s := range group.Specs {
				constant := s.(*ast.ValueSpec)
				about := group.Doc.Text() + constant.Doc.Text()
				if !strings.Contains(about, "Reasons for") && !strings.Contains(about, "is the reason") {
					continue
				}
				for i, v := range constant.Values {
					if literal, ok := v.(*ast.BasicLit); ok && literal.Kind == token.STRING {
						reasons[constant.Names[i].Name], _ = strconv.Unquote(literal.Value)
					}
				}
			}
		}
	}
	for _, name := range []string{"NoRefraction", "NoAcuityAfter", "OutSecondEye", "ExcludedCombined", "ExcludedUnfinished", "ExcludedEyeUnknown", "ExcludedNoSurgeon"} {
		if reasons[name] == "" {
			t.Errorf("%s isn't found among the reasons", name)
		}
	}
	for name, reason := range reasons {
		words, ok := leftOutWords[reason]
		if !ok {
			t.Errorf("%s, %q, has no words", name, reason)
			continue
		}
		checkPlain(t, reason, words)
	}
}

// Every flag of a case has a title.
func TestEveryFlagHasATitle(t *testing.T) {
	codes := map[string]bool{}
	found := func(e ast.Expr) {
		if literal, ok := e.(*ast.BasicLit); ok && literal.Kind == token.STRING {
			code, _ := strconv.Unquote(literal.Value)
			codes[code] = true
		}
	}
	for _, f := range sources(t, "../../projections/fold", "../../projections/outcome") {
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				if call, ok := n.Fun.(*ast.SelectorExpr); ok && (call.Sel.Name == "flag" || call.Sel.Name == "note") && len(n.Args) > 1 {
					found(n.Args[0])
				}
			case *ast.CompositeLit:
				name := fmt.Sprint(n.Type)
				if selector, ok := n.Type.(*ast.SelectorExpr); ok {
					name = selector.Sel.Name
				}
				if name != "Flag" || len(n.Elts) == 0 {
					return true
				}
				if pair, ok := n.Elts[0].(*ast.KeyValueExpr); ok {
					found(pair.Value)
				} else {
					found(n.Elts[0])
				}
			}
			return true
		})
	}
	for _, code := range []string{"followup-before-operation", "implanted-again", "step-outside", "amendment-unusable", "risk-factors-later", "confirm"} {
		if !codes[code] {
			t.Errorf("%s isn't found in the folds", code)
		}
	}
	for code := range codes {
		title, ok := flagTitles[code]
		if !ok {
			t.Errorf("flag %q has no title", code)
			continue
		}
		checkPlain(t, code, title)
	}
}

// A pair of operations has words for what it shows.
func TestEveryCheckHasWords(t *testing.T) {
	for _, code := range []string{outcome.SameEyeTwice, outcome.SameDayBothEyes, outcome.EyeOrderDiffers, outcome.AxialLengthDiffers} {
		if checkWords[code] == "" {
			t.Errorf("%q has no words", code)
		}
	}
}

func TestDetailsAreWorded(t *testing.T) {
	for _, c := range []struct{ detail, want string }{
		{"an operating time of 54m30s, usual 5 to 90 minutes", "an operating time of 54 min 30 s, usual 5 to 90 minutes"},
		{"cortex-aspiration of 2h10m0s, allowed up to 2 hours; its length is unknown", "cortex aspiration of 2 h 10 min, allowed up to 2 hours; its length is unknown"},
		{"/data/axial_length_um: axial_length_um: found 12000, usual 21200 to 26600", "axial length in thousandths of a millimetre: found 12000, usual 21200 to 26600"},
		{"/data/keratometry/k2_axis_deg: k2_axis_deg: found 84 degrees from k1_axis_deg, usual 85 to 95",
			"meridian of the second corneal power in degrees: found 84 degrees from meridian of the first corneal power in degrees, usual 85 to 95"},
		{"S-014 operated in main-incision without a hand-over", "S-014 operated in main incision without a hand-over"},
		{"lensledger.chart.designed.v1 is not about a case", "Chart's limits set is not about a case"},
		{"cystoid-macular-oedema is dated before the operation was over; it doesn't count", "cystoid macular oedema is dated before the operation was over; it doesn't count"},
	} {
		if got := detailWords(c.detail); got != c.want {
			t.Errorf("%s\n got %s\nwant %s", c.detail, got, c.want)
		}
	}
	got := flagWords(fold.Flag{Code: "eye-differs", Source: "ehr", ID: "a1", Detail: "booked for the left eye, before that for the right; the latest booking stands"})
	if want := "Right and left differ: booked for the left eye, before that for the right; the latest booking stands (event a1 of ehr)"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// Every field that a schema has can be named without its wire form.
func TestEveryFieldIsPlain(t *testing.T) {
	names := map[string]bool{}
	for _, e := range events.Catalogue {
		schema, _ := events.Schema(e.Type)
		for _, m := range regexp.MustCompile(`"([a-z0-9]+(?:_[a-z0-9]+)+)": \{`).FindAllStringSubmatch(string(schema), -1) {
			names[m[1]] = true
		}
	}
	if len(names) < 50 {
		t.Fatalf("only %d fields", len(names))
	}
	for name := range names {
		checkPlain(t, name, fieldWords(name))
	}
}

// Pages of a department are those of the access matrix.
func TestEveryDepartmentPageIsListed(t *testing.T) {
	for _, row := range access.Matrix {
		if !row.Page || row.Method != "GET" || !strings.HasPrefix(row.Route, "/departments/{department}") {
			continue
		}
		listed := false
		for _, p := range departmentRoutes {
			listed = listed || p.route == row.Route
		}
		if !listed {
			t.Errorf("no page of a department leads to %s", row.Route)
		}
	}
}

// Too little follow-up is said wherever a figure says so of itself.
func TestTooLittleFollowUpIsSaid(t *testing.T) {
	for comparable, want := range map[bool]bool{false: true, true: false} {
		v, r := vision(t), refraction(t)
		v.Comparable, r.Comparable = comparable, comparable
		for _, s := range []sectionView{visionSection(v), refractionSection(r)} {
			if got := strings.Contains(strings.Join(s.Words, " "), "Too little follow-up to compare"); got != want {
				t.Errorf("%s, comparable %v: said %v", s.Heading, comparable, got)
			}
		}
	}
	if got := boundsWords(&department.Bounds{Missing: 36, Good: 112.0 / 120, Bad: 76.0 / 120}); got != "36 missing: 93.3 % if all of them did well, 63.3 % if all did badly" {
		t.Error(got)
	}
}
