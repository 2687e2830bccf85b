package reflector

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"

	"candlemark/probes"
	"candlemark/probes/stamp"
)

// head hears the request out and promises a million bytes.
func head(c net.Conn) {
	http.ReadRequest(bufio.NewReader(c)) // an answer before it is no answer to the client
	fmt.Fprint(c, "HTTP/1.1 200 OK\r\nContent-Type: application/octet-stream\r\nContent-Length: 1000000\r\n\r\n")
}

func TestTryTellsWhatAProbeWouldMeetForNextToNoData(t *testing.T) {
	s, web, packets := serve(t, ServerConfig{})
	stranger := stamp.ReflectorConfig{Allow: []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24")}}
	_, mute, deaf := serve(t, ServerConfig{STAMP: stranger})
	hung := raw(t, func(c net.Conn) { io.Copy(io.Discard, c) })
	drip := raw(t, func(c net.Conn) {
		head(c)
		for {
			if _, err := c.Write([]byte{0}); err != nil {
				return
			}
			time.Sleep(50 * ms)
		}
	})
	vanishing := raw(t, func(c net.Conn) { // after the head
		head(c)
	})
	endless := httptest.NewServer(source(100e6))
	t.Cleanup(endless.Close)
	portal := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprintf(w, "<html>%s</html>", strings.Repeat("please sign in ", 10_000))
	}))
	t.Cleanup(portal.Close)
	short := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", typeNoise)
		w.Write(make([]byte, 1000))
	}))
	t.Cleanup(short.Close)
	for name, c := range map[string]struct {
		cfg  Config
		want string // in the error; "" is none
	}{
		"a reflector":                         {Config{Reflector: web, STAMP: stampTo(packets)}, ""},
		"a reflector that answers no packets": {Config{Reflector: mute, STAMP: stampTo(deaf)}, "no STAMP packet is answered"},
		"the wrong token":                     {Config{Reflector: web, Token: "fedcba9876543210"}, "401"},
		"a hung one":                          {Config{Reflector: hung}, "within 5s"},
		"a portal in its place":               {Config{Reflector: portal.URL}, "sign-in page"},
		"a source":                            {Config{Source: endless.URL}, ""},
		"a portal in the source's place":      {Config{Source: portal.URL}, "sign-in page"},
		"a source of little":                  {Config{Source: short.URL}, "1000 bytes instead of test data"},
		"a dripping source":                   {Config{Source: drip}, "within 5s"},
		"a vanishing source":                  {Config{Source: vanishing}, "after 0 bytes"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c.cfg.Name, c.cfg.Section, c.cfg.Down = "near", probes.Hop, true
			if c.cfg.Reflector != "" && c.cfg.Token == "" {
				c.cfg.Token = testToken
			}
			begun := time.Now()
			took, err := Try(t.Context(), c.cfg)
			if time.Since(begun) > 8*time.Second {
				t.Errorf("took %v", time.Since(begun))
			}
			if c.want == "" && (err != nil || took <= 0) || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
				t.Errorf("%v, %v; want %q", took, err, c.want)
			}
		})
	}
	t.Cleanup(func() {
		if n := s.Counts().BytesOut; n > 10_000 {
			t.Errorf("%d bytes of test data were asked for", n)
		}
	})
	if _, err := Try(t.Context(), Config{Name: "near", Section: probes.Hop, Down: true, Reflector: mute, Token: testToken, STAMP: stampTo(deaf)}); !errors.Is(err, ErrNoPackets) {
		t.Errorf("%v", err)
	}
}
