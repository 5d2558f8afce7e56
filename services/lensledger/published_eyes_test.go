package main

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// Published aggregates of vision and refraction, sent as events of single eyes and
// asked back. The publications print totals and shares, so the eyes are made up to
// give these; sets of tens of thousands are scaled by the factor stated. A share
// comes back as printed, and the published one lies in the interval.

// series is one made-up set of eyes. Counts are of eyes, in hundredths of logMAR
// and dioptres.
type series struct {
	department, source string
	scale              int // published eyes for each of these
	eyes               int
	copathology        bool
	good, fair         int        // eyes at 0.00 and at 0.30 or better after
	half, one          int        // eyes within 0.50 and 1.00 D
	published          [4]float64 // shares as printed, in that order; 0 isn't printed
}

var publishedEyes = []series{
	{department: "DAY-WITHOUT", source: "Day AC et al. Eye 2015;29:552-560, eyes without co-pathology", scale: 100, eyes: 1000,
		good: 508, fair: 946, published: [4]float64{.508, .946}},
	{department: "DAY-WITH", source: "Day AC et al. Eye 2015;29:552-560, eyes with co-pathology", scale: 100, eyes: 1000, copathology: true,
		good: 325, fair: 799, published: [4]float64{.325, .799}},
	{department: "BROGAN", source: "Brogan K et al. Br J Ophthalmol 2019;103:539, 5,577 and 7,938 of 8,943", scale: 10, eyes: 894,
		good: 894, fair: 894, half: 558, one: 794, published: [4]float64{2: .6236, 3: .8876}},
	{department: "LUNDSTROM", source: "Lundstrom M et al. J Cataract Refract Surg 2018;44:447-452, 205,675 and 263,015 of 282,811", scale: 400, eyes: 707,
		good: 707, fair: 707, half: 514, one: 658, published: [4]float64{2: .727, 3: .930}},
	{department: "GALE", source: "Gale RP et al. Eye 2009;23:149-152, 79.7 % of 952 within 1.00 D", scale: 1, eyes: 952,
		good: 952, fair: 952, half: 500, one: 759, published: [4]float64{3: .797}},
}

// facts are the events of eye i of the set.
func (s series) facts(i int) []fact {
	code := fmt.Sprintf("%s-%04d", s.department, i)
	start := time.Date(2024, 1, 1, 8, 0, 0, 0, time.UTC).AddDate(0, 0, i%300)
	at := func(days, n int, kind, data string) fact {
		return fact{id: fmt.Sprintf("%s-%d", code, n), source: "series", department: s.department, kind: kind, subject: code,
			at: start.AddDate(0, 0, days).Add(time.Duration(n) * time.Minute).Format(time.RFC3339), data: data}
	}
	after := 50
	if i < s.fair {
		after = 30
	}
	if i < s.good {
		after = 0
	}
	disease := `[]`
	if s.copathology {
		disease = `["macular-degeneration"]`
	}
	out := []fact{
		at(-30, 1, "case.booked", fmt.Sprintf(`{"patient":"P-%d","eye":"right","first_or_second_eye":"first","procedure":"phacoemulsification"}`, i)),
		at(-20, 2, "preop.assessed", `{"acuity":[{"correction":"corrected","logmar_hundredths":50}],"ocular_copathology":`+disease+`}`),
		at(0, 3, "case.started", `{"first_operator":"S-1","responsible_consultant":"C-1"}`),
		at(0, 20, "case.finished", `{}`),
		at(35, 21, "followup.acuity", fmt.Sprintf(`{"acuity":[{"correction":"corrected","logmar_hundredths":%d}]}`, after)),
	}
	if s.one > 0 {
		sphere := 1.25
		if i < s.one {
			sphere = 1.00 // on the edge, which is inside
		}
		if i < s.half {
			sphere = -0.50
		}
		out = append(out,
			at(-10, 4, "lens.planned", `{"formula":"F","candidates":[{"lens_model":"M","power_d":21.0,"predicted_refraction_d":0.0}]}`),
			at(0, 10, "lens.implanted", `{"lens_model":"M","power_d":21.0,"site":"bag"}`),
			at(35, 22, "followup.refraction", fmt.Sprintf(`{"refraction":{"sphere_d":%.2f,"method":"subjective"}}`, sphere)))
	}
	return out
}

