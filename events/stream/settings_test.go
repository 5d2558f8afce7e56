package stream

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// settingErrors takes a joined error apart.
func settingErrors(err error) map[string]*SettingError {
	found := map[string]*SettingError{}
	var walk func(error)
	walk = func(err error) {
		if one, ok := err.(*SettingError); ok {
			found[one.Setting] = one
			return
		}
		switch x := err.(type) {
		case interface{ Unwrap() []error }:
			for _, e := range x.Unwrap() {
				walk(e)
			}
		case interface{ Unwrap() error }:
			walk(x.Unwrap())
		}
	}
	walk(err)
	return found
}

// rawJetStream is a client that may create the stream wrongly.
func rawJetStream(t *testing.T, srv *Server) jetstream.JetStream {
	t.Helper()
	conn, err := nats.Connect("", nats.InProcessServer(srv.nats), nats.UserInfo(adminName, srv.adminPassword))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	return js
}

// Each wrong setting is put on a real stream and must be refused by its name,
// and by no other name: the error tells the operator what to change.
func TestAWrongSettingIsRefusedByName(t *testing.T) {
	srv := startServer(t, ServerConfig{InProcessOnly: true})
	js := rawJetStream(t, srv)
	cases := []struct {
		setting string
		spoil   func(*jetstream.StreamConfig)
		also    string // a second setting that can't be right then
	}{
		{"subjects", func(c *jetstream.StreamConfig) { c.Subjects = []string{"cases.v1.*.HARBOUR.>"} }, ""},
		{"storage", func(c *jetstream.StreamConfig) { c.Storage = jetstream.MemoryStorage; c.MaxBytes = 1 << 20 }, ""},
		{"retention", func(c *jetstream.StreamConfig) { c.Retention = jetstream.WorkQueuePolicy }, ""},
		{"max_msgs", func(c *jetstream.StreamConfig) { c.MaxMsgs = 1e9 }, ""},
		{"max_msgs_per_subject", func(c *jetstream.StreamConfig) { c.MaxMsgsPerSubject = 1e6 }, ""},
		{"max_age", func(c *jetstream.StreamConfig) { c.MaxAge = 100 * 365 * 24 * time.Hour }, ""},
		{"max_bytes", func(c *jetstream.StreamConfig) { c.MaxBytes = -1 }, ""},
		{"discard", func(c *jetstream.StreamConfig) { c.Discard = jetstream.DiscardOld }, ""},
		{"discard_new_per_subject", func(c *jetstream.StreamConfig) { c.DiscardNewPerSubject = true; c.MaxMsgsPerSubject = 9 }, "max_msgs_per_subject"},
		{"max_msg_size", func(c *jetstream.StreamConfig) { c.MaxMsgSize = 8 << 20 }, ""},
		{"max_consumers", func(c *jetstream.StreamConfig) { c.MaxConsumers = 1 }, ""},
		{"no_ack", func(c *jetstream.StreamConfig) { c.NoAck = true }, ""},
		{"persist_mode", func(c *jetstream.StreamConfig) { c.PersistMode = jetstream.AsyncPersistMode }, ""},
		{"duplicate_window", func(c *jetstream.StreamConfig) { c.Duplicates = time.Hour }, ""},
		{"deny_purge", func(c *jetstream.StreamConfig) { c.DenyPurge = false }, ""},
		{"deny_delete", func(c *jetstream.StreamConfig) { c.DenyDelete = true }, ""},
		{"allow_rollup_hdrs", func(c *jetstream.StreamConfig) { c.AllowRollup = true; c.DenyPurge = false }, "deny_purge"},
		{"allow_msg_ttl", func(c *jetstream.StreamConfig) { c.AllowMsgTTL = true }, ""},
		// A marker makes the server switch on roll-up and TTL by itself.
		{"subject_delete_marker_ttl", func(c *jetstream.StreamConfig) {
			c.SubjectDeleteMarkerTTL = time.Hour
			c.AllowMsgTTL, c.AllowRollup, c.DenyPurge = true, true, false
		}, "deny_purge,allow_rollup_hdrs,allow_msg_ttl"},
		{"allow_msg_schedules", func(c *jetstream.StreamConfig) {
			c.AllowMsgSchedules, c.AllowRollup, c.DenyPurge, c.Discard = true, true, false, jetstream.DiscardOld
		}, "deny_purge,allow_rollup_hdrs,discard"},
		{"allow_msg_counter", func(c *jetstream.StreamConfig) { c.AllowMsgCounter = true; c.Discard = jetstream.DiscardOld }, "discard"},
		{"allow_atomic", func(c *jetstream.StreamConfig) { c.AllowAtomicPublish = true }, ""},
		{"allow_batched", func(c *jetstream.StreamConfig) { c.AllowBatchPublish = true }, ""},
		{"allow_direct", func(c *jetstream.StreamConfig) { c.AllowDirect = true }, ""},
		{"mirror", func(c *jetstream.StreamConfig) {
			c.Mirror = &jetstream.StreamSource{Name: "ORIGIN"}
			c.Subjects = nil
		}, "subjects"},
		{"mirror_direct", func(c *jetstream.StreamConfig) {
			c.Mirror = &jetstream.StreamSource{Name: "ORIGIN"}
			c.Subjects, c.MirrorDirect = nil, true
		}, "subjects,mirror"},
		{"sources", func(c *jetstream.StreamConfig) { c.Sources = []*jetstream.StreamSource{{Name: "ORIGIN"}} }, ""},
		{"subject_transform", func(c *jetstream.StreamConfig) {
			c.SubjectTransform = &jetstream.SubjectTransformConfig{Source: "cases.v1.a.>", Destination: "cases.v1.b.>"}
		}, ""},
		{"republish", func(c *jetstream.StreamConfig) {
			c.RePublish = &jetstream.RePublish{Source: ">", Destination: "copy.>"}
		}, ""},
		{"first_seq", func(c *jetstream.StreamConfig) { c.FirstSeq = 100 }, ""},
		{"consumer_limits", func(c *jetstream.StreamConfig) { c.ConsumerLimits.InactiveThreshold = time.Second }, ""},
		{"metadata.epoch", func(c *jetstream.StreamConfig) { c.Metadata = nil }, ""},
		{"sealed", func(c *jetstream.StreamConfig) { c.Sealed = true }, "deny_delete"},
	}
	covered := map[string]bool{"name": true, "num_replicas": true} // each has a test of its own below
	for _, c := range cases {
		covered[c.setting] = true
		t.Run(c.setting, func(t *testing.T) {
			right := streamConfig(Config{MaxBytes: 64 << 20}, newEpoch())
			wrong := right
			c.spoil(&wrong)
			created := wrong
			created.Sealed = false
			if err := createAfterDelete(ctxFor(t), js, created); err != nil {
				t.Fatalf("the server itself refuses it: %v", err)
			}
			defer func() {
				if err := js.DeleteStream(ctxFor(t), StreamName); err != nil {
					t.Fatal(err)
				}
			}()
			if wrong.Sealed {
				// A stream can't be created sealed, only become so.
				if _, err := js.UpdateStream(ctxFor(t), wrong); err != nil {
					t.Fatal(err)
				}
			}
			s, err := Open(ctxFor(t), Config{Server: srv, ManageStream: true})
			if err == nil {
				s.Close()
				t.Fatal("opened")
			}
			found := settingErrors(err)
			one := found[c.setting]
			if one == nil {
				t.Fatalf("refused for another reason: %v", err)
			}
			if one.Got == one.Want || one.Why == "" || !strings.Contains(one.Error(), c.setting) {
				t.Errorf("the error doesn't explain itself: %v", one)
			}
			delete(found, c.setting)
			for _, name := range strings.Split(c.also, ",") {
				delete(found, name)
			}
			if len(found) > 0 {
				t.Errorf("refused for more than what is wrong: %v", err)
			}
		})
	}
	for _, s := range settings {
		if !covered[s.name] {
			t.Errorf("setting %s has no case", s.name)
		}
	}
}

