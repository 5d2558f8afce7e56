package main

import (
	"math"
	"slices"
	"time"
)

// The department's figures of eyes, as the API words them.

type figure = map[string]any

// naiveLimits are Wilson's, as the API words them.
func naiveLimits(events, n int) figure {
	w := naiveWilson(events, n)
	return figure{"lower": w.Lower, "upper": w.Upper}
}

// naiveCounted is a number of operations with its rate from 25 on.
func naiveCounted(events, n int) figure {
	f := figure{"events": events, "n": n}
	if n >= 25 {
		f["rate"], f["interval_95"] = float64(events)/float64(n), naiveLimits(events, n)
	}
	return f
}

// naiveShare is the same as a share, with bounds where missing isn't negative.
func naiveShare(count, n, missing int) figure {
	f := figure{"count": count, "n": n}
	if n >= 25 {
		f["share"], f["interval_95"] = float64(count)/float64(n), naiveLimits(count, n)
		if missing >= 0 {
			all := float64(n + missing)
			f["bounds"] = figure{"missing": missing, "all_missing_good": float64(count+missing) / all, "all_missing_bad": float64(count) / all}
		}
	}
	return f
}

// naiveBands are the shares of 0.00 and 0.30 or better.
func naiveBands(eyes []naiveEye, acuity func(naiveEye) *naiveAcuity) figure {
	n, zero, thirty := 0, 0, 0
	for _, eye := range eyes {
		a := acuity(eye)
		if a != nil {
			n++
		}
		if a.atLeast(0) {
			zero++
		}
		if a.atLeast(30) {
			thirty++
		}
	}
	return figure{"n": n, "at_0_00_or_better": naiveShare(zero, n, len(eyes)-n), "at_0_30_or_better": naiveShare(thirty, n, len(eyes)-n)}
}

// whyNoLoss says why nothing can be said of visual loss; "" when it can.
func (eye naiveEye) whyNoLoss() string {
	switch {
	case eye.before != nil && eye.before.word == "no-light-perception":
		return "no-light-perception-before"
	case eye.before == nil && eye.after == nil:
		return "no-acuity-before-or-after"
	case eye.before == nil:
		return "no-acuity-before"
	case eye.after == nil:
		return "no-acuity-after-in-window"
	}
	return ""
}

// naiveVisionGroup are the figures of some eyes; comparable says whether enough is
// known of loss.
func naiveVisionGroup(eyes []naiveEye) (f figure, excluded map[string]int, comparable bool) {
	excluded = map[string]int{}
	lost, n := 0, 0
	for _, eye := range eyes {
		if why := eye.whyNoLoss(); why != "" {
			excluded[why]++
			continue
		}
		n++
		if eye.before.lost(*eye.after) {
			lost++
		}
	}
	all := len(eyes) - excluded["no-light-perception-before"]
	loss := naiveCounted(lost, n)
	if n >= 25 {
		loss["bounds"] = figure{"missing": all - n, "all_missing_good": float64(lost) / float64(all), "all_missing_bad": float64(lost+all-n) / float64(all)}
	}
	f = figure{"eyes": len(eyes), "visual_loss": loss,
		"before":        naiveBands(eyes, func(e naiveEye) *naiveAcuity { return e.before }),
		"after":         naiveBands(eyes, func(e naiveEye) *naiveAcuity { return e.after }),
		"after_unaided": naiveBands(eyes, func(e naiveEye) *naiveAcuity { return e.unaided })}
	return f, excluded, n >= 25 && 10*n >= 7*all
}

func naiveVision(eyes []naiveEye, recorded time.Time) figure {
	var one []naiveEye
	groups := map[string][]naiveEye{"with": nil, "without": nil, "unknown": nil}
	for _, eye := range eyes {
		if !eye.second {
			one = append(one, eye)
			groups[eye.copathology] = append(groups[eye.copathology], eye)
		}
	}
	f, excluded, comparable := naiveVisionGroup(one)
	split := figure{}
	for name, group := range groups {
		split[name], _, _ = naiveVisionGroup(group)
	}
	all, _, _ := naiveVisionGroup(eyes)
	f["by_copathology"], f["all_eyes"], f["excluded"], f["comparable"] = split, all, excluded, comparable
	f["window"] = figure{"from_day": 14, "to_day": 180}
	f["complete_to"] = naiveCompleteTo(recorded, 180)
	return f
}

