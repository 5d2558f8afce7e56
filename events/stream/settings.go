package stream

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

const (
	// MaxMessageBytes bounds one message, payload and headers together.
	MaxMessageBytes = 256 << 10

	// DuplicateWindow is how long the broker remembers a message id. It only
	// saves work: true identity is decided in Postgres.
	DuplicateWindow = 2 * time.Minute

	// epochKey is the metadata key that holds the stream's epoch.
	epochKey = "epoch"
)

// Reasons that several settings share.
const (
	whyRecord    = "a limit other than bytes deletes events of record"
	whyHeader    = "a publisher's header could remove or alter history"
	whyOneOrder  = "the log must hold exactly what was published to it, in one order of its own"
	whyContinual = "a reader must get every sequence, or it can't prove that it missed none"
)

// setting is one line of what the stream must look like.
type setting struct {
	name string
	want string
	why  string
	got  func(jetstream.StreamConfig) string
	ok   func(got jetstream.StreamConfig, want Config) bool // nil: got equals want, as text
}

// settings is the whole contract. Compression and placement are left to the
// operator, because no promise depends on them.
var settings = []setting{
	{"name", StreamName, "readers and publishers name it", func(c jetstream.StreamConfig) string { return c.Name }, nil},
	{"subjects", subjectFilter, "a publisher's subject says who spoke", func(c jetstream.StreamConfig) string { return strings.Join(c.Subjects, ",") }, nil},
	{"storage", "File", "events must outlive the server", func(c jetstream.StreamConfig) string { return c.Storage.String() }, nil},
	{"retention", "Limits", "other policies delete an event once it is read", func(c jetstream.StreamConfig) string { return c.Retention.String() }, nil},
	{"max_msgs", "-1", whyRecord, func(c jetstream.StreamConfig) string { return fmt.Sprint(c.MaxMsgs) }, nil},
	{"max_msgs_per_subject", "-1", whyRecord, func(c jetstream.StreamConfig) string { return fmt.Sprint(c.MaxMsgsPerSubject) }, nil},
	{"max_age", "0s", whyRecord, func(c jetstream.StreamConfig) string { return c.MaxAge.String() }, nil},
	{"max_bytes", "above 0, and as configured", "the limit must refuse events before the disk is full",
		func(c jetstream.StreamConfig) string { return fmt.Sprint(c.MaxBytes) },
		func(c jetstream.StreamConfig, want Config) bool {
			return c.MaxBytes > 0 && (want.MaxBytes == 0 || c.MaxBytes == want.MaxBytes)
		}},
	{"discard", "DiscardNew", "at max_bytes the old policy deletes history", func(c jetstream.StreamConfig) string { return c.Discard.String() }, nil},
	{"discard_new_per_subject", "false", "it refuses events by subject", func(c jetstream.StreamConfig) string { return fmt.Sprint(c.DiscardNewPerSubject) }, nil},
	{"max_msg_size", fmt.Sprint(MaxMessageBytes), "bounds what a hostile event costs", func(c jetstream.StreamConfig) string { return fmt.Sprint(c.MaxMsgSize) }, nil},
	{"max_consumers", "-1", "readers must be able to start again at any time", func(c jetstream.StreamConfig) string { return fmt.Sprint(c.MaxConsumers) }, nil},
	{"num_replicas", "at least as configured", "fewer copies survive fewer lost nodes",
		func(c jetstream.StreamConfig) string { return fmt.Sprint(c.Replicas) },
		func(c jetstream.StreamConfig, want Config) bool { return c.Replicas >= want.replicas() }},
	{"no_ack", "false", "the acknowledgement is the promise to the publisher", func(c jetstream.StreamConfig) string { return fmt.Sprint(c.NoAck) }, nil},
	{"persist_mode", "Default", "async acknowledges before the event is on disk, whatever the server's sync_interval says", func(c jetstream.StreamConfig) string { return c.PersistMode.String() }, nil},
	{"duplicate_window", DuplicateWindow.String(), "a larger window costs memory, a smaller one stores every retry", func(c jetstream.StreamConfig) string { return c.Duplicates.String() }, nil},
	{"sealed", "false", "it must take new events", func(c jetstream.StreamConfig) string { return fmt.Sprint(c.Sealed) }, nil},
	{"deny_purge", "true", "the log only grows", func(c jetstream.StreamConfig) string { return fmt.Sprint(c.DenyPurge) }, nil},
	{"deny_delete", "false", "erasure of a person's events needs a delete, by a credential of its own", func(c jetstream.StreamConfig) string { return fmt.Sprint(c.DenyDelete) }, nil},
	{"allow_rollup_hdrs", "false", whyHeader, func(c jetstream.StreamConfig) string { return fmt.Sprint(c.AllowRollup) }, nil},
	{"allow_msg_ttl", "false", whyHeader, func(c jetstream.StreamConfig) string { return fmt.Sprint(c.AllowMsgTTL) }, nil},
	{"subject_delete_marker_ttl", "0s", whyHeader, func(c jetstream.StreamConfig) string { return c.SubjectDeleteMarkerTTL.String() }, nil},
	{"allow_msg_schedules", "false", whyHeader, func(c jetstream.StreamConfig) string { return fmt.Sprint(c.AllowMsgSchedules) }, nil},
	{"allow_msg_counter", "false", whyHeader, func(c jetstream.StreamConfig) string { return fmt.Sprint(c.AllowMsgCounter) }, nil},
	{"allow_atomic", "false", "a batch is refused wholly for one duplicate in it", func(c jetstream.StreamConfig) string { return fmt.Sprint(c.AllowAtomicPublish) }, nil},
	{"allow_batched", "false", "each event needs an acknowledgement of its own", func(c jetstream.StreamConfig) string { return fmt.Sprint(c.AllowBatchPublish) }, nil},
	{"allow_direct", "false", "a replica may answer with less than was acknowledged", func(c jetstream.StreamConfig) string { return fmt.Sprint(c.AllowDirect) }, nil},
	{"mirror_direct", "false", "a replica may answer with less than was acknowledged", func(c jetstream.StreamConfig) string { return fmt.Sprint(c.MirrorDirect) }, nil},
	{"mirror", "none", whyOneOrder, func(c jetstream.StreamConfig) string {
		if c.Mirror == nil {
			return "none"
		}
		return c.Mirror.Name
	}, nil},
	{"sources", "none", whyOneOrder, func(c jetstream.StreamConfig) string {
		if len(c.Sources) == 0 {
			return "none"
		}
		return fmt.Sprintf("%d streams", len(c.Sources))
	}, nil},
	{"subject_transform", "none", whyOneOrder, func(c jetstream.StreamConfig) string {
		if c.SubjectTransform == nil {
			return "none"
		}
		return c.SubjectTransform.Source + " to " + c.SubjectTransform.Destination
	}, nil},
	{"republish", "none", "events must not leave the log by a second way", func(c jetstream.StreamConfig) string {
		if c.RePublish == nil {
			return "none"
		}
		return c.RePublish.Source + " to " + c.RePublish.Destination
	}, nil},
	{"first_seq", "0 or 1", whyContinual, func(c jetstream.StreamConfig) string { return fmt.Sprint(c.FirstSeq) },
		func(c jetstream.StreamConfig, _ Config) bool { return c.FirstSeq <= 1 }},
	{"consumer_limits", "none", whyContinual, func(c jetstream.StreamConfig) string {
		if c.ConsumerLimits == (jetstream.StreamConsumerLimits{}) {
			return "none"
		}
		return fmt.Sprintf("%+v", c.ConsumerLimits)
	}, nil},
	{"metadata.epoch", "set", "it tells a recreated stream from the one a checkpoint belongs to", func(c jetstream.StreamConfig) string {
		if c.Metadata[epochKey] == "" {
			return "absent"
		}
		return "set"
	}, nil},
}

