package portal

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gorilla/mux"
	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/projections/archive"
	"lensledger/projections/projector"
	"lensledger/services/access"
	"lensledger/services/analytics"
	"lensledger/services/web"
)

// intakeView is the page of what was sent and what became of it.
type intakeView struct {
	frame
	Answer     string
	Told       string // what became of a replay just asked for
	Behind     []string
	Sources    []sourceView
	Troubles   []sectionView
	Quarantine *quarantineView // nil for a role that may not read it
	Check      *checkView      // nil for a role that sends nothing
}

// sourceView is one source and department.
type sourceView struct {
	Source, Department                                 string
	Accepted, Duplicate, Conflict, Quarantined, Erased string
	LastSeen                                           string
}

type quarantineView struct {
	Waiting  []quarantinedView
	Replayed []quarantinedView
	Hidden   int // older ones that aren't listed
	Replay   bool
}

// quarantinedView is one event that could not be taken.
type quarantinedView struct {
	Sequence                 uint64
	Position, When           string
	Source, Department       string
	Why, Found, Do, Released string
	Sample                   string // its beginning, as it was received
	Words                    []wordView
}

// wordView is a word of an event that the vocabulary doesn't have, which a replay may
// exchange.
type wordView struct{ ID, Pointer, Found, Detail string }

// quarantineShown bounds the list.
const quarantineShown = 200

// Spooler knows what waits on the service's own disk; *intake.Service is one.
type Spooler interface {
	SpoolState() (*stream.SpoolState, error)
}

const intakeTitle = "Were the events taken, which were refused and why?"

// intake serves GET /intake.
func (s *Service) intake(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	return s.intakePage(w, r, actor, http.StatusOK, replayTold(r.URL.Query().Get("replayed")), nil)
}

// intakePage shows the books; checked is what became of a text just pasted.
func (s *Service) intakePage(w http.ResponseWriter, r *http.Request, actor access.Actor, status int, told string, checked *checkView) error {
	view := intakeView{Told: told, Check: checked}
	if view.Check == nil && s.checker() != nil && may(actor.Role, http.MethodPost, checkRoute) {
		view.Check = &checkView{}
	}
	err := s.read(r.Context(), reader(actor), func(tx pgx.Tx, asOf archive.AsOf) error {
		counts, err := archive.Intake(r.Context(), tx)
		if err != nil {
			return err
		}
		view.Sources = sourceRows(counts, s.cfg.Now())
		waiting := 0
		if may(actor.Role, http.MethodGet, "/v1/quarantine") {
			rows, err := archive.LatestQuarantine(r.Context(), tx, quarantineShown)
			if err != nil {
				return err
			}
			waits, replayed, err := archive.CountQuarantine(r.Context(), tx)
			if err != nil {
				return err
			}
			waiting = waits
			view.Quarantine = quarantineRows(rows)
			view.Quarantine.Hidden = waiting + replayed - len(rows)
			view.Quarantine.Replay = s.cfg.Releaser != nil && may(actor.Role, http.MethodPost, replayRoute)
			troubles, err := archive.ReadTroubles(r.Context(), tx)
			if err != nil {
				return err
			}
			view.Troubles = troubleSections(troubles, rows)
		}
		view.Answer = intakeAnswer(counts, waiting, view.Quarantine != nil)
		view.frame = s.frame(r.Context(), actor, intakeTitle, &asOf)
		return nil
	})
	if err != nil {
		return err
	}
	view.Behind = s.behind(r.Context())
	return s.render(w, status, "intake", view)
}

// behind says how far the rows are behind the log, and what the spool holds.
func (s *Service) behind(ctx context.Context) []string {
	out := []string{"How far the figures are behind what was received isn't known for the moment."}
	if s.cfg.Lag != nil {
		ctx, cancel := context.WithTimeout(ctx, lagWithin)
		defer cancel()
		if waiting, age, err := s.cfg.Lag.Lag(ctx); err == nil {
			out[0] = lagWords(waiting, age)
		}
	}
	if spooler, ok := s.cfg.Desk.(Spooler); ok {
		state, err := spooler.SpoolState()
		switch {
		case err != nil:
			out = append(out, "What waits on this service's own disk can't be read for the moment.")
		case state != nil:
			out = append(out, spoolWords(*state, s.cfg.Now()))
		}
	}
	return out
}

func lagWords(waiting uint64, age time.Duration) string {
	if waiting == 0 {
		return "Everything that the log has is in the figures: none of it waits to be read in."
	}
	return sentence(plural(int(waiting), "event waits", "events wait")) + " to be read in, the oldest for " + length(age) + "."
}

func spoolWords(state stream.SpoolState, now time.Time) string {
	out := "Nothing waits on this service's own disk for the log."
	if state.Waiting > 0 {
		out = sentence(plural(state.Waiting, "event waits", "events wait")) + " on this service's own disk because the log was away, the oldest for " + length(now.Sub(state.Oldest)) +
			"; don't send them again."
	}
	if state.Refused > 0 {
		out += " " + plural(state.Refused, "event was", "events were") + " set aside there because the log refuses them: whoever runs this service knows which."
	}
	return out
}

