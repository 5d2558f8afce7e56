package measure

import (
	"bytes"
	"flag"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
)

var update = flag.Bool("update", false, "write the tables of docs/measures.md anew")

// The tables of docs/measures.md between these marks are written by the tests of
// this package, and held to them.
const (
	checkedBegin = "<!-- checked values: written by the tests of projections/measure -->"
	checkedEnd   = "<!-- end of checked values -->"
)

// compared is what the tests found of one column of a file of reference values.
type compared struct {
	rows     int
	greatest float64 // difference, relative or absolute
	relative bool
	allowed  float64
}

var ledger = struct {
	sync.Mutex
	columns map[[2]string]compared // by file and column
}{columns: map[[2]string]compared{}}

// note records one comparison with a column of a file.
func note(file, column string, difference float64, relative bool, tolerance float64) {
	ledger.Lock()
	defer ledger.Unlock()
	c := ledger.columns[[2]string{file, column}]
	c.rows++
	c.relative = relative
	c.greatest, c.allowed = max(c.greatest, difference), max(c.allowed, tolerance)
	ledger.columns[[2]string{file, column}] = c
}

// checkedValue is one value that was printed or computed elsewhere. printed is
// what stands there; with " %" it is a percentage and ours a proportion.
type checkedValue struct {
	what    string
	ours    float64
	printed string
	source  string
}

// reading gives the printed number, the half unit of its last digit, and ours on
// its scale.
func (c checkedValue) reading(t *testing.T) (want, half, ours float64) {
	t.Helper()
	digits, percent := strings.CutSuffix(c.printed, " %")
	want, err := strconv.ParseFloat(strings.ReplaceAll(digits, ",", ""), 64)
	if err != nil {
		t.Fatalf("%s: %v", c.what, err)
	}
	half = 0.5
	if _, fraction, ok := strings.Cut(digits, "."); ok {
		half = 0.5 * math.Pow10(-len(fraction))
	}
	if percent {
		return want, half, 100 * c.ours
	}
	return want, half, c.ours
}

// Every value that a publication prints, or that was computed from one by other
// means, is ours to its last printed digit.
func TestCheckedValues(t *testing.T) {
	for _, c := range checkedValues(t) {
		want, half, ours := c.reading(t)
		if !(math.Abs(ours-want) <= half*(1+1e-9)) {
			t.Errorf("%s: got %.9g, want %s (%s)", c.what, ours, c.printed, c.source)
		}
	}
}

// TestMain runs all tests, and then holds the tables of docs/measures.md to what
// they found. With a part of the tests there is nothing to hold them to.
func TestMain(m *testing.M) {
	flag.Parse()
	code := m.Run()
	whole := true
	for _, name := range []string{"test.run", "test.skip", "test.fuzz", "test.list", "test.bench"} {
		whole = whole && flag.Lookup(name).Value.String() == ""
	}
	if code == 0 && whole {
		if err := holdTables(); err != nil {
			fmt.Fprintln(os.Stderr, "FAIL:", err)
			code = 1
		}
	}
	os.Exit(code)
}

var tableOfValues string // written by TestCheckedValuesTable

func TestCheckedValuesTable(t *testing.T) {
	var b strings.Builder
	b.WriteString("| what | ours | reference | difference | source |\n|---|---|---|---|---|\n")
	for _, c := range checkedValues(t) {
		want, half, ours := c.reading(t)
		places := max(0, int(math.Round(-math.Log10(2*half)))) + 2
		unit := ""
		if strings.HasSuffix(c.printed, " %") {
			unit = " %"
		}
		fmt.Fprintf(&b, "| %s | %.*f%s | %s | %s | %s |\n", c.what, places, ours, unit, c.printed, power(math.Abs(ours-want)), c.source)
	}
	tableOfValues = b.String()
}

// power writes a difference as the power of ten that it stays below, which is
// the same on every machine.
func power(x float64) string {
	if x < 1e-15 {
		return "none"
	}
	return "< 1e" + strconv.Itoa(int(math.Floor(math.Log10(x)))+1)
}

