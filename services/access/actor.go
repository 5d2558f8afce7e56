package access

import (
	"context"
	"slices"
)

// Role is what somebody does here. It comes from the token and from nowhere else.
type Role string

// The roles.
const (
	Integrator    Role = "integrator"    // publishes events of its own source, for its departments
	Trainer       Role = "trainer"       // sees itself and the trainees it supervises
	Trainee       Role = "trainee"       // sees itself
	Quality       Role = "quality"       // sees its departments, and reviews their alarms
	Auditor       Role = "auditor"       // sees its departments' figures, no person
	Administrator Role = "administrator" // sees whether events arrive, no clinical row
)

// Roles lists every role.
var Roles = []Role{Integrator, Trainer, Trainee, Quality, Auditor, Administrator}

// Actor is who asks, as the token says. All codes are [A-Za-z0-9_-]{1,40}.
type Actor struct {
	Subject     string // the issuer's name for the person or program
	Role        Role
	Surgeon     string   // own code of a trainer or trainee
	Supervises  []string // codes of a trainer's trainees
	Departments []string // codes; none for a trainee or an administrator
	Source      string   // an integrator's own source
}

// Surgeons lists the surgeons whose operations the actor may see as a person:
// its own code and those it supervises, sorted, each once. A quality officer
// sees departments instead, and the list is empty.
func (a Actor) Surgeons() []string {
	if a.Surgeon == "" {
		return nil
	}
	all := append([]string{a.Surgeon}, a.Supervises...)
	slices.Sort(all)
	return slices.Compact(all)
}

// Sees reports whether the surgeon is among those of Surgeons.
func (a Actor) Sees(surgeon string) bool { return slices.Contains(a.Surgeons(), surgeon) }

// InDepartment reports whether the department is one of the actor's.
func (a Actor) InDepartment(department string) bool {
	return slices.Contains(a.Departments, department)
}

// DeskSource is the source of events that people make here: reviews, chart designs
// and corrections of quality officers, reviews of cases by trainers. No integrator
// may have it.
const DeskSource = "quality-desk"

type actorKey struct{}

// WithActor is a context in which the actor asks.
func WithActor(ctx context.Context, a Actor) context.Context {
	return context.WithValue(ctx, actorKey{}, a)
}

// FromContext gives the actor of a request that went through Require; false
// where a public route is used without a token.
func FromContext(ctx context.Context) (Actor, bool) {
	a, ok := ctx.Value(actorKey{}).(Actor)
	return a, ok
}