func TestPublishedEyes(t *testing.T) {
	w := newWorld(t, nil)
	for _, s := range publishedEyes {
		var batch []fact
		for i := range s.eyes {
			if batch = append(batch, s.facts(i)...); len(batch) > 1000 || i == s.eyes-1 {
				w.postAll(t, lines, batch...)
				batch = nil
			}
		}
		type share struct {
			Count, N int
			Share    float64
			Interval interval `json:"interval_95"`
		}
		var got struct {
			Vision struct {
				Eyes  int
				After struct {
					At000 share `json:"at_0_00_or_better"`
					At030 share `json:"at_0_30_or_better"`
				}
				Comparable bool
			}
			Refraction struct {
				N         int
				Within050 share `json:"within_0_50_d"`
				Within100 share `json:"within_1_00_d"`
			}
		}
		w.get(t, quality(s.department), "/v1/departments/"+s.department+"/benchmarks?from=2024-01&to=2024-12", &got)
		if got.Vision.Eyes != s.eyes || !got.Vision.Comparable || s.one > 0 && got.Refraction.N != s.eyes {
			t.Fatalf("%s: %+v", s.source, got)
		}
		for i, one := range []struct {
			share
			want int
		}{{got.Vision.After.At000, s.good}, {got.Vision.After.At030, s.fair}, {got.Refraction.Within050, s.half}, {got.Refraction.Within100, s.one}} {
			published := s.published[i]
			if published == 0 {
				continue
			}
			if one.Count != one.want || one.N != s.eyes || math.Abs(one.Share-published) > 0.001 {
				t.Errorf("%s: %d of %d (%.4f), published %.4f", s.source, one.Count, one.N, one.Share, published)
			}
			limits := naiveWilson(one.want, s.eyes)
			if math.Abs(one.Interval.Lower-limits.Lower) > 1e-9 || math.Abs(one.Interval.Upper-limits.Upper) > 1e-9 ||
				published < one.Interval.Lower || published > one.Interval.Upper {
				t.Errorf("%s: interval %+v of %.4f", s.source, one.Interval, published)
			}
		}
	}
}

// The choice of eyes moves a rate: with a complication or outside the bag an eye
// leaves the main figure and stays in that of all eyes.
func TestPublishedChoiceOfEyes(t *testing.T) {
	w := newWorld(t, nil)
	s := series{department: "CHOICE", eyes: 100, good: 100, fair: 100, half: 60, one: 80}
	for i := range s.eyes {
		facts := s.facts(i)
		if i >= 80 && i < 90 { // ten of the twenty beyond 1.00 D were complicated
			facts = append(facts, fact{id: facts[0].id + "-c", source: "series", department: s.department, kind: "complication.recorded", subject: facts[0].subject,
				at: strings.Replace(facts[2].at, ":03:", ":08:", 1), data: `{"kind":"iris-prolapse"}`})
		}
		w.postAll(t, lines, facts...)
	}
	var got struct {
		Refraction struct {
			N         int
			Within100 struct{ Count int } `json:"within_1_00_d"`
			All       struct {
				N         int
				Within100 struct{ Count int } `json:"within_1_00_d"`
			} `json:"all_eyes"`
			Excluded map[string]int
		}
	}
	w.get(t, quality("CHOICE"), "/v1/departments/CHOICE/benchmarks?from=2024-01&to=2024-12", &got)
	r := got.Refraction
	if r.N != 90 || r.Within100.Count != 80 || r.All.N != 100 || r.All.Within100.Count != 80 || r.Excluded["complicated-or-not-in-bag"] != 10 {
		t.Errorf("%+v", r)
	}
}
