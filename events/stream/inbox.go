package stream

import (
	"context"
	"sync"
)

// inbox holds the messages that have arrived and that the reader hasn't taken.
// The client library delivers them on a goroutine of its own; put holds that one
// back when the inbox is full, so memory stays bounded whatever the backlog.
type inbox struct {
	mu      sync.Mutex
	waiting []delivery
	bytes   int
	arrived chan struct{} // holds a token when something may be waiting
	taken   chan struct{} // holds a token when room may have been made
}

// delivery is one message with the number that the consumer gave it, from 1.
type delivery struct {
	Message
	number uint64
}

// maxInboxBytes bounds the payload waiting in an inbox, and that of one batch.
const maxInboxBytes = 8 << 20

func newInbox() *inbox {
	return &inbox{arrived: make(chan struct{}, 1), taken: make(chan struct{}, 1)}
}

// put adds a message, and waits for room until ctx ends.
func (b *inbox) put(ctx context.Context, d delivery) {
	for {
		b.mu.Lock()
		if b.bytes == 0 || b.bytes+len(d.Data) <= maxInboxBytes {
			b.waiting = append(b.waiting, d)
			b.bytes += len(d.Data) + 1 // even an empty one counts
			b.mu.Unlock()
			signal(b.arrived)
			return
		}
		b.mu.Unlock()
		select {
		case <-b.taken:
		case <-ctx.Done():
			return
		}
	}
}

// take moves up to limit messages out of the inbox, oldest first.
func (b *inbox) take(limit int) []delivery {
	b.mu.Lock()
	defer b.mu.Unlock()
	n := min(limit, len(b.waiting))
	if n == 0 {
		return nil
	}
	out := b.waiting[:n:n]
	b.waiting = b.waiting[n:]
	for _, d := range out {
		b.bytes -= len(d.Data) + 1
	}
	if len(b.waiting) == 0 {
		b.waiting = nil
	} else {
		signal(b.arrived)
	}
	signal(b.taken)
	return out
}

// signal leaves a token unless there is one already.
func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}
