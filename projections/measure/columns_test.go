package measure

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// Columns that follow from the others by a line of arithmetic are compared too,
// so that each exact column of the reference values is held to something of ours.
func TestRemainingColumnsEqualReference(t *testing.T) {
	for _, r := range readRows(t, "binomial_ci") {
		r.absolute("estimate", must[Rate](t)(NewRate(r.whole("x"), r.whole("n"))).Rate, 1e-12)
	}
	for _, r := range readRows(t, "bernoulli_cusum_arl") {
		scores := must[Scores](t)(BernoulliScores(r.number("p0"), r.number("p1")))
		// Beyond the line rather than at it: the next number above.
		chart := Chart{Scores: scores, Threshold: math.Nextafter(r.number("h"), math.Inf(1))}
		r.relative("arl_exact_gt", must[RunLength](t)(chart.RunLength(r.number("p_true"))).AverageRunLength, 1e-9)
	}
	for _, r := range readRows(t, "power_vectors") {
		axis := r.number("axis_minus")
		v := must[PowerVector](t)(Refraction{r.number("sphere_minus"), r.number("cyl_minus"), &axis}.Vector())
		r.absolute("J", math.Hypot(v.J0, v.J45), 1e-10)
	}
	for _, r := range readRows(t, "sia_vectors") {
		at := func(when string) Astigmatism {
			axis := r.number(when + "_steep_axis")
			return Astigmatism{r.number(when+"_k_steep") - r.number(when+"_k_flat"), &axis}
		}
		after := must[DoubleAngle](t)(at("post").DoubleAngle())
		r.absolute("post_x", after.X, 1e-10)
		r.absolute("post_y", after.Y, 1e-10)
		induced := must[DoubleAngle](t)(Induced(at("pre"), at("post")))
		r.absolute("sia_J0", induced.X/2, 1e-10)
		r.absolute("sia_J45", induced.Y/2, 1e-10)
	}
	rows := readRows(t, "risk_adjusted_cusum")
	var risks, down []float64
	var events []bool
	observed, expected := 0, 0.0
	for _, r := range rows {
		event := r.whole("y") == 1
		risks, events = append(risks, r.number("p")), append(events, event)
		down = append(down, must[Scores](t)(LLR(r.number("p"), 0.5)).Of(event))
	}
	difference := must[[]float64](t)(ObservedMinusExpected(risks, events))
	points := must[[]Point](t)(Path(down, 1e9))
	for i, r := range rows {
		if events[i] {
			observed++
		}
		expected += risks[i]
		r.absolute("observed", float64(observed), 0)
		r.absolute("expected", float64(observed)-difference[i], 1e-10)
		r.absolute("s_down_plotted", -points[i].Value, 1e-12)
	}
	lists := map[string][]float64{}
	for _, r := range readRows(t, "poisson_binomial_risks") {
		lists[r.text("list")] = append(lists[r.text("list")], r.number("p"))
	}
	for _, r := range readRows(t, "poisson_binomial") {
		list := lists[r.text("list")]
		d := must[PoissonBinomial](t)(NewPoissonBinomial(list))
		mean, square := 0.0, 0.0
		for k := range len(list) + 1 {
			mean += float64(k) * d.Exactly(k)
			square += float64(k*k) * d.Exactly(k)
		}
		r.relative("expected", mean, 1e-9)
		r.relative("variance", square-mean*mean, 1e-6)
	}
	// A unit's tails are those of a list of equal risks.
	target := must[float64](t)(PooledTarget(referenceUnits(t)))
	for _, r := range readRows(t, "funnel_units") {
		list := slices.Repeat([]float64{target}, r.whole("n"))
		d := must[PoissonBinomial](t)(NewPoissonBinomial(list))
		r.absolute("se0", math.Sqrt(target*(1-target)/r.number("n")), 1e-12)
		r.absolute("p_upper_exact", d.AtLeast(r.whole("y")), 1e-9)
		r.absolute("p_lower_midp", 1-d.UpperMidP(r.whole("y")), 1e-9)
	}
}

