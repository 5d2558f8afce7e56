package simulate

// Truth is what is true of a set of operations: how many, how many capsules
// ruptured, and the sums over operations of the true probability p of a rupture
// and of p(1-p), the variance of their number.
type Truth struct {
	Operations int
	Ruptures   int
	Expected   float64
	Variance   float64
}

func (t *Truth) add(op *operation) {
	t.Operations++
	if op.rupture {
		t.Ruptures++
	}
	t.Expected += op.ruptureChance
	t.Variance += float64(op.ruptureChance * (1 - op.ruptureChance))
}

// DepartmentTruth is what is true of one department. A cancelled case was
// cancelled before the incision and is no operation; an abandoned one is.
// Benchmark leaves out operations combined with another.
type DepartmentTruth struct {
	Code      string
	Source    string
	Booked    int
	Cancelled int
	Abandoned int
	Training  int // operations on slots planned for a trainee
	Takeovers int // unplanned
	All       Truth
	Benchmark Truth
	RiskSum   float64 // of eyes operated, mean 1 in the whole population
	Reviewed  Chance  // of training slots: cases that trainer and trainee went through
	Eyes      EyesTruth
}

// SurgeonTruth is what is true of one surgeon. FirstOperator counts operations
// they began, Responsible those for which they were the responsible consultant.
// Slots, Takeovers and TakeoversExpected are a trainee's: operations planned for
// them, how many were taken over unplanned, and the sum of its true probability.
// WholeCases leaves prior cases out. TeachingPoints are those that a trainee is
// prone to.
type SurgeonTruth struct {
	Code              string
	Department        string
	Story             string // how the course differs from the usual one, or ""
	PriorWholeCases   int
	WholeCases        int
	Slots             int
	Takeovers         int
	TakeoversExpected float64
	FirstOperator     Truth
	Responsible       Truth
	TeachingPoints    []TeachingTruth
}

// Summary is the truth behind a scenario's events, in the order of the
// departments' and surgeons' first appearance. Rates measured from the events
// scatter about Expected with Variance. The counts below Surgeons are of events.
type Summary struct {
	Notice      string // Invented
	Scenario    Scenario
	Departments []DepartmentTruth
	Surgeons    []SurgeonTruth
	Events      int // all, with duplicates
	Amended     int
	Retracted   int
	Joined      int
	Duplicates  int // events sent again with the same content
	Conflicts   int // identities with two contents

	FollowupAmended int // events of visits amended; not among Amended
	WrongEye        int // visits sent under the fellow eye's case, taken back later
}

// Summary plays the whole scenario, without keeping its events, and gives the
// truth behind it.
func (s Scenario) Summary() Summary {
	t := &tally{Summary: Summary{Notice: Invented, Scenario: s}}
	s.run(t, func(sending) bool { t.Events++; return true })
	return t.Summary
}

// tally collects the summary during a run. watch, when set, sees each operation
// before the trainee has learnt from it.
type tally struct {
	Summary
	watch func(*operation, *booking)
}

// count adds an operation to the truths of its department and surgeons.
func (d *department) count(op *operation, b *booking) {
	if d.tallied.watch != nil {
		d.tallied.watch(op, b)
	}
	t := &d.truth
	t.All.add(op)
	if b.eligible {
		t.Benchmark.add(op)
	}
	if op.abandoned {
		t.Abandoned++
	}
	t.RiskSum += op.eye.risk()
	op.first.truth.FirstOperator.add(op)
	op.consultant.truth.Responsible.add(op)
	if op.trainee == nil {
		return
	}
	t.Training++
	op.trainee.truth.Slots++
	op.trainee.truth.TakeoversExpected += op.takeoverChance
	if op.takeover {
		t.Takeovers++
		op.trainee.truth.Takeovers++
	}
}

// report puts the department's truths into the summary.
func (d *department) report() {
	d.truth.Code, d.truth.Source = d.code, d.source
	d.tallied.Departments = append(d.tallied.Departments, d.truth)
	for _, s := range append(append([]*surgeon{}, d.consultants...), d.trainees...) {
		t := s.truth
		t.Code, t.Department, t.Story, t.PriorWholeCases = string(s.code), d.code, string(s.story), s.prior
		for _, h := range s.habits {
			t.TeachingPoints = append(t.TeachingPoints, h.truth)
		}
		d.tallied.Surgeons = append(d.tallied.Surgeons, t)
	}
}
