package projector

import (
	"container/list"
	"context"

	"github.com/jackc/pgx/v5"

	"lensledger/projections/archive"
	"lensledger/projections/fold"
)

// cache keeps the decoded sets of the subjects last touched, and the state of the
// surgeons last redrawn, so that a busy case isn't read from the archive again for
// each of its events. It is bounded in events and entries, and dropped whole when
// a transaction fails: it never knows more than what is committed.
type cache struct {
	sets     lru[[]fold.Recorded]
	surgeons lru[*surgeonState]
	designs  *designs // nil when not read yet
}

// Bounds: about 2 kB for a decoded event with its payload, 200 bytes for an entry
// and as many for the step times of a case.
const (
	maxCachedEvents  = 40_000
	maxCachedEntries = 200_000
)

func newCache() *cache {
	c := &cache{}
	c.forget()
	return c
}

func (c *cache) forget() {
	c.sets = newLRU(maxCachedEvents, func(s []fold.Recorded) int { return len(s) + 1 })
	c.surgeons = newLRU(maxCachedEntries, func(s *surgeonState) int { return len(s.entries) + len(s.times) + 10 })
	c.designs = nil
}

// draft is what one transaction reads and changes; the cache takes it over when
// the transaction has committed.
type draft struct {
	cache    *cache
	sets     map[string][]fold.Recorded
	surgeons map[string]*surgeonState
	designs  *designs
}

func (c *cache) begin() *draft {
	return &draft{cache: c, sets: map[string][]fold.Recorded{}, surgeons: map[string]*surgeonState{}, designs: c.designs}
}

func (c *cache) commit(d *draft) {
	for code, set := range d.sets {
		c.sets.put(code, set)
	}
	for code, s := range d.surgeons {
		c.surgeons.put(code, s)
	}
	c.designs = d.designs
}

// load gives the sets of some subjects up to a position, which is the committed
// one, from the cache where it has them.
func (d *draft) load(ctx context.Context, tx pgx.Tx, codes []string, upTo uint64) (map[string][]fold.Recorded, error) {
	out := make(map[string][]fold.Recorded, len(codes))
	var missing []string
	for _, code := range codes {
		if set, ok := d.cache.sets.get(code); ok {
			out[code] = set
		} else {
			missing = append(missing, code)
		}
	}
	loaded, err := archive.Load(ctx, tx, missing, upTo)
	if err != nil {
		return nil, err
	}
	for _, code := range missing {
		out[code] = loaded[code]
	}
	return out, nil
}

func (d *draft) put(code string, set []fold.Recorded) { d.sets[code] = set }

// lru is a least-recently-used cache bounded by the total weight of its values.
type lru[V any] struct {
	max, held int
	weight    func(V) int
	order     *list.List // front is the latest
	items     map[string]*list.Element
}

type lruItem[V any] struct {
	key   string
	value V
}

func newLRU[V any](max int, weight func(V) int) lru[V] {
	return lru[V]{max: max, weight: weight, order: list.New(), items: map[string]*list.Element{}}
}

func (l *lru[V]) get(key string) (V, bool) {
	e, ok := l.items[key]
	if !ok {
		var zero V
		return zero, false
	}
	l.order.MoveToFront(e)
	return e.Value.(lruItem[V]).value, true
}

func (l *lru[V]) put(key string, v V) {
	if e, ok := l.items[key]; ok {
		l.held -= l.weight(e.Value.(lruItem[V]).value)
		l.order.Remove(e)
	}
	l.items[key] = l.order.PushFront(lruItem[V]{key, v})
	for l.held += l.weight(v); l.held > l.max && l.order.Len() > 1; {
		last := l.order.Back()
		item := last.Value.(lruItem[V])
		l.held -= l.weight(item.value)
		l.order.Remove(last)
		delete(l.items, item.key)
	}
}