// columnsApart are the columns that nothing of ours is compared with: what goes
// in, and what isn't offered, with the reason.
var columnsApart = map[string]string{
	"acuity":                         "notation text status source",
	"arterial_switch":                "operation death near_miss",
	"bernoulli_lattice_designs":      "p0 m h_x_gamma",
	"newcombe_1998":                  "method events n",
	"normal_cusum":                   "k h mean half_unit",
	"rates":                          "what events n status source",
	"srkt_emmetropia":                "axial_length_mm mean_k_d a_constant source",
	"surgeon_observed_expected":      "surgeon n observed expected source",
	"trainee_case_bands":             "trainee prior_whole_cases last_case ruptures_at",
	"bernoulli_cusum_200bit":         "p0 odds_ratio h true",
	"bernoulli_cusum_arl":            "p0 odds_ratio p1 h true p_true mc_reps mc_se",
	"bernoulli_cusum_lattice":        "score_fail score_succ h p_true",
	"bernoulli_cusum_runlength_cdf":  "p0 odds_ratio p1 h true p_true n",
	"binomial_ci":                    "x n conf method",
	"funnel_limits":                  "target n level p_lower p_upper r_lower r_upper lower_exact_raw lower_normal_raw upper_check_absdiff", // raw: before clipping at 0, which is what we give
	"funnel_overdispersion":          "target units winsor winsor_rule reject_phi1_chisq_p",                                                 // no test of phi is offered
	"funnel_units":                   "unit n y z_winsor_type7 z_arcsine",                                                                   // winsorised z enter phi; no arcsine z is offered
	"lc_cusum":                       "p_adequate p_inadequate h true p_true n",
	"lc_cusum_trace":                 "case failure competent_h1.25", // a yes or no, compared as such
	"learning_curve_data":            "case minutes",
	"learning_curve_fit":             "model name x",
	"learning_curve_percentiles":     "bin first_case last_case prob",
	"logistic_data":                  "row x1 x2 x3 x4 x5 x6 y fitted p_external",
	"logistic_fit":                   "section name note",
	"logistic_hl_groups":             "model grouping group",
	"poisson_binomial":               "list n_cases k",
	"poisson_binomial_risks":         "list case p",
	"power_vectors":                  "id sphere_minus cyl_minus axis_minus sphere_plus cyl_plus axis_plus",
	"risk_adjusted_cusum":            "case p y alarm_up_h2 alarm_down_h1", // yes or no, compared as such
	"risk_adjusted_cusum_arl":        "mix RA R0 true_odds_ratio h mc_reps mc_se",
	"risk_adjusted_cusum_fixed_list": "direction RA true_odds_ratio h n prob_lattice4000 mc_reps mc_se", // the coarser of two lattices
	"risk_adjusted_cusum_mix":        "mix p prob j",
	"sia_summary":                    "name unit",
	"sia_vectors":                    "id pre_k_flat pre_k_steep pre_steep_axis post_k_flat post_k_steep post_steep_axis mean_k_change", // no change of the mean power is offered
	"standardised_ratio":             "O E conf p_upper_exact p_lower_exact",                                                            // tails of the exact limits, which are compared
	"step_quantiles":                 "set n values prob",
}

// uncompared names a column of the reference values that no test compares and
// columnsApart doesn't set apart; empty when there is none.
func uncompared() (string, error) {
	for _, folder := range []string{"reference", "published"} {
		paths, err := filepath.Glob(filepath.Join("..", "..", "testdata", folder, "*.csv"))
		if err != nil {
			return "", err
		}
		for _, path := range paths {
			f, err := os.Open(path)
			if err != nil {
				return "", err
			}
			columns, err := csv.NewReader(f).Read()
			_ = f.Close()
			if err != nil {
				return "", fmt.Errorf("%s: %w", path, err)
			}
			name := filepath.Base(path)
			for _, c := range columns {
				_, done := ledger.columns[[2]string{name, c}]
				if !done && !slices.Contains(strings.Fields(columnsApart[strings.TrimSuffix(name, ".csv")]), c) {
					return name + " column " + c, nil
				}
			}
		}
	}
	return "", nil
}
