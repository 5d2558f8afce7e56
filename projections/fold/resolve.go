package fold

import (
	"cmp"
	"slices"
	"time"

	"lensledger/events"
)

// Recorded is an archived event: what the stream kept, decoded, with its place.
type Recorded struct {
	Sequence uint64 // position in the stream
	Hash     events.Hash
	Event    events.Event

	// ConflictAt is the latest position of another event with the same identity
	// and other content, wherever it is; 0 when there is none. That event may be
	// about another case, outside this set.
	ConflictAt uint64
}

// CorrectionDesk is the source whose corrections may name any publisher's event:
// the department's own desk, where a quality officer acts by name.
const CorrectionDesk = "quality-desk"

// Effective is an event after corrections.
type Effective struct {
	events.Event
	Amended bool
}

// Flag is something a person should look at. It never changes a figure.
type Flag struct {
	Code   string `json:"code"`
	Source string `json:"source"`
	ID     string `json:"id"`
	Detail string `json:"detail"`
}

// Resolved is a subject's set of events after corrections.
type Resolved struct {
	Events    []Effective // sorted by time, source, id: a total order
	Conflicts []events.Identity
	Retracted int
	Flags     []Flag
}

// Resolve applies the corrections in a set of events of one subject.
//
//   - Events with one identity and different hashes are in conflict: none is
//     folded, until an amendment of that identity replaces them: in the case that
//     the amendment names.
//   - The latest usable amendment, by (time, source, id), replaces the whole data.
//   - A retraction beats any amendment. Corrections themselves are only
//     retracted, and a retraction only by a later one.
//   - A correction counts when it comes from the target's own source or from
//     CorrectionDesk.
func Resolve(set []Recorded) Resolved {
	ids, versions := byIdentity(set)
	var out Resolved
	retracted := retractions(ids, versions)
	amendments := amendmentsByTarget(ids, versions, retracted)
	for _, id := range ids {
		vs := versions[id]
		if isCorrection(vs[0].Event) {
			if inConflict(vs) {
				out.Conflicts = append(out.Conflicts, id)
			}
			continue
		}
		if retracted[id] {
			out.Retracted++
			continue
		}
		event, amended, flags := amend(vs, amendments[id])
		out.Flags = append(out.Flags, flags...)
		if inConflict(vs) && !amended {
			out.Conflicts = append(out.Conflicts, id)
			continue
		}
		out.Events = append(out.Events, Effective{Event: event, Amended: amended})
	}
	slices.SortFunc(out.Events, func(a, b Effective) int { return order(a.Event, b.Event) })
	return out
}

// byIdentity groups a set: identities in a fixed order, and for each its
// versions with distinct hashes, sorted by type, department and hash.
func byIdentity(set []Recorded) ([]events.Identity, map[events.Identity][]Recorded) {
	versions := make(map[events.Identity][]Recorded, len(set))
	ids := make([]events.Identity, 0, len(set))
	for _, r := range set {
		id := r.Event.Identity()
		vs, seen := versions[id]
		if !seen {
			ids = append(ids, id)
		}
		if !slices.ContainsFunc(vs, func(v Recorded) bool { return v.Hash == r.Hash }) {
			versions[id] = append(vs, r)
		}
	}
	for _, id := range ids {
		if vs := versions[id]; len(vs) > 1 {
			// The hash comes last: an erasure changes it, and what is read off the first
			// version must not change with it.
			slices.SortFunc(vs, func(a, b Recorded) int {
				return cmp.Or(cmp.Compare(a.Event.Type, b.Event.Type), cmp.Compare(a.Event.Department, b.Event.Department), slices.Compare(a.Hash[:], b.Hash[:]))
			})
		}
	}
	slices.SortFunc(ids, func(a, b events.Identity) int {
		return cmp.Or(cmp.Compare(a.Source, b.Source), cmp.Compare(a.ID, b.ID))
	})
	return ids, versions
}

// inConflict says whether an identity has other content too, in the set or outside.
func inConflict(vs []Recorded) bool { return len(vs) > 1 || vs[0].ConflictAt > 0 }

// order is the total order of events: time, source, id.
func order(a, b events.Event) int {
	return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Source, b.Source), cmp.Compare(a.ID, b.ID))
}

func isCorrection(e events.Event) bool {
	switch e.Data.(type) {
	case *events.EventAmended, *events.EventRetracted:
		return true
	}
	return false
}

func mayCorrect(corrector string, target events.Code) bool {
	return corrector == string(target) || corrector == CorrectionDesk
}

// retractions lists what is taken back. Read from the latest on, a retraction
// stands unless a later standing one names it, so no circle can form.
func retractions(ids []events.Identity, versions map[events.Identity][]Recorded) map[events.Identity]bool {
	var all []events.Event
	for _, id := range ids {
		if vs := versions[id]; !inConflict(vs) {
			if _, ok := vs[0].Event.Data.(*events.EventRetracted); ok {
				all = append(all, vs[0].Event)
			}
		}
	}
	slices.SortFunc(all, func(a, b events.Event) int { return order(b, a) })
	retracted := make(map[events.Identity]bool, len(all))
	for _, e := range all {
		d := e.Data.(*events.EventRetracted)
		if !retracted[e.Identity()] && mayCorrect(e.Source, d.TargetSource) {
			retracted[events.Identity{Source: string(d.TargetSource), ID: string(d.TargetID)}] = true
		}
	}
	return retracted
}

// amendmentsByTarget lists each target's standing amendments, latest first.
func amendmentsByTarget(ids []events.Identity, versions map[events.Identity][]Recorded, retracted map[events.Identity]bool) map[events.Identity][]events.Event {
	out := map[events.Identity][]events.Event{}
	for _, id := range ids {
		vs := versions[id]
		d, ok := vs[0].Event.Data.(*events.EventAmended)
		if !ok || inConflict(vs) || retracted[id] || !mayCorrect(id.Source, d.TargetSource) {
			continue
		}
		target := events.Identity{Source: string(d.TargetSource), ID: string(d.TargetID)}
		out[target] = append(out[target], vs[0].Event)
	}
	for _, es := range out {
		slices.SortFunc(es, func(a, b events.Event) int { return order(b, a) })
	}
	return out
}

// amend gives the event that stands for the versions of one identity.
func amend(vs []Recorded, amendments []events.Event) (events.Event, bool, []Flag) {
	var flags []Flag
	for _, a := range amendments {
		d := a.Data.(*events.EventAmended)
		kind := d.TargetType
		if kind == "" {
			kind = commonType(vs)
		}
		data, problems := events.DecodeData(kind, d.Data)
		if len(problems) > 0 {
			flags = append(flags, Flag{"amendment-unusable", a.Source, a.ID,
				"the replacement is no " + string(kind) + ": " + problems[0].Pointer + " " + problems[0].Detail})
			continue
		}
		e := vs[0].Event
		e.Type, e.Data, e.Time = kind, data, earliest(vs)
		if d.OccurredAt.Known {
			e.Time = d.OccurredAt.Value
		}
		return e, true, flags
	}
	return vs[0].Event, false, flags
}

// commonType is the type that all versions share; empty when they differ.
func commonType(vs []Recorded) events.Type {
	for _, v := range vs[1:] {
		if v.Event.Type != vs[0].Event.Type {
			return ""
		}
	}
	return vs[0].Event.Type
}

func earliest(vs []Recorded) time.Time {
	t := vs[0].Event.Time
	for _, v := range vs[1:] {
		if v.Event.Time.Before(t) {
			t = v.Event.Time
		}
	}
	return t
}
