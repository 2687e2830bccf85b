package httpd

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"sync"
)

// The page's own files, and uPlot with its licence (assets/uplot/ORIGIN.md).
//
//go:embed assets
var assetFiles embed.FS // set by the compiler, never written

// asset is one file of the page, ready to be sent.
type asset struct {
	plain  []byte
	packed func() []byte // gzip, made when it is first asked for
	kind   string
	tag    string
}

// loadAssets reads what the compiler put in; a fault of it is one of the program.
func loadAssets() map[string]asset {
	all := map[string]asset{}
	err := fs.WalkDir(assetFiles, "assets", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := assetFiles.ReadFile(name)
		if err != nil {
			return err
		}
		kind := "text/plain; charset=utf-8"
		switch path.Ext(name) { // not from the board's own table of types, which may say something else
		case ".js":
			kind = "text/javascript; charset=utf-8"
		case ".css":
			kind = "text/css; charset=utf-8"
		case ".svg":
			kind = "image/svg+xml"
		}
		sum := sha256.Sum256(b)
		all["/"+name] = asset{plain: b, packed: sync.OnceValue(func() []byte { return squeeze(b) }), kind: kind, tag: `"` + hex.EncodeToString(sum[:8]) + `"`}
		return nil
	})
	if err != nil {
		panic("httpd: embedded assets: " + err.Error())
	}
	return all
}

// squeeze compresses in memory, where nothing can go wrong.
func squeeze(b []byte) []byte {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	_, _ = z.Write(b)
	_ = z.Close()
	return out.Bytes()
}

// takesGzip says whether the client can unpack.
func takesGzip(r *http.Request) bool {
	for _, part := range strings.Split(r.Header.Get("Accept-Encoding"), ",") {
		name, q, _ := strings.Cut(strings.TrimSpace(part), ";")
		if name == "gzip" && strings.ReplaceAll(q, " ", "") != "q=0" {
			return true
		}
	}
	return false
}

// serveAsset answers from memory. The browser keeps its copy and asks each time
// whether it still holds, so that a new version of the agent is seen at once.
func (s *Server) serveAsset(w http.ResponseWriter, r *http.Request) {
	a, ok := s.assets[r.URL.Path]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Cache-Control", "no-cache")
	h.Set("ETag", a.tag)
	h.Set("Vary", "Accept-Encoding")
	if r.Header.Get("If-None-Match") == a.tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Content-Type", a.kind)
	send(w, r, a.plain, a.packed)
}

// send writes a body, compressed for who can unpack it.
func send(w http.ResponseWriter, r *http.Request, plain []byte, packed func() []byte) {
	if takesGzip(r) {
		w.Header().Set("Content-Encoding", "gzip")
		plain = packed()
	}
	w.Header().Set("Content-Length", fmt.Sprint(len(plain)))
	// The status line has gone: a client that left is nobody to report to.
	_, _ = w.Write(plain)
}
