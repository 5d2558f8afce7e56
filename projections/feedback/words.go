package feedback

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Words says a stage in sentences, for the API and the pages alike. None of them is
// a verdict; a time is shorter or longer, never better.
func (s Stage) Words() []string {
	out := []string{s.headWords(), s.outcomeWords(), s.discussionWords()}
	for _, step := range s.Steps {
		out = append(out, step.words())
	}
	if s.Place != nil {
		out = append(out, s.Place.words())
	}
	out = append(out, s.pointWords()...)
	if s.Rhexis != nil {
		out = append(out, s.Rhexis.words())
	}
	out = append(out, s.CaseMix.words()...)
	for _, f := range s.Findings {
		out = append(out, f.words())
	}
	for _, r := range s.Reviews {
		out = append(out, r.Words())
	}
	return out
}

func (s Stage) headWords() string {
	out := s.Surgeon + " began it; " + supervisionWords(s.Supervision) + ". "
	switch {
	case s.CaseNumber == nil:
		return out + "The rest of this surgeon's record isn't yours to see, so the case number and what rests on other operations is left out."
	case s.Whole:
		return out + fmt.Sprintf("Case number %d, in whole cases, those before this record added.", *s.CaseNumber)
	}
	return out + fmt.Sprintf("Not a whole case; %s by then, those before this record added.", plural(*s.CaseNumber, "whole case", "whole cases"))
}

func (s Stage) outcomeWords() string {
	var out []string
	if s.Rupture {
		out = append(out, "capsule rupture")
	}
	if s.TakenOver != nil && *s.TakenOver {
		out = append(out, "unplanned take-over from "+s.Surgeon)
	}
	switch {
	case len(out) > 0:
		return "It came to " + list(out) + "."
	case s.CompletedWithout != nil:
		return "Completed without capsule rupture and without unplanned take-over."
	case s.TakenOver == nil:
		return "No capsule rupture on record; whether the hand-over was planned isn't."
	}
	return "No end recorded, so what it came to isn't known yet."
}

var discussionPhrases = map[string]string{
	DiscussRupture: "capsule rupture", DiscussDroppedNucleus: "dropped nucleus", DiscussWrongImplant: "wrong implant",
	DiscussWrongEye: "wrong eye", DiscussEndophthalmitis: "endophthalmitis",
	DiscussTakeOvers: "second unplanned take-over in a row",
}

func (s Stage) discussionWords() string {
	if len(s.Discussion) == 0 {
		return "No rule asks for a case discussion."
	}
	phrases := make([]string, len(s.Discussion))
	for i, reason := range s.Discussion {
		phrases[i] = discussionPhrases[reason]
	}
	return "Asks for a case discussion, whatever a chart says: " + list(phrases) + "."
}

func (s StageStep) words() string {
	out := sentence(plain(s.Step)) + " by " + s.Operator
	if s.Supervision != "" {
		out += ", " + supervisionWords(s.Supervision)
	}
	if s.Failed != nil && *s.Failed {
		out += ", handed over unplanned"
	}
	if s.Seconds == nil {
		out += ": time not known"
	} else {
		out += ": " + length(float64(*s.Seconds))
	}
	if b := s.Others; b != nil {
		half := fmt.Sprintf("the middle half of %d others at cases %s, %s to %s", b.Others, strings.Replace(b.String(), "-", " to ", 1), length(b.Lower), length(b.Upper))
		switch s.Compared {
		case Within:
			out += ", within " + half
		case Shorter, Longer:
			out += ", " + s.Compared + " than " + half
		default:
			out += "; " + half
		}
	}
	return out + "."
}

func (p Place) words() string {
	out := "Operating time " + length(float64(p.Seconds))
	if p.Known == 0 {
		return out + "; no earlier operation has a known time."
	}
	return out + fmt.Sprintf(": shorter than %d and longer than %d of the last %d with a known time. Time is information, not an aim.",
		p.ShorterThan, p.LongerThan, p.Known)
}

func (s Stage) pointWords() []string {
	if !s.Looked {
		return []string{"No teaching point and no review on record, so nothing is known of the technique."}
	}
	var out []string
	for _, g := range s.Points {
		about := sentence(plain(g.Consequence))
		if g.Consequence == "" {
			about = "Consequence not recorded"
		} else if g.Consequence == "none" {
			about = "No consequence"
		}
		var items []string
		for _, p := range g.Points {
			items = append(items, p.words(s.Surgeon))
		}
		out = append(out, about+": "+strings.Join(items, "; ")+".")
	}
	if len(s.CameBack) > 0 {
		out = append(out, "Came back after advice: "+list(s.CameBack)+".")
	}
	for _, o := range s.NotNoted {
		out = append(out, fmt.Sprintf("%s was advised on %s and isn't noted here.", sentence(o.TeachingPoint), day(o.Advised.At)))
	}
	return out
}

func (p StagePoint) words(first string) string {
	out := p.TeachingPoint + " (strength"
	if p.Polarity == polarityImprove {
		out = p.TeachingPoint + " (to improve"
	}
	if p.Step != "" {
		out += ", " + plain(p.Step)
	}
	if p.Surgeon != first {
		out += ", for " + p.Surgeon
	}
	if p.Advised != nil {
		out += ", advised before on " + day(p.Advised.At)
	}
	return out + ")"
}

