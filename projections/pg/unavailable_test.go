package pg

import (
	"errors"
	"fmt"
	"io"
	"testing"

	"github.com/jackc/pgx/v5/pgconn"
)

// Codes are from the PostgreSQL manual, appendix A.
func TestUnavailable(t *testing.T) {
	for code, want := range map[string]bool{
		"08006": true,  // connection_failure
		"53100": true,  // disk_full
		"57P01": true,  // admin_shutdown
		"58030": true,  // io_error
		"40001": true,  // serialization_failure
		"55P03": true,  // lock_not_available
		"57P05": true,  // idle_session_timeout
		"25P03": true,  // idle_in_transaction_session_timeout
		"25006": false, // read_only_sql_transaction
		"22P05": false, // untranslatable_character
		"23505": false, // unique_violation
		"42P01": false, // undefined_table
		"42501": false, // insufficient_privilege
	} {
		if got := Unavailable(fmt.Errorf("wrapped: %w", &pgconn.PgError{Code: code})); got != want {
			t.Errorf("%s: %v", code, got)
		}
	}
	if !Unavailable(fmt.Errorf("wrapped: %w", io.ErrUnexpectedEOF)) {
		t.Error("a broken connection")
	}
	if Unavailable(errors.New("other")) || Unavailable(nil) {
		t.Error("anything else")
	}
}
