package department

import (
	"math"
	"slices"

	"lensledger/projections/fold"
)

// SuppressionThreshold is the least count, but for zero, that leaves a department.
const SuppressionThreshold = 10

const reasonSmall = "small-number"

// SuppressionRule says by what rule small numbers are held back.
type SuppressionRule struct {
	Applied   bool   `json:"applied"`
	Threshold int    `json:"threshold"`
	Rule      string `json:"rule"`
	Source    string `json:"source"`
	Periods   string `json:"periods"`
}

func suppressionRule(applied bool) SuppressionRule {
	return SuppressionRule{Applied: applied, Threshold: SuppressionThreshold,
		Rule: "Counts from 1 to 9 are held back, with the rates made of them; so is a count that falls short of the number it is part of " +
			"by 1 to 9, and as many others as keep a subtraction from the total from giving one away. Zero is shown. " +
			"How many records are missing is no small number.",
		Source:  "Washington State Department of Health, standards for small numbers, 2017-18; Office for National Statistics, threshold of 10",
		Periods: "whole months"}
}

// Suppressed names a number that isn't shown. Which of them is small itself, and
// which only would give another away, isn't said: it would narrow them down.
type Suppressed struct {
	Department string `json:"department"`
	Figure     string `json:"figure"` // where it would stand in the row
	Reason     string `json:"reason"` // small-number
}

// figureCell is a number of a row that is shown or held back, by its place in it.
type figureCell string

const (
	cellOperations      figureCell = "operations"
	cellRupture         figureCell = "capsule_rupture.events"
	cellTakeoverN       figureCell = "unplanned_takeover.n"
	cellTakeover        figureCell = "unplanned_takeover.events"
	cellEyes            figureCell = "vision.eyes"
	cellAfterN          figureCell = "vision.at_0_30_or_better.n"
	cellAt030           figureCell = "vision.at_0_30_or_better.count"
	cellAt000           figureCell = "vision.at_0_00_or_better.count"
	cellLossN           figureCell = "vision.visual_loss.n"
	cellLoss            figureCell = "vision.visual_loss.events"
	cellRefractionN     figureCell = "refraction.n"
	cellWithin100       figureCell = "refraction.within_1_00_d.count"
	cellWithin050       figureCell = "refraction.within_0_50_d.count"
	cellAny             figureCell = "complications.any.events"
	cellReturned        figureCell = "complications.returned_to_theatre.events"
	cellAttendance      figureCell = "complications.unplanned_attendance.events"
	cellEndophthalmitis figureCell = "complications.endophthalmitis.events"
	cellTimeKnown       figureCell = "completeness.operating_time_known.events"
	cellAcuityKnown     figureCell = "completeness.acuity_before_and_after_known.events"
	cellRefractionKnown figureCell = "completeness.refraction_known.events"
)

// excludedReasons are why an operation stays out of the figures.
var excludedReasons = []string{fold.ExcludedProcedure, fold.ExcludedCombined, fold.ExcludedUnder18, ExcludedUnfinished}

func excludedCell(reason string) figureCell { return figureCell("excluded." + reason) }

// figureCells lists the numbers of a row; when two of them can't both be shown, it
// is the later one that is held back.
var figureCells = func() []figureCell {
	list := []figureCell{cellOperations, cellRupture, cellTakeoverN, cellTakeover, cellEyes, cellAfterN, cellAt030, cellAt000, cellLossN, cellLoss,
		cellRefractionN, cellWithin100, cellWithin050, cellAny, cellReturned, cellAttendance, cellEndophthalmitis,
		cellTimeKnown, cellAcuityKnown, cellRefractionKnown}
	for _, reason := range excludedReasons {
		list = append(list, excludedCell(reason))
	}
	return list
}()

// FigureNames lists the numbers of a row by their places in it, in the order shown.
func FigureNames() []string {
	out := make([]string, len(figureCells))
	for i, c := range figureCells {
		out[i] = string(c)
	}
	return out
}

// nested lists numbers each of which is part of the one before: what is left of
// the one without the other is a count of patients as well.
var nested = [][]figureCell{
	{cellOperations, cellAny, cellRupture},
	{cellOperations, cellReturned}, {cellOperations, cellAttendance}, {cellOperations, cellEndophthalmitis},
	{cellTakeoverN, cellTakeover},
	{cellAfterN, cellAt030, cellAt000},
	{cellLossN, cellLoss},
	{cellRefractionN, cellWithin100, cellWithin050},
}