func TestNameAndReplicasAreChecked(t *testing.T) {
	c := streamConfig(Config{MaxBytes: 1}, "e")
	c.Replicas = 1
	found := settingErrors(checkSettings(c, Config{Replicas: 3}))
	if e := found["num_replicas"]; e == nil || e.Got != "1" || e.Want != "at least 3" || len(found) != 1 {
		t.Errorf("one copy where three are wanted: %v", found)
	}
	c.Replicas = 3
	if err := checkSettings(c, Config{}); err != nil {
		t.Errorf("more copies than wanted: %v", err)
	}
	c.Name = "OTHER"
	if found := settingErrors(checkSettings(c, Config{})); found["name"] == nil || len(found) != 1 {
		t.Errorf("other name: %v", found)
	}
}

func TestMaxBytesMustBeTheConfiguredOne(t *testing.T) {
	srv := startServer(t, ServerConfig{InProcessOnly: true})
	openOn(t, Config{Server: srv, ManageStream: true, MaxBytes: 1 << 20}).Close()
	openOn(t, Config{Server: srv}).Close() // any bound will do
	_, err := Open(ctxFor(t), Config{Server: srv, MaxBytes: 2 << 20})
	if e := settingErrors(err)["max_bytes"]; e == nil || e.Got != "1048576" || e.Want != "2097152" {
		t.Errorf("other bound: %v", err)
	}
}

func TestAServerThatDoesntSyncIsRefused(t *testing.T) {
	srv := startServer(t, ServerConfig{InProcessOnly: true, lazySync: true})
	_, err := Open(ctxFor(t), Config{Server: srv, ManageStream: true})
	var one *SettingError
	if !errors.As(err, &one) || one.Setting != "sync_interval" {
		t.Errorf("opened on a server that syncs every two minutes: %v", err)
	}
}

func TestAllWrongSettingsAreNamedAtOnce(t *testing.T) {
	c := streamConfig(Config{MaxBytes: 1}, "")
	c.DenyPurge, c.MaxAge, c.Discard = false, time.Hour, jetstream.DiscardOld
	found := settingErrors(checkSettings(c, Config{}))
	for _, name := range []string{"deny_purge", "max_age", "discard", "metadata.epoch"} {
		if found[name] == nil {
			t.Errorf("%s isn't named", name)
		}
	}
	if len(found) != 4 {
		t.Errorf("%d settings named, 4 are wrong", len(found))
	}
}

// createAfterDelete creates a stream under the name of one that was just deleted.
// The server removes the old store in the background and answers that it can't
// make the new one until that is done.
func createAfterDelete(ctx context.Context, js jetstream.JetStream, cfg jetstream.StreamConfig) error {
	const storeNotMade = 10049
	for {
		_, err := js.CreateStream(ctx, cfg)
		var refused *jetstream.APIError
		if err == nil || ctx.Err() != nil || !errors.As(err, &refused) || refused.ErrorCode != storeNotMade {
			return err
		}
	}
}
