package archive

import (
	"context"
	_ "embed"
	"fmt"

	"github.com/jackc/pgx/v5"

	"lensledger/events"
	"lensledger/projections/pg"
)

//go:embed sql/list_touches.sql
var listTouchesSQL string

// Touch is a kind of event that came about a subject.
type Touch struct {
	Subject    string
	Type       events.Type
	InConflict bool // its identity had come with another content
}

// Touches gives the kinds of events that came about some case codes after one
// position up to another, by the code that each is asked for under: what came about
// a code joined to it counts as well.
func Touches(ctx context.Context, tx pgx.Tx, codes []string, after, upTo uint64) (map[string][]Touch, error) {
	out := make(map[string][]Touch, len(codes))
	if len(codes) == 0 {
		return out, nil
	}
	groups, err := Linked(ctx, tx, codes, upTo)
	if err != nil {
		return nil, err
	}
	group := map[string][]string{}
	var all []string
	for _, g := range groups {
		all = append(all, g...)
		for _, code := range g {
			group[code] = g
		}
	}
	list, err := pg.Structs[Touch](ctx, tx, listTouchesSQL, all, int64(after), int64(upTo))
	if err != nil {
		return nil, fmt.Errorf("list what came later: %w", err)
	}
	for _, t := range list {
		for _, code := range group[t.Subject] {
			out[code] = append(out[code], t)
		}
	}
	return out, nil
}
