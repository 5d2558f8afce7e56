package pg

import (
	"strings"
	"testing"
)

func TestAddressForPostgresPrograms(t *testing.T) {
	for address, want := range map[string][2]string{
		"postgres://lens:a%20b@db:5433/registry?sslmode=require&pool_max_conns=4": {"postgres://lens@db:5433/registry?sslmode=require", "a b"},
		"postgresql:///registry?host=/run/postgresql&password=c":                  {"postgresql:///registry?host=%2Frun%2Fpostgresql", "c"},
		"postgres://db/registry": {"postgres://db/registry", ""},
	} {
		target, password, err := libpqAddress(address)
		if err != nil || target != want[0] || password != want[1] {
			t.Errorf("%s: %s, %s, %v", address, target, password, err)
		}
	}
	if _, _, err := libpqAddress("host=db password=secret"); err == nil || strings.Contains(err.Error(), "secret") {
		t.Errorf("an address in words: %v", err)
	}
}
