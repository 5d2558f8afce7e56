package fold

import (
	"slices"
	"strings"

	"lensledger/events"
)

// Subject is one code with all archived events that name it.
type Subject struct {
	Code   string
	Events []Recorded
}

// Is says whether any event of the set is about the kind of thing.
func (s Subject) Is(about events.About) bool {
	return slices.ContainsFunc(s.Events, func(r Recorded) bool {
		e, _ := events.Lookup(r.Event.Type)
		return e.About == about
	})
}

// Component folds case codes that joins have ever linked, standing or not. Each
// code gives one Case: the smallest code of a joined group carries the group's
// facts, the others say which code they were merged into. Codes without a
// folded event give an empty Case, since an earlier position may have known one.
func Component(subjects []Subject) []Case {
	subjects = slices.Clone(subjects)
	slices.SortFunc(subjects, func(a, b Subject) int { return strings.Compare(a.Code, b.Code) })
	resolved := make([]Resolved, len(subjects))
	for i, s := range subjects {
		resolved[i] = Resolve(s.Events)
	}
	parent := joined(subjects, resolved)
	trace := traceOf(subjects)
	out := make([]Case, len(subjects))
	groups := make(map[int][]int, len(subjects))
	for i := range subjects {
		root := find(parent, i)
		groups[root] = append(groups[root], i)
	}
	for i, s := range subjects {
		root := find(parent, i) // never after i: the smallest code is the root
		if root == i {
			out[i] = foldCase(s.Code, pool(resolved, groups[i]))
			out[i].Involved = out[i].people()
		} else {
			out[i] = Case{Code: s.Code, MergedInto: out[root].Code, Department: out[root].Department, Involved: out[root].Involved}
		}
		out[i].Trace = trace
	}
	return out
}

// joined unites, in a forest over the sorted subjects, the codes that standing
// joins link.
func joined(subjects []Subject, resolved []Resolved) []int {
	index := make(map[string]int, len(subjects))
	parent := make([]int, len(subjects))
	for i, s := range subjects {
		index[s.Code], parent[i] = i, i
	}
	for i := range subjects {
		for _, e := range resolved[i].Events {
			if j, ok := e.Data.(*events.CaseJoined); ok {
				if other, known := index[string(j.OtherCase)]; known {
					union(parent, i, other)
				}
			}
		}
	}
	return parent
}

// pool unites the resolved sets of a joined group.
func pool(resolved []Resolved, members []int) Resolved {
	if len(members) == 1 {
		return resolved[members[0]]
	}
	var r Resolved
	for _, i := range members {
		r.Events = append(r.Events, resolved[i].Events...)
		r.Conflicts = append(r.Conflicts, resolved[i].Conflicts...)
		r.Flags = append(r.Flags, resolved[i].Flags...)
		r.Retracted += resolved[i].Retracted
	}
	slices.SortFunc(r.Events, func(a, b Effective) int { return order(a.Event, b.Event) })
	return r
}

// union keeps the smaller index, that is the smaller code, as the root.
func union(parent []int, a, b int) {
	a, b = find(parent, a), find(parent, b)
	if a == b {
		return
	}
	if b < a {
		a, b = b, a
	}
	parent[b] = a
}

func find(parent []int, i int) int {
	for parent[i] != i {
		i = parent[i]
	}
	return i
}

// Trace says where a component stands in the record, corrections and conflicts
// included: what an as-of question needs to know without reading any event.
type Trace struct {
	First, Last uint64   // first and last position of any of its events
	Departments []string // every department named, sorted
	Surgeons    []string // every surgeon named, sorted
}

func traceOf(subjects []Subject) Trace {
	var t Trace
	for _, s := range subjects {
		for _, r := range s.Events {
			if t.First == 0 || r.Sequence < t.First {
				t.First = r.Sequence
			}
			t.Last = max(t.Last, r.Sequence, r.ConflictAt)
			t.Departments = addOnce(t.Departments, r.Event.Department)
			for _, code := range surgeonsNamed(r.Event, s.Events) {
				t.Surgeons = addOnce(t.Surgeons, string(code))
			}
		}
	}
	slices.Sort(t.Departments)
	slices.Sort(t.Surgeons)
	return t
}

func addOnce(list []string, s string) []string {
	if s == "" || s == events.Undetermined || slices.Contains(list, s) {
		return list
	}
	return append(list, s)
}
