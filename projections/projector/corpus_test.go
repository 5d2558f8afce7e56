package projector_test

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"lensledger/events/stream"
	"lensledger/projections/projector"
)

// envelope is a finished case as text, with one part of it replaced.
func envelope(old, replacement string) string {
	const good = `{"specversion":"1.0","id":"c1","source":"ehr-harbour","type":"lensledger.lens.implanted.v1","subject":"K-1","department":"HARBOUR","time":"2025-03-12T10:00:00Z","data":{"lens_model":"MODEL","power_d":21.5}}`
	return strings.Replace(good, old, replacement, 1)
}

// hostile is what no program should send, each with what must become of it. The
// last are right, and stand at the edge of what is.
var hostile = []struct{ name, body, disposition string }{
	{"nothing", "", projector.Quarantined},
	{"a NUL byte", "\x00", projector.Quarantined},
	{"white space", " \n\t ", projector.Quarantined},
	{"null", "null", projector.Quarantined},
	{"an array", "[]", projector.Quarantined},
	{"a number", "1e400", projector.Quarantined},
	{"a half", `{"specversion":"1.0","id":`, projector.Quarantined},
	{"two at once", envelope("", "") + envelope("", ""), projector.Quarantined},
	{"NUL in text", envelope("MODEL", `A\u0000B`), projector.Quarantined},
	{"NUL in the id", envelope(`"c1"`, `"c\u0000"`), projector.Quarantined},
	{"a raw NUL in text", envelope("MODEL", "A\x00B"), projector.Quarantined},
	{"a lone surrogate", envelope("MODEL", `A\ud800B`), projector.Quarantined},
	{"a low surrogate", envelope("MODEL", `\udc00`), projector.Quarantined},
	{"surrogates the wrong way round", envelope("MODEL", `\udc00\ud800`), projector.Quarantined},
	{"invalid UTF-8", envelope("MODEL", "A\xff\xfeB"), projector.Quarantined},
	{"a surrogate in UTF-8", envelope("MODEL", "\xed\xa0\x80"), projector.Quarantined},
	{"overlong UTF-8", envelope("MODEL", "\xc0\xaf"), projector.Quarantined},
	{"a byte order mark", "\ufeff" + envelope("", ""), projector.Quarantined},
	{"infinity", envelope("21.5", "1e400"), projector.Quarantined},
	{"minus infinity", envelope("21.5", "-1e400"), projector.Quarantined},
	{"not a number", envelope("21.5", "NaN"), projector.Quarantined},
	{"past exact doubles", envelope("21.5", "9007199254740993"), projector.Quarantined},
	{"past 64 bits", envelope("21.5", strings.Repeat("9", 400)), projector.Quarantined},
	{"a wrong type", envelope("21.5", `"21.5"`), projector.Quarantined},
	{"a list for a number", envelope("21.5", `[21.5]`), projector.Quarantined},
	{"data that is a text", envelope(`{"lens_model":"MODEL","power_d":21.5}`, `"data"`), projector.Quarantined},
	{"a deep list", envelope("21.5", strings.Repeat("[", 10_000)+strings.Repeat("]", 10_000)), projector.Quarantined},
	{"a deep object", envelope("21.5", strings.Repeat(`{"a":`, 10_000)+"1"+strings.Repeat("}", 10_000)), projector.Quarantined},
	{"never closed", strings.Repeat("[", 100_000), projector.Quarantined},
	{"a key twice", envelope(`"power_d":21.5`, `"power_d":21.5,"power_d":22`), projector.Quarantined},
	{"an unknown key", envelope(`"power_d"`, `"powerD"`), projector.Quarantined},
	{"a text of 250 KB", envelope("MODEL", strings.Repeat("M", 250<<10)), projector.Quarantined},
	{"year 0", envelope("2025", "0000"), projector.Quarantined},
	{"year 9999", envelope("2025", "9999"), projector.Quarantined},
	{"year 10000", envelope("2025", "10000"), projector.Quarantined},
	{"no such day", envelope("03-12", "02-30"), projector.Quarantined},
	{"a leap second", envelope("2025-03-12T10:00:00Z", "2016-12-31T23:59:60Z"), projector.Quarantined},
	{"no time zone", envelope("00:00Z", "00:00"), projector.Quarantined},
	{"an offset of a day", envelope("00:00Z", "00:00+24:00"), projector.Quarantined},
	{"SQL as a code", envelope("K-1", `K'; DROP TABLE event_log; --`), projector.Quarantined},
	{"a code of 41", envelope("K-1", strings.Repeat("K", 41)), projector.Quarantined},
	{"a code of 40", envelope("K-1", strings.Repeat("K", 40)), projector.Accepted},
	{"an hour that summer time leaves out", envelope("2025-03-12T10:00:00Z", "2025-03-30T02:30:00+01:00"), projector.Accepted},
	{"white space around", " \n" + envelope("", "") + "\n ", projector.Accepted},
}

// Whatever arrives, the next good event is taken, and the bytes are kept.
func TestHostileCorpus(t *testing.T) {
	r := newRegistry(t)
	r.run(t, 500)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	p := projector.New(projector.Config{Pool: r.Pool, Base: r.Base, Stream: r.stream, Log: slog.New(slog.DiscardHandler)})
	go func() { ended <- p.Run(ctx) }()
	w := projector.NewWatcher(r.Pool, r.Base)
	go func() { _ = w.Run(ctx) }() // ends with ctx
	for i, h := range hostile {
		body := h.body
		if h.disposition == projector.Accepted { // else one identity would come with many contents
			body = strings.Replace(body, `"c1"`, `"c`+string(rune('a'+i%26))+`"`, 1)
		}
		sent, err := r.stream.Publisher().Publish(ctx, stream.Outgoing{Subject: stream.Subject("ehr-harbour", "HARBOUR", "lens", "implanted"),
			MessageID: "h" + h.name, Data: []byte(body)})
		if err != nil {
			t.Fatalf("%s: %v", h.name, err)
		}
		good := started("g-"+h.name, "K-2", "S-1", morning)
		good.ID = "g" + strings.Map(func(c rune) rune {
			if c == ' ' {
				return '-'
			}
			return c
		}, h.name)
		r.publish(t, good)
		within, cancel := context.WithTimeout(ctx, time.Minute)
		became, err := w.Projected(within, []uint64{sent.Sequence, sent.Sequence + 1})
		cancel()
		if err != nil {
			t.Fatalf("after %s nothing goes on: %v", h.name, err)
		}
		if became[sent.Sequence] != h.disposition || became[sent.Sequence+1] != projector.Accepted {
			t.Errorf("%s: %s, and the good one after it %s", h.name, became[sent.Sequence], became[sent.Sequence+1])
		}
		if h.disposition != projector.Quarantined {
			continue
		}
		var kept []byte
		if err := r.Pool.QueryRow(ctx, "SELECT body FROM quarantine WHERE sequence = $1", int64(sent.Sequence)).Scan(&kept); err != nil || string(kept) != body {
			t.Errorf("%s: kept are %d bytes of %d: %v", h.name, len(kept), len(body), err)
		}
	}
	stop()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("the projector ended: %v", err)
	}
	r.checkBooks(t)
}