// referenceSources says what computed each file; testdata/reference/README.md
// says it in full.
var referenceSources = map[string]string{
	"acuity":                         "each row's own",
	"rates":                          "each row's own",
	"srkt_emmetropia":                "R; Retzlaff, Sanders and Kraff 1990",
	"surgeon_observed_expected":      "R; 5,595 operations of Steiner 2000",
	"bernoulli_cusum_200bit":         "200-bit arithmetic in R (Rmpfr)",
	"bernoulli_cusum_arl":            "exact recursion in R; Page 1954, Reynolds and Stoumbos 1999",
	"bernoulli_cusum_lattice":        "dense linear solution in R",
	"bernoulli_cusum_runlength_cdf":  "exact renewal equation in R",
	"lc_cusum":                       "exact recursion in R; Biau and Porcher 2010",
	"lc_cusum_trace":                 "R; Biau and Porcher 2010",
	"risk_adjusted_cusum":            "R; Steiner, Cook, Farewell and Treasure 2000",
	"risk_adjusted_cusum_arl":        "finite Markov chain in R",
	"risk_adjusted_cusum_fixed_list": "lattice and 200,000 simulations in R",
	"binomial_ci":                    "R base and epitools; Newcombe 1998",
	"funnel_limits":                  "R; Spiegelhalter 2005",
	"funnel_units":                   "R; Spiegelhalter 2005",
	"funnel_overdispersion":          "R; Spiegelhalter 2005",
	"standardised_ratio":             "R base; Breslow and Day 1987",
	"poisson_binomial":               "200-bit convolution in R",
	"logistic_data":                  "R glm",
	"logistic_fit":                   "R glm, pROC, rms",
	"logistic_hl_groups":             "R",
	"power_vectors":                  "R; Thibos, Wheeler and Horner 1997",
	"sia_vectors":                    "R; Holladay, Moran and Kezirian 2001",
	"sia_summary":                    "R; Hotelling's T-squared",
	"learning_curve_data":            "R isoreg and nls",
	"learning_curve_fit":             "R lm, nls, loess",
	"learning_curve_percentiles":     "R quantile, type 7",
	"step_quantiles":                 "R quantile; Hyndman and Fan 1996",
	"arterial_switch":                "de Leval et al. 1994",
	"bernoulli_lattice_designs":      "Markov chain in R; Reynolds and Stoumbos 1999",
	"newcombe_1998":                  "Newcombe 1998, table I",
	"normal_cusum":                   "r-cran-spc; form of Page ES. Biometrika 1954;41:100-115 (from memory)",
	"trainee_case_bands":             "Grinton et al. 2021",
}

func tableOfColumns() (string, error) {
	var b strings.Builder
	b.WriteString("| file | column | values | greatest difference | allowed | computed by |\n|---|---|---|---|---|---|\n")
	for _, k := range slices.SortedFunc(maps.Keys(ledger.columns), func(a, b [2]string) int { return slices.Compare(a[:], b[:]) }) {
		c := ledger.columns[k]
		kind := "absolute"
		if c.relative {
			kind = "relative"
		}
		file := strings.TrimSuffix(k[0], ".csv")
		source, ok := referenceSources[file]
		if !ok {
			return "", fmt.Errorf("referenceSources doesn't say what computed %s", k[0])
		}
		fmt.Fprintf(&b, "| %s | %s | %d | %s | %.0e %s | %s |\n", file, k[1], c.rows, power(c.greatest), c.allowed, kind, source)
	}
	return b.String(), nil
}

// holdTables compares docs/measures.md with the tables, or writes them.
func holdTables() error {
	if column, err := uncompared(); err != nil || column != "" {
		return fmt.Errorf("no test compares %s (columnsApart can set it apart, with a reason): %w", column, err)
	}
	columns, err := tableOfColumns()
	if err != nil {
		return err
	}
	path := filepath.Join("..", "..", "docs", "measures.md")
	doc, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	before, rest, ok := bytes.Cut(doc, []byte(checkedBegin))
	_, after, closed := bytes.Cut(rest, []byte(checkedEnd))
	if !ok || !closed {
		return fmt.Errorf("%s has no tables of checked values between %q and %q", path, checkedBegin, checkedEnd)
	}
	want := bytes.Join([][]byte{before, []byte(checkedBegin), []byte("\n\n### Single values\n\n" + tableOfValues +
		"\n### Files of values\n\n" + columns + "\n"), []byte(checkedEnd), after}, nil)
	if bytes.Equal(doc, want) {
		return nil
	}
	if !*update {
		return fmt.Errorf("the tables of checked values in %s are stale: go test ./projections/measure -update, and read what changed", path)
	}
	return os.WriteFile(path, want, 0o644)
}
