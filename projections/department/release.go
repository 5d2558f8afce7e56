package department

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
)

// Release says that a file of figures left some departments: an event for each of
// them, under one code.
type Release struct {
	Release     string    `json:"release"`
	From        string    `json:"from"`
	To          string    `json:"to"`
	Departments []string  `json:"departments"`
	Definition  string    `json:"definition"`
	Position    uint64    `json:"position"`
	SHA256      string    `json:"sha256"`
	ReleasedAt  time.Time `json:"released_at"` // as the first of the events says
}

// ErrNoRelease means that no such release can be seen.
var ErrNoRelease = errors.New("no such release")

// Releases lists the releases of some departments' figures as of a position, latest
// first. What was recorded under one code with another content is another release.
func Releases(ctx context.Context, tx pgx.Tx, departments []string, asOf archive.AsOf) ([]Release, error) {
	codes, err := archive.ReleasesAt(ctx, tx, departments, asOf.Position)
	if err != nil {
		return nil, err
	}
	out := []Release{}
	for _, c := range codes {
		first := len(out)
		for _, r := range c.Releases {
			found := Release{Release: c.Code, From: string(r.From), To: string(r.To), Definition: string(r.Definition), Position: uint64(r.Position), SHA256: string(r.SHA256), ReleasedAt: r.At.UTC()}
			at := slices.IndexFunc(out[first:], func(o Release) bool { return o.sameFile(found) })
			if at < 0 {
				out, at = append(out, found), len(out)-first
			}
			of := &out[first+at]
			of.Departments = append(of.Departments, r.Department)
			if r.At.Before(of.ReleasedAt) {
				of.ReleasedAt = r.At.UTC()
			}
		}
	}
	for i := range out {
		out[i].Departments = sortedOnce(out[i].Departments)
	}
	slices.SortStableFunc(out, func(a, b Release) int {
		return cmp.Or(b.ReleasedAt.Compare(a.ReleasedAt), cmp.Compare(a.Release, b.Release))
	})
	return out, nil
}

func (r Release) sameFile(o Release) bool {
	return r.From == o.From && r.To == o.To && r.Definition == o.Definition && r.Position == o.Position && r.SHA256 == o.SHA256
}

// Remade is a release made again from the record and compared with its hash.
type Remade struct {
	Release
	Same     bool       `json:"same"`
	Form     string     `json:"form,omitempty"` // of the file that is the same to the byte
	Why      string     `json:"why,omitempty"`  // why it can't be, or might not be, the same
	Manifest []Manifest `json:"manifests"`      // of what is made now, in each form; empty when nothing can be
}

// MakeAgain makes a release's file again, in each form, and compares the digests.
// departments are all of whoever asks: what is held back is settled among them.
func MakeAgain(ctx context.Context, tx pgx.Tx, r Release, departments []string) (Remade, error) {
	out := Remade{Release: r, Manifest: []Manifest{}}
	period, err := ParsePeriod(r.From, r.To)
	if err != nil || !period.wholeMonths() {
		out.Why = "the period of the release isn't one of whole months"
		return out, nil
	}
	asOf, err := archive.Resolve(ctx, tx, strconv.FormatUint(r.Position, 10))
	if errors.Is(err, archive.ErrAsOf) {
		out.Why = "the record hasn't come to the position of the release"
		return out, nil
	}
	if err != nil {
		return out, err
	}
	f, err := ReadFigures(ctx, tx, departments, period, asOf, true, r.Departments...)
	if err != nil {
		return out, fmt.Errorf("make release %s again: %w", r.Release, err)
	}
	for _, form := range Forms {
		m, err := f.Manifest(form)
		if err != nil {
			return out, err
		}
		out.Manifest = append(out.Manifest, m)
		if m.SHA256 == r.SHA256 {
			out.Same, out.Form = true, form
		}
	}
	switch {
	case out.Same:
	case r.Definition != Definition:
		out.Why = "it was made by definitions of version " + r.Definition + "; those in force are of version " + Definition
	default:
		out.Why = "the file isn't made from this record for your departments: it may have had other departments beside it, which changes what is held back, another form, or small counts"
	}
	return out, nil
}
