package httpd_test

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"testing"
)

// The files are those that the registry serves for uPlot 1.6.32 (assets/uplot/ORIGIN.md).
func TestThePlottingLibraryIsAsPublished(t *testing.T) {
	for name, want := range map[string]string{
		"uPlot.iife.min.js": "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f",
		"uPlot.min.css":     "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
		"LICENSE":           "8f989229699b4fe2f1a0432d0e9edc338a8a911e250e2d1b01ecd770a5f5b1bd",
	} {
		w := get(serverOf(example()), "/assets/uplot/"+name)
		if got := sha256.Sum256(w.Body.Bytes()); w.Code != http.StatusOK || hex.EncodeToString(got[:]) != want {
			t.Errorf("%s: %d, SHA-256 %x, want %s", name, w.Code, got, want)
		}
	}
}

func getPacked(t *testing.T, path string) (w *httptest.ResponseRecorder, packed int, plain []byte) {
	t.Helper()
	w = httptest.NewRecorder()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Header.Set("Accept-Encoding", "br, gzip;q=0.8")
	serverOf(example()).Handler().ServeHTTP(w, r)
	if w.Code != http.StatusOK || w.Header().Get("Content-Encoding") != "gzip" {
		t.Fatalf("GET %s: %d, encoding %q", path, w.Code, w.Header().Get("Content-Encoding"))
	}
	packed = w.Body.Len()
	z, err := gzip.NewReader(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	if plain, err = io.ReadAll(z); err != nil {
		t.Fatal(err)
	}
	return w, packed, plain
}

// 150 KB is what the page may weigh in all: a minute of a link of 20 kbit/s.
func TestThePageIsSmall(t *testing.T) {
	_, total, page := getPacked(t, "/")
	files := regexp.MustCompile(`(?:src|href)="(/assets/[^"]+)"`).FindAllStringSubmatch(string(page), -1)
	for _, also := range []string{"live", "morph", "actions", "plots"} {
		files = append(files, []string{"", "/assets/" + also + ".js"})
	}
	for _, f := range files {
		_, packed, plain := getPacked(t, f[1])
		if want := get(serverOf(example()), f[1]).Body.Bytes(); !bytes.Equal(plain, want) {
			t.Errorf("%s unpacks to %d bytes, want %d", f[1], len(plain), len(want))
		}
		total += packed
	}
	_, packed, _ := getPacked(t, "/now")
	total += packed
	t.Logf("%d bytes compressed", total)
	if total > 150_000 || total < 20_000 {
		t.Errorf("the page takes %d bytes compressed, want at most 150000 and all of it counted", total)
	}
}

func TestAnUnchangedAssetIsNotSentAgain(t *testing.T) {
	s := serverOf(example())
	tag := get(s, "/assets/page.css").Header().Get("ETag")
	r := httptest.NewRequest(http.MethodGet, "/assets/page.css", nil)
	r.Header.Set("If-None-Match", tag)
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	if tag == "" || w.Code != http.StatusNotModified || w.Body.Len() != 0 {
		t.Errorf("ETag %q: %d with %d bytes", tag, w.Code, w.Body.Len())
	}
	for _, path := range []string{"/assets/", "/assets/none.js", "/assets/../page.html", "/page.html"} {
		if w := get(s, path); w.Code == http.StatusOK {
			t.Errorf("GET %s: %d", path, w.Code)
		}
	}
}
