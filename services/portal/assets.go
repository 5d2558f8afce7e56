package portal

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strings"
	"sync"
	"time"

	"github.com/gorilla/mux"
	"github.com/klauspost/compress/gzip"

	"lensledger/services/web"
)

//go:embed assets
var assetFiles embed.FS

// file is one that pages load, whole and compressed.
type file struct {
	body, zipped []byte // zipped is nil where that saves nothing
	version      string // of its content
	mediaType    string
}

// files are read once: they change only with the program.
var files = sync.OnceValue(func() map[string]file {
	out := map[string]file{}
	entries, err := fs.ReadDir(assetFiles, "assets")
	if err != nil {
		panic(err) // they are in the program
	}
	for _, e := range entries {
		body, err := assetFiles.ReadFile("assets/" + e.Name())
		if err != nil {
			panic(err)
		}
		sum := sha256.Sum256(body)
		f := file{body: body, version: hex.EncodeToString(sum[:8]), mediaType: mime.TypeByExtension(path.Ext(e.Name()))}
		switch path.Ext(e.Name()) { // a machine's own tables differ
		case ".js":
			f.mediaType = "text/javascript; charset=utf-8"
		case ".css":
			f.mediaType = "text/css; charset=utf-8"
		case ".txt":
			f.mediaType = "text/plain; charset=utf-8"
		}
		if strings.HasPrefix(f.mediaType, "text/") {
			f.zipped = zip(body)
		}
		out[e.Name()] = f
	}
	return out
})

func zip(body []byte) []byte {
	var out bytes.Buffer
	z, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err != nil {
		panic(err) // the level is one of the library's
	}
	_, _ = z.Write(body) // a buffer takes everything
	if err := z.Close(); err != nil || out.Len() >= len(body) {
		return nil
	}
	return out.Bytes()
}

// versionQuery is where the version of a file stands in its address.
const versionQuery = "v"

// assetHref is the address of a file in its present version, for templates.
func assetHref(name string) string {
	return "/assets/" + name + "?" + versionQuery + "=" + files()[name].version
}

// asset serves the files that pages load. They hold nobody's rows. Asked for by its
// version, a file never changes; otherwise the browser asks each time whether it did.
func asset(w http.ResponseWriter, r *http.Request) {
	f, ok := files()[mux.Vars(r)["file"]]
	if !ok {
		web.WriteError(w, r, web.NotFound())
		return
	}
	h := w.Header()
	h.Set("Content-Type", f.mediaType)
	h.Set("Cache-Control", "public, no-cache")
	if r.URL.Query().Get(versionQuery) == f.version {
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	h.Add("Vary", "Accept-Encoding")
	body, tag := f.body, f.version
	if f.zipped != nil && web.TakesGzip(r) {
		h.Set("Content-Encoding", "gzip")
		body, tag = f.zipped, f.version+"-gzip"
	}
	h.Set("ETag", `"`+tag+`"`)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(body))
}