func (r Rhexis) words() string {
	out := "Capsulorhexis"
	switch {
	case r.LeastUM != nil && r.GreatestUM != nil:
		out += fmt.Sprintf(" %s by %s mm", millimetres(*r.LeastUM), millimetres(*r.GreatestUM))
	case r.LeastUM != nil:
		out += fmt.Sprintf(" %s mm at the least", millimetres(*r.LeastUM))
	case r.GreatestUM != nil:
		out += fmt.Sprintf(" %s mm at the greatest", millimetres(*r.GreatestUM))
	default:
		out += " not measured"
	}
	if r.OpticUM != nil {
		out += fmt.Sprintf(" under an optic of %s mm", millimetres(*r.OpticUM))
	}
	switch {
	case r.Overlap == "complete":
		out += "; its edge covers the optic all round, as recorded"
	case r.Overlap == "partial":
		out += "; its edge covers the optic in part, as recorded"
	case r.CoverLeastUM != nil && *r.CoverLeastUM > 0:
		out += "; its edge covers the optic all round"
	case r.CoverLeastUM != nil:
		out += "; its edge doesn't cover the optic all round"
	}
	if r.CoverLeastUM != nil && r.CoverMostUM != nil {
		out += fmt.Sprintf(", by %s to %s mm if centred", millimetres(*r.CoverLeastUM), millimetres(*r.CoverMostUM))
	}
	if r.Usual != nil && !*r.Usual {
		out += ", outside the usual 4.5 to 5.8 mm"
	}
	return out + ". About 5 mm under an optic of 6 mm, covering it all round by 0.5 mm, is right."
}

func (m CaseMix) words() []string {
	out := fmt.Sprintf("Expected risk of capsule rupture %s, from what was recorded before the start", percent(m.Risk))
	if n := len(m.Unknown); n > 0 {
		out += fmt.Sprintf(" (%s unknown)", plural(n, "factor", "factors"))
	}
	lines := []string{out + "."}
	if o := m.Own; o != nil {
		lines = append(lines, fmt.Sprintf("That is %s the middle half of the surgeon's %d operations before it, %s to %s.", besideWords(m.Compared), o.N, percent(o.Lower), percent(o.Upper)))
	}
	if b := m.Others; b != nil {
		lines = append(lines, fmt.Sprintf("Its composite odds ratio of %.2f is %s the middle half of %d other trainees at cases %s, %.2f to %.2f.", m.OddsRatio,
			besideWords(m.Beside), b.Others, strings.Replace(b.String(), "-", " to ", 1), b.Lower, b.Upper))
	}
	return lines
}

func besideWords(word string) string {
	if word == As {
		return "within"
	}
	return word
}

func (f LateFinding) words() string {
	out := fmt.Sprintf("%s on day %d", sentence(plain(f.Kind)), f.Day)
	if f.Healing {
		return out + ": before day " + strconv.Itoa(HealingDays) + " that is healing, not outcome."
	}
	return out + "."
}

// Words says a review in a sentence.
func (r Review) Words() string {
	out := "Reviewed by " + r.Trainer + " on " + day(r.ReviewedAt)
	switch r.AtThisStage {
	case As:
		out += ": as is usual at this stage"
	case Above, Below:
		out += ": " + r.AtThisStage + " what is usual at this stage"
	}
	if len(r.TeachingPoints) > 0 {
		out += "; teaching points " + list(r.TeachingPoints)
	}
	if r.SupervisionNext != "" {
		out += "; next time " + supervisionWords(r.SupervisionNext)
	}
	if r.AgreedAction != "" {
		out += "; agreed: " + strings.TrimRight(r.AgreedAction, ".")
	}
	return out + "."
}

// Words says in a sentence how often a point was noted before and after the advice.
func (r Recurrence) Words() string {
	by := "in a review"
	if r.Advised.By == "note" {
		by = "when it was noted"
	}
	out := fmt.Sprintf("%s: advised %s on %s; noted in %d of %s before and in %d of %d after it",
		r.TeachingPoint, by, day(r.Advised.At), r.Before.With, plural(r.Before.N, "case", "cases"), r.After.With, r.After.N)
	if n := r.Before.NotLooked + r.After.NotLooked; n > 0 {
		out += fmt.Sprintf(" (%s without any note or review not counted)", plural(n, "case", "cases"))
	}
	switch r.State {
	case StateStopped:
		return out + fmt.Sprintf("; not in the last %d: stopped after advice.", r.SinceLast)
	case StateRecurs:
		return out + fmt.Sprintf("; last seen on %s: recurs.", day(r.LastSeen.At))
	}
	return out + fmt.Sprintf("; under %d cases after it, too few to say.", QuietCases)
}

// plain words a wire word.
func plain(word string) string { return strings.ReplaceAll(word, "-", " ") }

func supervisionWords(word string) string {
	switch word {
	case "":
		return "supervision not recorded"
	case "none":
		return "no supervisor"
	}
	return "supervisor " + plain(word)
}

func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func list(items []string) string {
	if len(items) < 2 {
		return strings.Join(items, "")
	}
	return strings.Join(items[:len(items)-1], ", ") + " and " + items[len(items)-1]
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// length is a time in seconds as "4 min 20 s".
func length(seconds float64) string {
	d := time.Duration(seconds * float64(time.Second)).Round(time.Second)
	if d < time.Minute {
		return fmt.Sprintf("%d s", int(d.Seconds()))
	}
	if d < time.Hour {
		return fmt.Sprintf("%d min %02d s", int(d.Minutes()), int(d.Seconds())%60)
	}
	return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
}

func day(t time.Time) string { return t.Format("2 January 2006") }

func percent(p float64) string { return strconv.FormatFloat(p*100, 'f', 1, 64) + " %" }

// millimetres writes micrometres with as many decimals as needed, two at most, and
// a true minus sign.
func millimetres(um int64) string {
	s := strings.TrimSuffix(strconv.FormatFloat(float64(um)/1000, 'f', 2, 64), "0")
	return strings.Replace(s, "-", "−", 1)
}
