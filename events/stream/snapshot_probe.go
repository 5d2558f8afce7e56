package stream

import (
	"context"
	"errors"

	"github.com/nats-io/nats.go/jetstream"
)

// Unreadable says why the server can't give the message at a sequence: its checksum
// doesn't hold, or none is stored. It is empty where the server can; an error means
// that the server couldn't be asked.
func (s *Stream) Unreadable(ctx context.Context, sequence uint64) (why string, err error) {
	_, err = s.Get(ctx, sequence)
	var api *jetstream.APIError
	if errors.Is(err, ErrNotFound) || errors.As(err, &api) {
		return err.Error(), nil
	}
	return "", err
}