// checkSettings returns one SettingError for each wrong setting, joined.
func checkSettings(got jetstream.StreamConfig, want Config) error {
	var wrong []error
	for _, s := range settings {
		value := s.got(got)
		ok := value == s.want
		if s.ok != nil {
			ok = s.ok(got, want)
		}
		if ok {
			continue
		}
		wantText := s.want
		switch {
		case s.name == "max_bytes" && want.MaxBytes > 0:
			wantText = fmt.Sprint(want.MaxBytes)
		case s.name == "num_replicas":
			wantText = fmt.Sprintf("at least %d", want.replicas())
		}
		wrong = append(wrong, &SettingError{Setting: s.name, Got: value, Want: wantText, Why: s.why})
	}
	return errors.Join(wrong...)
}

// checkServer checks what can be known of the server itself. A client sees the
// payload limit; whether each write is synced to disk is known only for a
// server in this process.
func checkServer(conn *nats.Conn, server *Server, loading bool) error {
	var wrong []error
	if got := conn.MaxPayload(); got != MaxMessageBytes {
		wrong = append(wrong, &SettingError{"max_payload", fmt.Sprint(got), fmt.Sprint(MaxMessageBytes), "bounds what a hostile event costs"})
	}
	if server != nil && !loading && !server.syncsEveryWrite() {
		wrong = append(wrong, &SettingError{"sync_interval", "not always", "always", "an acknowledged event is lost when the power fails before the next sync"})
	}
	return errors.Join(wrong...)
}

// domainOf asks for the JetStream domain that the stream is in; package jetstream
// doesn't tell.
func domainOf(ctx context.Context, conn *nats.Conn) (string, error) {
	answer, err := conn.RequestWithContext(ctx, "$JS.API.STREAM.INFO."+StreamName, nil)
	if err != nil {
		return "", fmt.Errorf("domain of the stream: %w", err)
	}
	var info struct {
		Domain string `json:"domain"`
	}
	if err := json.Unmarshal(answer.Data, &info); err != nil {
		return "", fmt.Errorf("domain of the stream: %w", err)
	}
	return info.Domain, nil
}

func checkDomain(got string, want Config) error {
	if got == want.Domain {
		return nil
	}
	return &SettingError{"domain", strconv.Quote(got), strconv.Quote(want.Domain), "every acknowledgement would be of another domain, and so refused"}
}

// streamConfig is the stream as Open creates it.
func streamConfig(want Config, epoch string) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:              StreamName,
		Description:       "Events of record; see docs for why each setting is as it is",
		Subjects:          []string{subjectFilter},
		Storage:           jetstream.FileStorage,
		Retention:         jetstream.LimitsPolicy,
		MaxMsgs:           -1,
		MaxMsgsPerSubject: -1,
		MaxBytes:          want.MaxBytes,
		Discard:           jetstream.DiscardNew,
		MaxMsgSize:        MaxMessageBytes,
		MaxConsumers:      -1,
		Replicas:          want.replicas(),
		Duplicates:        DuplicateWindow,
		DenyPurge:         true,
		Metadata:          map[string]string{epochKey: epoch},
	}
}
