package stream_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"lensledger/events/stream"
	"lensledger/events/stream/streamtest"
)

// settings_test.go puts each wrong setting on a stream. Here the server itself is
// set up wrongly, as another machine's may be, and only its answers tell.
func TestAWrongServerIsRefusedByName(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		setting  string
		old, new string // in the configuration
		spoil    func(*stream.Config)
	}{
		{"max_payload", "max_payload: 262144", "max_payload: 65536", nil},
		{"max_payload", "max_payload: 262144", "max_payload: 1048576", nil},
		{"domain", "jetstream {", "jetstream { domain: other,", nil},
		{"domain", "", "", func(c *stream.Config) { c.Domain = "other" }},
		{"max_file", fmt.Sprint(8 << 30), fmt.Sprint(1 << 20), nil},
		{"", "jetstream: enabled,", "", nil}, // the account has no JetStream
	} {
		t.Run(c.setting+c.new, func(t *testing.T) {
			t.Parallel()
			dir, port := t.TempDir(), streamtest.FreePort()
			conf := strings.Replace(streamtest.Conf("n1", dir, port, true, ""), c.old, c.new, 1)
			server := streamtest.Start(t, streamtest.Spec{StoreDir: dir, Port: port, Conf: conf})
			cfg := configFor(server)
			if c.spoil != nil {
				c.spoil(&cfg)
			}
			s, err := stream.Open(within(t, 30*time.Second), cfg)
			if err == nil {
				s.Close()
				t.Fatal("opened")
			}
			var one *stream.SettingError
			switch {
			case c.setting == "" && strings.Contains(err.Error(), "JetStream not enabled"):
			case c.setting == "" || !errors.As(err, &one) || one.Setting != c.setting || one.Got == one.Want || one.Why == "":
				t.Errorf("want %q named: %v", c.setting, err)
			}
		})
	}
}

// No client can ask another server whether it syncs: such a server is opened, and
// the setting is on the list that the program warns of and the operator answers for.
func TestAServerThatDoesntSyncIsWarnedOfFromAfar(t *testing.T) {
	t.Parallel()
	dir, port := t.TempDir(), streamtest.FreePort()
	server := streamtest.Start(t, streamtest.Spec{StoreDir: dir, Port: port, Conf: streamtest.Conf("n1", dir, port, false, "")})
	s := openSoon(t, configFor(server))
	if !slices.Contains(s.Unverified(), "sync_interval") {
		t.Errorf("unverified: %v", s.Unverified())
	}
}
