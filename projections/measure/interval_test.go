package measure

import (
	"errors"
	"math"
	"testing"
)

var intervalMethods = map[string]func(x, n int, conf float64) (Interval, error){
	"wilson":          Wilson,
	"clopper_pearson": ClopperPearson,
	"clopper-pearson": ClopperPearson,
	"mid_p":           MidP,
	"mid-p":           MidP,
	"jeffreys_bcd":    Jeffreys,
	"jeffreys_raw":    JeffreysRaw,
}

func TestIntervalsEqualReference(t *testing.T) {
	tested := map[string]int{}
	for _, r := range readRows(t, "binomial_ci") {
		method := intervalMethods[r.text("method")]
		if method == nil {
			continue // Wilson with continuity correction is not offered
		}
		tested[r.text("method")]++
		got := must[Interval](t)(method(r.whole("x"), r.whole("n"), r.number("conf")))
		r.absolute("lower", got.Lower, 1e-9)
		r.absolute("upper", got.Upper, 1e-9)
		if r.has("published_lower") {
			tolerance := 0.5e-4 + 1e-12
			if n := r.whole("n"); n == 10 || (n == 20 && r.whole("x") == 5) {
				tolerance = 0.5e-3 + 1e-12 // these two are published to three places
			}
			r.absolute("published_lower", got.Lower, tolerance)
			r.absolute("published_upper", got.Upper, tolerance)
		}
	}
	if len(tested) != 5 || tested["wilson"] != 34 {
		t.Errorf("tested %v, want 34 rows of each of five methods", tested)
	}
}

// Newcombe RG. Stat Med 1998;17:857-872, table I.
func TestIntervalsEqualNewcombe(t *testing.T) {
	for _, r := range readPublished(t, "newcombe_1998") {
		got := must[Interval](t)(intervalMethods[r.text("method")](r.whole("events"), r.whole("n"), 0.95))
		r.absolute("lower", got.Lower, 0.5e-4+1e-12)
		r.absolute("upper", got.Upper, 0.5e-4+1e-12)
		if got.Method != r.text("method") {
			t.Errorf("%s: method %q, want %q", r.where, got.Method, r.text("method"))
		}
	}
}

// Ruptures of published series; the intervals are computed in R.
func TestCataractSizedRates(t *testing.T) {
	for _, c := range []struct {
		source                           string
		events, n                        int
		wilsonLower, wilsonUpper         float64
		exactLower, exactUpper, decimals float64
	}{
		{"Grinton M et al. Eye 2021;35:1213-1220", 82, 4303, .01538, .02359, .01518, .02360, 1e-5},
		{"Jeang LJ et al. J Acad Ophthalmol 2022;14:e70-73", 84, 3445, .01974, .03009, .01949, .03010, 1e-5},
		{"Am J Ophthalmol 2017;177:77-80", 650, 62994, .00956, .01114, 0, 0, 1e-5},
		{"Int J Retina Vitreous 2021;7:14", 51, 40491, .00096, .00166, 0, 0, 1e-5},
		{"Segers MHM et al. J Cataract Refract Surg 2022", 31749, 2853376, .01101, .01125, 0, 0, 1e-5},
		{"Sim PY et al. Eye 2024", 9730, 961208, .00992, .01032, 0, 0, 1e-5},
	} {
		got := must[Rate](t)(NewRate(c.events, c.n))
		near(t, c.source+" lower", got.Wilson.Lower, c.wilsonLower, 0.5*c.decimals+1e-12)
		near(t, c.source+" upper", got.Wilson.Upper, c.wilsonUpper, 0.5*c.decimals+1e-12)
		if c.exactUpper > 0 {
			near(t, c.source+" exact lower", got.Exact.Lower, c.exactLower, 0.5*c.decimals+1e-12)
			near(t, c.source+" exact upper", got.Exact.Upper, c.exactUpper, 0.5*c.decimals+1e-12)
		}
	}
	// 0 of 40 is compatible with 8.8 %: common practice's reminder, computed in R.
	near(t, "0 of 40, exact upper end", must[Rate](t)(NewRate(0, 40)).Exact.Upper, 0.088, 0.0005)
}

func TestIntervalProperties(t *testing.T) {
	for name, method := range intervalMethods {
		for _, n := range []int{1, 2, 7, 40, 1000} {
			for _, x := range []int{0, 1, n / 3, n - 1, n} {
				got := must[Interval](t)(method(x, n, 0.95))
				p := float64(x) / float64(n)
				if name != "jeffreys_raw" {
					if x == 0 && got.Lower != 0 {
						t.Errorf("%s 0/%d: lower end %g, want exactly 0", name, n, got.Lower)
					}
					if x == n && got.Upper != 1 {
						t.Errorf("%s %d/%d: upper end %g, want exactly 1", name, n, n, got.Upper)
					}
					if !(got.Lower <= p && p <= got.Upper) {
						t.Errorf("%s %d/%d: %+v does not hold %g", name, x, n, got, p)
					}
				}
				mirror := must[Interval](t)(method(n-x, n, 0.95))
				near(t, name+" mirror", got.Lower, 1-mirror.Upper, 1e-12)
				wider := must[Interval](t)(method(x, n, 0.99))
				if wider.Lower > got.Lower || wider.Upper < got.Upper {
					t.Errorf("%s %d/%d: 99 %% %+v is inside 95 %% %+v", name, x, n, wider, got)
				}
			}
		}
	}
}

func TestIntervalsRefuse(t *testing.T) {
	for name, method := range intervalMethods {
		if _, err := method(0, 0, 0.95); !errors.Is(err, ErrNoCases) {
			t.Errorf("%s of no cases: got %v, want ErrNoCases", name, err)
		}
		for _, c := range []struct {
			x, n int
			conf float64
			want string
		}{
			{1, 0, .95, "events"}, {-1, 5, .95, "events"}, {6, 5, .95, "events"}, {0, -1, .95, "n"}, {0, 2_000_000_000, .95, "n"},
			{1, 5, 0, "conf"}, {1, 5, 1, "conf"}, {1, 5, -.5, "conf"}, {1, 5, math.NaN(), "conf"}, {1, 5, math.Inf(1), "conf"},
		} {
			_, err := method(c.x, c.n, c.conf)
			refused(t, name, err, c.want)
		}
	}
	if _, err := NewRate(0, 0); !errors.Is(err, ErrNoCases) {
		t.Errorf("rate of no cases: got %v, want ErrNoCases", err)
	}
}
