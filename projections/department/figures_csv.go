package department

import (
	"bytes"
	"encoding/csv"
	"slices"
	"strconv"
	"time"

	"lensledger/projections/measure"
)

// FigureColumns are the columns of Figures.CSV, which stay as they are within a
// definition version. Counts are whole numbers, rates and shares proportions from
// 0 to 1, limits those of the 95 % interval. What isn't shown is empty, and named
// in suppressed; a rate is also empty below 25 cases.
var FigureColumns = slices.Concat(
	[]string{"department", "from", "to", "position", "recorded_at", "definition", "operations"},
	rateColumns("capsule_rupture"), []string{"capsule_rupture_expected", "capsule_rupture_adjusted_rate", "capsule_rupture_adjusted_lower", "capsule_rupture_adjusted_upper"},
	rateColumns("unplanned_takeover"), []string{"vision_eyes"}, rateColumns("vision_at_0_00_or_better"), rateColumns("vision_at_0_30_or_better"),
	rateColumns("visual_loss"), rateColumns("refraction_within_0_50_d"), rateColumns("refraction_within_1_00_d"),
	rateColumns("any_complication"), rateColumns("returned_to_theatre"), rateColumns("unplanned_attendance"), rateColumns("endophthalmitis"),
	rateColumns("operating_time_known"), rateColumns("acuity_before_and_after_known"), rateColumns("refraction_known"),
	[]string{"excluded_other_procedure", "excluded_combined", "excluded_under_18", "excluded_not_finished", "suppressed"})

func rateColumns(name string) []string {
	return []string{name + "_count", name + "_n", name + "_rate", name + "_lower", name + "_upper"}
}

// CSV is the same figures as a table of RFC 4180: a line of FigureColumns, one for
// each department, and one for all of them.
func (f Figures) CSV() ([]byte, error) {
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	w.UseCRLF = true
	if err := w.Write(FigureColumns); err != nil {
		return nil, err
	}
	for _, row := range append(slices.Clone(f.Rows), f.Total) {
		if err := w.Write(f.record(row)); err != nil {
			return nil, err
		}
	}
	w.Flush()
	return out.Bytes(), w.Error()
}

func (f Figures) record(row FigureRow) []string {
	line := []string{row.Department, f.From, f.To, strconv.FormatUint(f.AsOf.Position, 10), f.AsOf.RecordedAt.Format(time.RFC3339Nano), f.Definition}
	count := func(n *int) {
		text := ""
		if n != nil {
			text = strconv.Itoa(*n)
		}
		line = append(line, text)
	}
	number := func(x *float64) {
		text := ""
		if x != nil {
			text = strconv.FormatFloat(*x, 'f', -1, 64)
		}
		line = append(line, text)
	}
	limits := func(i *measure.Interval) {
		if i == nil {
			line = append(line, "", "")
			return
		}
		number(&i.Lower)
		number(&i.Upper)
	}
	figure := func(s ShownFigure) {
		count(s.Events)
		count(s.N)
		number(s.Rate)
		limits(s.Interval)
	}
	share := func(s ShownShare) { figure(ShownFigure{s.Count, s.N, s.Share, s.Interval}) }
	count(row.Operations)
	figure(row.CapsuleRupture.ShownFigure)
	number(row.CapsuleRupture.Expected)
	number(row.CapsuleRupture.AdjustedRate)
	limits(row.CapsuleRupture.AdjustedCI)
	figure(row.Takeover)
	count(row.Vision.Eyes)
	share(row.Vision.At000)
	share(row.Vision.At030)
	figure(row.Vision.Loss)
	share(row.Refraction.Within050)
	share(row.Refraction.Within100)
	figure(row.Complications.Any)
	figure(row.Complications.Returned)
	figure(row.Complications.UnplannedAttendance)
	figure(row.Complications.Endophthalmitis)
	figure(row.Completeness.OperatingTime)
	figure(row.Completeness.AcuityBoth)
	figure(row.Completeness.Refraction)
	for _, reason := range excludedReasons {
		count(row.Excluded[reason])
	}
	names := ""
	for _, s := range suppressedIn(row) {
		if names != "" {
			names += " "
		}
		names += s.Figure
	}
	return append(line, names)
}
