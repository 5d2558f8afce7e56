package analytics

import (
	_ "embed"
	"net/http"
)

//go:embed asyncapi.yaml
var asyncAPI []byte

// AsyncAPI gives the document about the event stream as it is served.
func AsyncAPI() []byte { return append([]byte(nil), asyncAPI...) }

// getAsyncAPI serves GET /asyncapi.yaml.
func getAsyncAPI(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/yaml")
	w.Header().Set("Cache-Control", "public, max-age=300")
	_, _ = w.Write(asyncAPI)
}
