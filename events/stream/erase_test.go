package stream

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// instead is what replaces a message in these tests.
func instead(m Message, kept bool) Erasure {
	return Erasure{Position: m.Sequence, Subject: m.Subject, Recorded: m.Time, Source: "ehr-harbour", ID: fmt.Sprint("e", m.Sequence),
		Reason: "asked for", Kept: kept, Header: map[string][]string{"ce-id": {"kept"}}, Data: []byte(fmt.Sprintf(`{"instead_of":%d}`, m.Sequence))}
}

// erase replaces and removes some messages, and gives them as they were.
func erase(t *testing.T, s *Stream, sequences ...uint64) []Message {
	t.Helper()
	eraser := openOn(t, Config{Server: s.cfg.Server, Erasing: true})
	var was []Message
	for _, n := range sequences {
		m, err := s.Get(ctxFor(t), n)
		if err != nil {
			t.Fatal(err)
		}
		was = append(was, m)
		if _, err := eraser.Replace(ctxFor(t), instead(m, true)); err != nil {
			t.Fatal(err)
		}
		if err := eraser.Remove(ctxFor(t), n); err != nil {
			t.Fatal(err)
		}
	}
	return was
}

// Every way of reading gives a log without gaps, with what replaces a message in
// its place, its subject and its recorded time.
func TestReadersGetWhatReplacesAMessage(t *testing.T) {
	for _, c := range []struct {
		name   string
		erased []uint64
	}{
		{"one", []uint64{6}}, {"several in a row", []uint64{4, 5, 6}}, {"the first", []uint64{1}}, {"the last", []uint64{10}},
		{"all", []uint64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}}, {"every other", []uint64{2, 4, 6, 8, 10}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := openStream(t)
			publish(t, s.Publisher(), events(1, 10))
			was := erase(t, s, c.erased...)
			last := uint64(10 + len(was))
			check := func(how string, got []Message, first, last uint64) {
				t.Helper()
				if uint64(len(got)) != last-first+1 {
					t.Fatalf("%s: %d messages, want %d to %d", how, len(got), first, last)
				}
				for i, m := range got {
					if m.Sequence != first+uint64(i) {
						t.Fatalf("%s: sequence %d at %d", how, m.Sequence, i)
					}
				}
				for _, w := range was {
					if w.Sequence < first || w.Sequence > last {
						continue
					}
					m, want := got[w.Sequence-first], instead(w, true)
					if m.Replacement == nil || m.Subject != w.Subject || !m.Time.Equal(w.Time) || !bytes.Equal(m.Data, want.Data) ||
						len(m.Header) != 1 || m.Header["ce-id"][0] != "kept" {
						t.Errorf("%s: at %d: %+v", how, w.Sequence, m)
					}
				}
			}
			for _, limit := range []int{1, 3, 100} {
				var got []Message
				reached, err := s.Replay(ctxFor(t), 1, BatchConfig{Max: limit}, func(_ context.Context, batch []Message) error {
					got = append(got, batch...)
					return nil
				})
				if err != nil || reached != last {
					t.Fatal(reached, err)
				}
				check(fmt.Sprint("replay by ", limit), got, 1, last)
			}
			for first := uint64(1); first <= 10; first++ {
				got, err := s.Read(ctxFor(t), first, 3)
				if err != nil {
					t.Fatal(err)
				}
				check("read", got, first, min(first+2, last))
			}
			for _, w := range was {
				if m, err := s.Get(ctxFor(t), w.Sequence); err != nil || m.Replacement == nil || m.Subject != w.Subject {
					t.Errorf("get %d: %+v, %v", w.Sequence, m, err)
				}
			}
			for i, n := range c.erased {
				e, err := s.Replacement(ctxFor(t), n)
				if err != nil || e.Position != n || e.Sequence != uint64(11+i) || e.Reason != "asked for" || !e.Kept {
					t.Errorf("in the place of %d: %+v, %v", n, e, err)
				}
			}
		})
	}
}

// Erasing what replaced a message leaves a log without gaps too.
func TestAReplacementIsReplaced(t *testing.T) {
	s := openStream(t)
	publish(t, s.Publisher(), events(1, 3))
	erase(t, s, 2) // at 4
	eraser := openOn(t, Config{Server: s.cfg.Server, Erasing: true})
	first, err := s.Get(ctxFor(t), 4)
	if err != nil {
		t.Fatal(err)
	}
	inner, ok := ErasureOf(first)
	if !ok {
		t.Fatal("no erasure at 4")
	}
	inner.Data = []byte(`{"again":true}`)
	if _, err := eraser.Replace(ctxFor(t), inner); err != nil { // at 5
		t.Fatal(err)
	}
	outer := Erasure{Position: 4, Subject: first.Subject, Recorded: first.Time, Source: inner.Source, ID: inner.ID, Reason: inner.Reason}
	if _, err := eraser.Replace(ctxFor(t), outer); err != nil { // at 6
		t.Fatal(err)
	}
	if err := eraser.Remove(ctxFor(t), 4); err != nil {
		t.Fatal(err)
	}
	got, err := s.Read(ctxFor(t), 1, 100)
	if err != nil || len(got) != 6 {
		t.Fatalf("%d messages, %v", len(got), err)
	}
	if string(got[1].Data) != `{"again":true}` || got[1].Sequence != 2 {
		t.Errorf("at 2: %+v", got[1])
	}
	if e, ok := ErasureOf(got[3]); !ok || e.Kept || e.Position != 2 || e.ID != "e2" || e.Reason != "asked for" {
		t.Errorf("at 4: %+v, %v", e, ok)
	}
}