// naiveCompleteTo is the last day of operation whose window was over.
func naiveCompleteTo(recorded time.Time, lastDay int) string {
	return recorded.UTC().AddDate(0, 0, -lastDay-1).Format(time.DateOnly)
}

// naiveErrors counts errors, in thousandths of a dioptre, within some edges.
func naiveErrors(values []int, missing int, edges map[string]int) figure {
	f := figure{"n": len(values)}
	for name, edge := range edges {
		within := 0
		for _, v := range values {
			if max(v, -v) <= edge {
				within++
			}
		}
		f[name] = naiveShare(within, len(values), missing)
	}
	return f
}

var naiveEdges = map[string]int{"within_0_25_d": 250, "within_0_50_d": 500, "within_1_00_d": 1000, "within_2_00_d": 2000}

// naiveMoments are mean, standard deviation (n - 1), mean and median absolute
// value in dioptres.
func naiveMoments(values []int) (mean, sd, meanAbsolute, medianAbsolute float64) {
	n := float64(len(values))
	var sizes []float64
	for _, v := range values {
		d := float64(v) / 1000
		mean += d / n
		meanAbsolute += math.Abs(d) / n
		sizes = append(sizes, math.Abs(d))
	}
	for _, v := range values {
		sd += (float64(v)/1000 - mean) * (float64(v)/1000 - mean)
	}
	slices.Sort(sizes)
	half := len(sizes) / 2
	medianAbsolute = sizes[half]
	if len(sizes)%2 == 0 {
		medianAbsolute = (sizes[half-1] + sizes[half]) / 2
	}
	return mean, math.Sqrt(sd / (n - 1)), meanAbsolute, medianAbsolute
}

// naiveRefractionGroup are the figures of the eyes that whyNot lets in; enough
// says whether they aren't too few to compare.
func naiveRefractionGroup(eyes []naiveEye, whyNot func(naiveEye) string) (f figure, excluded map[string]int, enough bool) {
	excluded = map[string]int{}
	var errors, aims []int
	missing := 0
	for _, eye := range eyes {
		switch why := whyNot(eye); why {
		case "":
			errors = append(errors, *eye.failure)
		case "second-eye", "complicated-or-not-in-bag", "worse-than-6-12", "after-another-procedure":
			excluded[why]++
		default:
			excluded[why]++
			missing++
		}
		// The target stands in the prediction's place.
		against := eye
		against.failure = eye.aim
		if eye.aim != nil {
			against.reason = ""
		}
		if against.failure != nil && whyNot(against) == "" {
			aims = append(aims, *eye.aim)
		}
	}
	f = naiveErrors(errors, missing, naiveEdges)
	target := naiveErrors(aims, -1, map[string]int{"within_0_50_d": 500, "within_1_00_d": 1000})
	if len(errors) >= 25 {
		f["mean_d"], f["sd_d"], f["mean_absolute_d"], f["median_absolute_d"] = naiveMoments(errors)
		f["error_classes"] = naiveClasses(errors)
	}
	if len(aims) >= 25 {
		target["mean_d"], _, _, _ = naiveMoments(aims)
	}
	f["against_target"] = target
	return f, excluded, len(errors) >= 25
}

// naiveClasses count errors in thousandths of a dioptre by quarters of one, open at
// 2 D to both sides; an edge is in the class nearer to no error, and no error in
// the first above it.
func naiveClasses(errors []int) []any {
	var out []any
	for from := -2250; from <= 2000; from += 250 {
		count, to := 0, from+250
		for _, v := range errors {
			if from < 0 && v < to && (v >= from || from == -2250) || from == 0 && v == 0 || from >= 0 && v > from && (v <= to || from == 2000) {
				count++
			}
		}
		class := figure{"count": count}
		class["from_d"], class["to_d"] = float64(from)/1000, float64(to)/1000
		if from == -2250 {
			class["from_d"] = nil
		}
		if from == 2000 {
			class["to_d"] = nil
		}
		out = append(out, class)
	}
	return out
}

func naiveRefraction(eyes []naiveEye, recorded time.Time) figure {
	f, excluded, enough := naiveRefractionGroup(eyes, func(e naiveEye) string { return e.whyNot(false) })
	f["both_eyes"], _, _ = naiveRefractionGroup(eyes, func(e naiveEye) string { return e.whyNot(true) })
	all, allExcluded, _ := naiveRefractionGroup(eyes, func(e naiveEye) string { return e.reason })
	f["all_eyes"], f["all_eyes_excluded"], f["excluded"] = all, allExcluded, excluded
	one, refracted := 0, 0
	for _, e := range eyes {
		if !e.second {
			one++
			if e.achieved != nil {
				refracted++
			}
		}
	}
	f["comparable"] = enough && 10*refracted >= 7*one
	f["window"] = figure{"from_day": 28, "to_day": 120}
	f["complete_to"] = naiveCompleteTo(recorded, 120)
	return f
}