func cellsOf(b Benchmarks) map[figureCell]int {
	cells := map[figureCell]int{
		cellOperations: b.Operations, cellRupture: b.CapsuleRupture.Events, cellTakeoverN: b.Takeover.N, cellTakeover: b.Takeover.Events,
		cellEyes: b.Vision.Eyes, cellAfterN: b.Vision.After.N, cellAt030: b.Vision.After.At030.Count, cellAt000: b.Vision.After.At000.Count,
		cellLossN: b.Vision.Loss.N, cellLoss: b.Vision.Loss.Events,
		cellRefractionN: b.Refraction.N, cellWithin100: b.Refraction.Within100.Count, cellWithin050: b.Refraction.Within050.Count,
		cellAny: b.Operations - b.Complications.Uncomplicated.Count, cellReturned: b.Complications.Returned.Events,
		cellAttendance: b.Complications.UnplannedAttendance.Events, cellEndophthalmitis: b.Complications.Endophthalmitis,
		cellTimeKnown: b.Completeness.OperatingTime.Events, cellAcuityKnown: b.Completeness.AcuityBoth.Events,
		cellRefractionKnown: b.Completeness.Refraction.Events,
	}
	for _, reason := range excludedReasons {
		cells[excludedCell(reason)] = b.Excluded[reason]
	}
	return cells
}

func small(n int) bool { return n > 0 && n < SuppressionThreshold }

// suppress says what to hold back of each row, and last of the total.
func suppress(rows []map[figureCell]int, total map[figureCell]int) []map[figureCell]bool {
	table := append(slices.Clone(rows), total)
	hidden := make([]map[figureCell]bool, len(table))
	for i, row := range table {
		hidden[i] = smallIn(row)
	}
	for _, c := range figureCells {
		protect(c, table, hidden)
	}
	return hidden
}

// smallIn holds back a row's small counts, and those that fall short of another
// by one.
func smallIn(row map[figureCell]int) map[figureCell]bool {
	hidden := map[figureCell]bool{}
	settled := map[figureCell]bool{}
	for _, c := range figureCells {
		hidden[c] = small(row[c])
		for _, chain := range nested {
			if !slices.Contains(chain, c) {
				continue
			}
			for _, other := range chain {
				if settled[other] && !hidden[other] && (small(row[c]-row[other]) || small(row[other]-row[c])) {
					hidden[c] = true
				}
			}
		}
		settled[c] = true
	}
	return hidden
}

// protect holds back more of a column until what the total less the shown numbers
// leaves open for each hidden one spans ten values at least. It takes the smallest
// of the shown ones, and the total itself when no department's is left.
func protect(c figureCell, table []map[figureCell]int, hidden []map[figureCell]bool) {
	last := len(table) - 1
	for !protected(c, table, hidden) {
		next := -1
		for i := range last {
			low, high := between(c, table[i], hidden[i])
			if !hidden[i][c] && table[i][c] > 0 && high-low >= SuppressionThreshold-1 && (next < 0 || table[i][c] < table[next][c]) {
				next = i
			}
		}
		if next < 0 {
			if hidden[last][c] {
				return // nothing more can be held back: the rest is zero, or follows from the row
			}
			next = last
		}
		hidden[next][c] = true
	}
}

func protected(c figureCell, table []map[figureCell]int, hidden []map[figureCell]bool) bool {
	last := len(table) - 1
	left, lows, highs := table[last][c], 0, 0
	var open []int
	for i := range last {
		if !hidden[i][c] {
			left -= table[i][c]
			continue
		}
		open = append(open, i)
		low, high := between(c, table[i], hidden[i])
		lows, highs = lows+low, highs+high
	}
	if hidden[last][c] {
		return len(open) > 0
	}
	for _, i := range open {
		low, high := between(c, table[i], hidden[i])
		least, most := max(low, left-(highs-high)), min(high, left-(lows-low))
		if most-least < SuppressionThreshold-1 {
			return false
		}
	}
	return true
}

// unbounded stands for no upper bound; sums of many of it don't overflow.
const unbounded = math.MaxInt32

// between is what the shown numbers of a row say about one that isn't: at least 1,
// since zero is shown.
func between(c figureCell, row map[figureCell]int, hidden map[figureCell]bool) (low, high int) {
	low, high = 1, unbounded
	for _, chain := range nested {
		place := slices.Index(chain, c)
		for i, other := range chain {
			switch {
			case place < 0 || hidden[other]:
			case i < place:
				high = min(high, row[other])
			case i > place:
				low = max(low, row[other])
			}
		}
	}
	return low, high
}