func TestNothingIsRemovedUnreplaced(t *testing.T) {
	s := openStream(t)
	publish(t, s.Publisher(), events(1, 3))
	eraser := openOn(t, Config{Server: s.cfg.Server, Erasing: true})
	if err := eraser.Remove(ctxFor(t), 2); !errors.Is(err, ErrNotReplaced) {
		t.Errorf("remove: %v", err)
	}
	got, err := s.Read(ctxFor(t), 1, 10)
	if err != nil {
		t.Fatal(err)
	}
	wantMessages(t, got, 1, 3)
	erase(t, s, 2)
	if err := eraser.Remove(ctxFor(t), 2); err != nil {
		t.Errorf("remove again: %v", err)
	}
}

// Deleting, and storing what replaces a message, are for one credential alone.
func TestOnlyOneCredentialErases(t *testing.T) {
	g := startGuarded(t, User{Name: "office", Password: "office-only-here"}, // no permissions given: everything else
		User{Name: "erase", Password: "erase-only-here", Permissions: ErasePermissions("erase")})
	cfg := map[string]Config{"admin": {Server: g.srv}, "projector": g.as("projector"), "office": g.as("office")}
	office := cfg["office"]
	office.InboxPrefix = ""
	cfg["office"] = office
	m, err := g.admin.Get(ctxFor(t), 4)
	if err != nil {
		t.Fatal(err)
	}
	erasing := openOn(t, g.as("erase"))
	for name, c := range cfg {
		s := openOn(t, c)
		var denied *DeniedError
		if _, err := s.Replace(ctxFor(t), instead(m, true)); !errors.As(err, &denied) {
			t.Errorf("%s stored a replacement: %v", name, err)
		}
		handle, err := s.js.Stream(ctxFor(t), StreamName)
		if err != nil {
			t.Fatal(name, err)
		}
		for i, remove := range []func(context.Context, uint64) error{handle.SecureDeleteMsg, handle.DeleteMsg} {
			ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
			if err := remove(ctx, 4); err == nil {
				t.Errorf("%s deleted a message, way %d", name, i)
			}
			cancel()
		}
	}
	harbour := hostile(t, g, "harbour")
	for _, subject := range []string{deleteSubject, "$JS.hub.API.STREAM.MSG.DELETE.CASES", erasedSubject(4), subjectPrefix + "$erased.x.y.z"} {
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		if answer, err := harbour.RequestWithContext(ctx, subject, []byte(`{"seq":4}`)); err == nil {
			t.Errorf("a publisher's request on %s was answered: %s", subject, answer.Data)
		}
		cancel()
	}
	g.unchanged(t)
	// The one credential does both, and publishes no event.
	if _, err := erasing.Replace(ctxFor(t), instead(m, true)); err != nil {
		t.Fatal(err)
	}
	if err := erasing.Remove(ctxFor(t), 4); err != nil {
		t.Fatal(err)
	}
	var denied *DeniedError
	if _, err := erasing.Publisher().Publish(ctxFor(t), event(11)); !errors.As(err, &denied) {
		t.Errorf("the erasing credential published an event: %v", err)
	}
}

// The bytes of a removed message are nowhere in the store, before and after the
// server is stopped.
func TestRemovedBytesAreGone(t *testing.T) {
	dir := t.TempDir()
	srv := startServer(t, ServerConfig{StoreDir: dir, InProcessOnly: true})
	s := openOn(t, Config{Server: srv, ManageStream: true})
	const canary = "CANARY-4711"
	for n := range 50 {
		e := event(n + 1)
		e.Data = []byte(fmt.Sprintf(`{"patient":"%s","n":%d}`, canary, n))
		publish(t, s.Publisher(), []Outgoing{e})
	}
	if found := filesWith(t, dir, canary); len(found) == 0 {
		t.Fatal("the canary isn't found in the store, so that its absence would show nothing")
	}
	var all []uint64
	for n := range uint64(50) {
		all = append(all, n+1)
	}
	erase(t, s, all...)
	if found := filesWith(t, dir, canary); len(found) > 0 {
		t.Errorf("the canary is still in %v", found)
	}
	s.Close()
	srv.Close()
	if found := filesWith(t, dir, canary); len(found) > 0 {
		t.Errorf("after the stop the canary is in %v", found)
	}
}

// filesWith lists the files below a folder that hold some bytes.
func filesWith(t *testing.T, dir, text string) []string {
	t.Helper()
	var found []string
	err := filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		content, err := os.ReadFile(path)
		if errors.Is(err, fs.ErrNotExist) { // the server tidies up meanwhile
			return nil
		}
		if strings.Contains(string(content), text) {
			found = append(found, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}