// sourceRows puts the books of each source and department into one row.
func sourceRows(counts []archive.IntakeCount, now time.Time) []sourceView {
	type key struct{ source, department string }
	var order []key
	sums := map[key]map[string]int64{}
	last := map[key]time.Time{}
	for _, c := range counts {
		k := key{c.Source, c.Department}
		if sums[k] == nil {
			order, sums[k] = append(order, k), map[string]int64{}
		}
		sums[k][c.Disposition] += c.Events
		if c.LastRecordedAt.After(last[k]) {
			last[k] = c.LastRecordedAt
		}
	}
	out := make([]sourceView, 0, len(order))
	for _, k := range order {
		n := func(disposition string) string { return whole(int(sums[k][disposition])) }
		out = append(out, sourceView{Source: named(k.source), Department: named(k.department), Accepted: n(projector.Accepted),
			Duplicate: n(projector.Duplicate), Conflict: n(projector.Conflict), Quarantined: n(projector.Quarantined),
			Erased: n(projector.Erased), LastSeen: agoWords(now.Sub(last[k])) + ": " + moment(last[k])})
	}
	return out
}

// named stands in for a code that could not be read.
func named(code string) string {
	if code == "" {
		return "not readable"
	}
	return code
}

// agoWords says roughly how long ago something was.
func agoWords(d time.Duration) string {
	switch {
	case d < time.Minute:
		return "less than a minute ago"
	case d < 2*time.Hour:
		return plural(int(d.Minutes()), "minute ago", "minutes ago")
	case d < 48*time.Hour:
		return plural(int(d.Hours()), "hour ago", "hours ago")
	}
	return plural(int(d.Hours()/24), "day ago", "days ago")
}

// troubleSections say what counts in no figure, and how to mend it. rows are those of
// the quarantine that the page lists: a reason leads to its latest one.
func troubleSections(t archive.Troubles, rows []archive.Quarantined) []sectionView {
	reasons := tableView{Name: "Quarantine by source and reason", Caption: "Events that could not be taken, by source and reason; cases are those that the waiting ones readably name",
		Head: []column{{"Reason", false}, {"Source", false}, {"Department", false}, {"Waiting", true}, {"Cases affected", true}, {"Sent again", true}, {"How to mend it", false}, {"Sample", false}},
		None: "Nothing is in quarantine."}
	for _, c := range t.Quarantined {
		row := cells(reasonOf(c.Reason), named(c.Source), named(c.Department), whole(c.Waiting), whole(c.Cases), whole(c.Released), mendOf(c.Reason), "none listed")
		i := slices.IndexFunc(rows, func(q archive.Quarantined) bool {
			return q.ReleasedAs == nil && q.Source == c.Source && q.Department == c.Department && q.Reason == c.Reason
		})
		if i >= 0 {
			row[7] = cell{"Position " + whole(int(rows[i].Sequence)), "#position-" + strconv.FormatUint(rows[i].Sequence, 10)}
		}
		reasons.Rows = append(reasons.Rows, row)
	}
	conflicts := tableView{Name: "In conflict", Caption: "Identities that came with more than one content, and the cases they are about, settled by an amendment since or not",
		Head: []column{{"Source", false}, {"Department", false}, {"Identities", true}, {"Cases affected", true}}, None: "No identity came with more than one content."}
	for _, c := range t.Conflicts {
		conflicts.Rows = append(conflicts.Rows, cells(named(c.Source), named(c.Department), whole(c.Identities), whole(c.Cases)))
	}
	unknown := tableView{Name: "Unknown words", Caption: "Words and codes outside the vocabulary in the events that wait in quarantine, most cases first",
		Head: []column{{"Field", false}, {"Value found", false}, {"Source", false}, {"Department", false}, {"Cases affected", true}, {"Events", true}}, None: "No event waits in quarantine for a word or code that isn't known."}
	for _, u := range t.Unknown {
		value := u.Value
		if value == "" {
			value = "not quoted"
		}
		unknown.Rows = append(unknown.Rows, cells(u.Field, value, named(u.Source), named(u.Department), whole(u.Cases), whole(u.Events)))
	}
	return []sectionView{
		{Heading: "Not taken, by reason", Tables: []tableView{reasons}},
		{Heading: "In conflict", Words: []string{"Neither content counts until an amendment of that identity says which holds: send event amended with the right data, from the same source."}, Tables: []tableView{conflicts}},
		{Heading: "Words and codes that aren't known", Words: []string{
			"Map each value to one of the vocabulary's; the schema of its type, at /schemas/ and the type's name, lists them. " +
				"Only what reached the log is counted here: an event that is refused at the door is answered with its problems and nothing of it is stored."}, Tables: []tableView{unknown}}}
}

// mendOf says what to do about a reason.
func mendOf(code string) string {
	if words, ok := reasonWords[code]; ok {
		return words.todo
	}
	return "Correct the event and send it again."
}

// reasonOf words the reason of a quarantine.
func reasonOf(code string) string {
	if words, ok := reasonWords[code]; ok {
		return sentence(words.why)
	}
	return sentence(plain(code))
}

