package analytics

import (
	"crypto/sha256"
	_ "embed"
	"net/http"
)

//go:embed openapi.yaml
var openAPI []byte

// formDigest changes whenever the form of the answers does.
var formDigest = sha256.Sum256(openAPI)

// OpenAPI gives the contract as it is served.
func OpenAPI() []byte { return append([]byte(nil), openAPI...) }

// getOpenAPI serves GET /openapi.yaml.
func getOpenAPI(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/yaml")
	w.Header().Set("Cache-Control", "public, max-age=300")
	_, _ = w.Write(openAPI)
}
