package intake

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"lensledger/events"
	"lensledger/events/stream"
	"lensledger/services/access"
	"lensledger/services/web"
)

// BenchmarkIntake sends events over HTTP, 1,000 a request, one event a line, to a
// log that syncs every write, and publishes as many of the same events by the same
// publisher without anything around it, in turns: what checking, HTTP and answers
// cost. of-bare is the rate of the first over that of the second.
func BenchmarkIntake(b *testing.B) {
	server, err := stream.StartServer(stream.ServerConfig{StoreDir: b.TempDir(), InProcessOnly: true, MaxFileBytes: 4 << 30})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(server.Close)
	log, err := stream.Open(b.Context(), stream.Config{Server: server, ManageStream: true})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(log.Close)
	service, err := New(Config{Publisher: log.Publisher()})
	if err != nil {
		b.Fatal(err)
	}
	router := web.NewRouter()
	actor := access.Actor{Subject: "ehr", Role: access.Integrator, Source: "ehr-harbour", Departments: []string{"HARBOUR"}}
	router.Use(func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			next.ServeHTTP(w, r.WithContext(access.WithActor(r.Context(), actor)))
		})
	})
	service.Routes(router)
	front := httptest.NewServer(web.Handler(router, web.Options{}))
	b.Cleanup(front.Close)

	const size = 1000
	n := 0
	batch := func() (lines bytes.Buffer, out []stream.Outgoing) {
		for range size {
			n++
			body := []byte(booked(fmt.Sprintf("bench-%d", n)))
			e, problems := events.Decode(structuredHeader, body)
			if len(problems) > 0 {
				b.Fatal(problems)
			}
			lines.Write(append(body, '\n'))
			out = append(out, outgoing(e, item{header: structuredHeader, body: body}))
		}
		return lines, out
	}
	var overHTTP, bare time.Duration
	b.ResetTimer()
	for range b.N {
		lines, _ := batch()
		begun := time.Now()
		response, err := http.Post(front.URL+"/v1/events", contentTypeLines, &lines)
		if err != nil {
			b.Fatal(err)
		}
		text, err := io.ReadAll(response.Body)
		response.Body.Close()
		overHTTP += time.Since(begun)
		if err != nil || response.StatusCode != http.StatusAccepted || !bytes.Contains(text, fmt.Appendf(nil, `{"stored":%d,`, size)) {
			b.Fatalf("%d %.300s %v", response.StatusCode, text, err)
		}
		_, out := batch()
		begun = time.Now()
		for _, r := range log.Publisher().PublishBatch(b.Context(), out) {
			if r.Err != nil {
				b.Fatal(r.Err)
			}
		}
		bare += time.Since(begun)
	}
	b.ReportMetric(float64(b.N*size)/overHTTP.Seconds(), "events/s")
	b.ReportMetric(float64(b.N*size)/bare.Seconds(), "bare-events/s")
	b.ReportMetric(bare.Seconds()/overHTTP.Seconds(), "of-bare")
	b.ReportMetric(0, "ns/op")
}