func quarantineRows(rows []archive.Quarantined) *quarantineView {
	view := &quarantineView{}
	for _, q := range rows {
		why, ok := reasonWords[q.Reason]
		if !ok {
			why.why, why.todo = plain(q.Reason), "Correct the event and send it again."
		}
		v := quarantinedView{Sequence: q.Sequence, Position: whole(int(q.Sequence)), When: moment(q.RecordedAt),
			Source: named(q.Source), Department: named(q.Department), Why: sentence(why.why) + ".", Do: why.todo, Sample: shortSample(q.Sample)}
		if len(q.Problems) > 0 {
			v.Found = q.Problems[0].Detail
			if q.Problems[0].Pointer != "" {
				v.Found = q.Problems[0].Pointer + ": " + v.Found
			}
			if more := len(q.Problems) - 1; more > 0 {
				v.Found += " (and " + plural(more, "more problem", "more problems") + ")"
			}
		}
		for i, p := range q.Problems {
			if found, ok := wordFound(p); ok && i < wordsShown {
				v.Words = append(v.Words, wordView{fmt.Sprintf("meant-%d-%d", q.Sequence, i), p.Pointer, found, p.Detail})
			}
		}
		if q.ReleasedAs != nil {
			v.Released = whole(int(*q.ReleasedAs))
			view.Replayed = append(view.Replayed, v)
		} else {
			view.Waiting = append(view.Waiting, v)
		}
	}
	return view
}

// wordsShown bounds the words of one event that its form offers to exchange.
const wordsShown = 20

var quotedWord = regexp.MustCompile(`found ("(?:[^"\\]|\\.)*"), allowed`)

// wordFound is the word of an event's data that a problem is about.
func wordFound(p events.Problem) (string, bool) {
	quoted := quotedWord.FindStringSubmatch(p.Detail)
	if p.Code != events.CodeNotAllowed || !strings.HasPrefix(p.Pointer, "/data/") || quoted == nil {
		return "", false
	}
	word, err := strconv.Unquote(quoted[1])
	return word, err == nil
}

// sampleShown bounds what is shown of an event's text.
const sampleShown = 400

func shortSample(sample string) string {
	if r := []rune(sample); len(r) > sampleShown {
		return string(r[:sampleShown]) + "…"
	}
	return sample
}

func intakeAnswer(counts []archive.IntakeCount, waiting int, readable bool) string {
	if len(counts) == 0 {
		return "No event has arrived yet. Send one to POST /v1/events; with ?dry_run=true it is checked and not stored."
	}
	total := map[string]int64{}
	for _, c := range counts {
		total[c.Disposition] += c.Events
	}
	out := fmt.Sprintf("%s accepted, %s received again with the same content, %s in conflict, %s quarantined.",
		whole(int(total[projector.Accepted])), whole(int(total[projector.Duplicate])), whole(int(total[projector.Conflict])), whole(int(total[projector.Quarantined])))
	switch {
	case !readable:
		return out
	case waiting == 0:
		return out + " Nothing waits in quarantine."
	}
	return out + " " + plural(waiting, "event waits", "events wait") + " in quarantine and count in no figure."
}

// replay serves POST /quarantine/{sequence}/replays.
func (s *Service) replay(w http.ResponseWriter, r *http.Request, actor access.Actor) error {
	if s.cfg.Releaser == nil {
		return &web.Error{Code: web.CodeUnavailable, Message: "Events can't be replayed through this service. Ask whoever runs it."}
	}
	sequence, err := strconv.ParseUint(mux.Vars(r)["sequence"], 10, 63)
	if err != nil {
		return web.NotFound()
	}
	position, err := analytics.Replay(r.Context(), s.cfg.Pool, s.cfg.Releaser, actor, sequence, mappingsOf(r.PostForm))
	var refused *web.Error
	if errors.As(err, &refused) && refused.Code == web.CodeRefused {
		told := fmt.Sprintf("Position %s: %s", whole(int(sequence)), refused.Message)
		for _, f := range refused.Faults {
			told += " " + f.Detail + "."
		}
		return s.intakePage(w, r, actor, http.StatusUnprocessableEntity, told, nil)
	}
	if err != nil {
		return err
	}
	s.await(r.Context(), []uint64{position})
	http.Redirect(w, r, "/intake?replayed="+strconv.FormatUint(position, 10), http.StatusSeeOther)
	return nil
}

// mappingsOf are the words that a form exchanges: those for which something is
// typed in.
func mappingsOf(form url.Values) []events.Mapping {
	var out []events.Mapping
	for i, meant := range form["meant"] {
		if meant = strings.TrimSpace(meant); meant != "" && i < len(form["pointer"]) && i < len(form["found"]) {
			out = append(out, events.Mapping{Pointer: form["pointer"][i], Found: form["found"][i], Meant: meant})
		}
	}
	return out
}

func replayTold(position string) string {
	n, err := strconv.ParseUint(position, 10, 63)
	if err != nil {
		return ""
	}
	return "The event was sent again and has position " + whole(int(n)) + " now."
}
