package pg

import (
	"errors"
	"io"
	"net"

	"github.com/jackc/pgx/v5/pgconn"
)

// Unavailable says whether an error is Postgres being away, full or busy, rather
// than a fault of what was sent: waiting can help, and nothing is wrong with the
// data.
func Unavailable(err error) bool {
	var pgErr *pgconn.PgError
	if errors.As(err, &pgErr) {
		if pgErr.Code == "25P03" { // idle_in_transaction_session_timeout: this program was asleep
			return true
		}
		switch pgErr.Code[:2] {
		case "08", "53", "57", "58", "40", "55":
			// connection, resources, operator intervention, system error,
			// rollback for concurrency, object in use
			return true
		}
		return false
	}
	var connect *pgconn.ConnectError
	var network net.Error
	return errors.As(err, &connect) || errors.As(err, &network) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, io.EOF) || pgconn.SafeToRetry(err)
}
