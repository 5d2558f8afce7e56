package learning

import (
	"context"
	_ "embed"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/measure"
	"lensledger/projections/pg"
)

//go:embed sql/list_peers.sql
var listPeersSQL string

// fewestPeers is how many other surgeons a peer band is made of at least.
const fewestPeers = 5

// Peer is what a step took other surgeons in a band of experience. With fewer than
// five others everything but the step and the band is hidden.
type Peer struct {
	Step string `json:"step"`
	Band
	Hidden bool     `json:"hidden"` // fewer than five others
	Others *int     `json:"others"` // surgeons; null when hidden
	Runs   *int     `json:"runs"`
	Lower  *float64 `json:"lower_quartile_seconds"`
	Median *float64 `json:"median_seconds"`
	Upper  *float64 `json:"upper_quartile_seconds"`
}

// Peers gives the quartiles (rule 7) of the seconds that each step took surgeons
// other than this one in some bands of experience, all their runs together. It
// reads as the role figures, which is no person's, and lets no person's row out:
// the caller runs it in a transaction of that role and shows what it gives. It
// answers as of now; a step that nobody else did in a band is missing. The order
// is that of the bands, then of the steps by name.
//
// Source: Hyndman RJ, Fan Y. Am Stat 1996;50:361-365, rule 7. The least number of
// others is common practice, no source.
func Peers(ctx context.Context, tx pgx.Tx, surgeon string, bands ...Band) ([]Peer, error) {
	names := make([]string, len(bands))
	for i, b := range bands {
		names[i] = b.String()
	}
	rows, err := pg.Structs[PeerBand](ctx, tx, listPeersSQL, names, surgeon)
	if err != nil {
		return nil, fmt.Errorf("read peer bands: %w", err)
	}
	var out []Peer
	for i, b := range bands {
		// Seconds are whole, and a step's are few numbers that occur often.
		others, times := map[string]int{}, map[string][]int{}
		for _, r := range rows {
			if r.Band != names[i] {
				continue
			}
			at := 0
			for k, step := range r.Steps {
				others[step]++
				t := times[step]
				for _, s := range r.Seconds[at : at+int(r.Counts[k])] {
					for int(s) >= len(t) {
						t = append(t, 0)
					}
					t[s]++
				}
				times[step] = t
				at += int(r.Counts[k])
			}
		}
		steps := make([]string, 0, len(others))
		for step := range others {
			steps = append(steps, step)
		}
		slices.Sort(steps)
		for _, step := range steps {
			p, err := peerOf(step, b, others[step], times[step])
			if err != nil {
				return nil, err
			}
			out = append(out, p)
		}
	}
	return out, nil
}

func peerOf(step string, b Band, others int, times []int) (Peer, error) {
	p := Peer{Step: step, Band: b, Hidden: others < fewestPeers}
	if p.Hidden {
		return p, nil
	}
	runs := 0
	for _, n := range times {
		runs += n
	}
	p.Others, p.Runs = &others, &runs
	for share, at := range map[float64]**float64{0.25: &p.Lower, 0.5: &p.Median, 0.75: &p.Upper} {
		q, err := measure.QuantileOfCounts(times, share)
		if err != nil {
			return p, fmt.Errorf("quantile of %s in band %s: %w", step, b, err)
		}
		*at = &q
	}
	return p, nil
}