func naiveComplications(eyes []naiveEye) figure {
	n := len(eyes)
	clean, infected, again := 0, 0, 0
	kinds, findings := map[string]int{}, map[string]int{}
	for _, eye := range eyes {
		if len(eye.complications) == 0 {
			clean++
		}
		if eye.endophthalmitis != nil {
			infected++
		}
		if eye.again {
			again++
		}
		for _, kind := range eye.complications {
			kinds[kind]++
		}
		for _, kind := range eye.findings {
			findings[kind]++
		}
	}
	f := figure{"n": n, "uncomplicated": naiveShare(clean, n, -1), "endophthalmitis": infected,
		"returned_to_theatre": naiveCounted(again, n), "unplanned_attendance": naiveCounted(findings["unplanned-attendance"], n)}
	for _, apart := range []string{"return-to-theatre", "unplanned-attendance", "endophthalmitis"} {
		delete(findings, apart)
	}
	for name, counts := range map[string]map[string]int{"by_kind": kinds, "findings": findings} {
		all := figure{}
		for kind, events := range counts {
			all[kind] = naiveCounted(events, n)
		}
		f[name] = all
	}
	return f
}

// naiveCompleteness counts what is known of the operations.
func naiveCompleteness(eyes []naiveEye, unfinished int) figure {
	f := figure{"operations_without_end": unfinished}
	for name, known := range map[string]func(naiveEye) bool{
		"operating_time_known":          func(e naiveEye) bool { return e.timed },
		"acuity_before_known":           func(e naiveEye) bool { return e.before != nil },
		"acuity_after_known":            func(e naiveEye) bool { return e.after != nil },
		"acuity_before_and_after_known": func(e naiveEye) bool { return e.before != nil && e.after != nil },
		"refraction_known":              func(e naiveEye) bool { return e.achieved != nil },
		"prediction_error_known":        func(e naiveEye) bool { return e.failure != nil },
		"followup_closed":               func(e naiveEye) bool { return e.closed },
	} {
		events := 0
		for _, eye := range eyes {
			if known(eye) {
				events++
			}
		}
		f[name] = naiveCounted(events, len(eyes))
	}
	return f
}

// naiveOfPeriod gives a department's operations that stand in its figures, and
// those that wait for their end.
func naiveOfPeriod(eyes []naiveEye, department, from, to string) (counted, unfinished []naiveEye) {
	for _, eye := range eyes {
		switch {
		case eye.department != department || eye.day < from || eye.day > to:
		case eye.excluded == "not-finished":
			unfinished = append(unfinished, eye)
		case eye.excluded == "":
			counted = append(counted, eye)
		}
	}
	return counted, unfinished
}

// naiveAstigmatism is a department's induced astigmatism.
func naiveAstigmatism(eyes []naiveEye) figure {
	excluded := map[string]int{}
	var settled, early []naiveVector
	for _, eye := range eyes {
		if eye.settled != nil {
			settled = append(settled, *eye.settled)
		} else {
			excluded[eye.astigmatismReason]++
		}
		if eye.early != nil {
			early = append(early, *eye.early)
		}
	}
	group := func(points []naiveVector) figure {
		f := figure{"n": len(points)}
		if n := float64(len(points)); n >= 25 {
			var x, y, amount float64
			for _, p := range points {
				x, y, amount = x+p.x/n, y+p.y/n, amount+math.Hypot(p.x, p.y)/n
			}
			f["x"], f["y"], f["amount"] = x, y, amount
		}
		return f
	}
	return figure{"settled": group(settled), "early": group(early), "excluded": excluded}
}

// naiveLenses are the number and mean error of each lens constant's eyes.
func naiveLenses(eyes []naiveEye) map[naiveLens][]int {
	out := map[naiveLens][]int{}
	for _, eye := range eyes {
		if eye.whyNot(false) == "" {
			out[eye.lens] = append(out[eye.lens], *eye.failure)
		}
	}
	for lens, errors := range out {
		if len(errors) < 25 {
			delete(out, lens)
		}
	}
	return out
}
