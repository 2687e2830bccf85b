package reflector

import (
	"io"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"testing"
	"time"

	"candlemark/probes/stamp"
)

func TestServerAsksForItsToken(t *testing.T) {
	s, web, _ := serve(t, ServerConfig{})
	for name, c := range map[string]struct {
		path, token string
		want        int
	}{
		"no token":         {pathSmall, "", 401},
		"another":          {pathSmall, "fedcba9876543210", 401},
		"part of it":       {pathSmall, testToken[:15], 401},
		"its own":          {pathSmall, testToken, 200},
		"source without":   {pathSource + "?bytes=1000000", "", 401},
		"no such path":     {"/", testToken, 404},
		"path without":     {"/", "", 401},
		"wrong number":     {pathSource + "?bytes=-1", testToken, 400},
		"unknown run":      {pathReport + "?run=0123456789", testToken, 404},
		"sink by GET":      {pathSink, testToken, 405},
		"source, one byte": {pathSource + "?bytes=1", testToken, 200},
	} {
		resp := ask(t, http.MethodGet, web+c.path, c.token)
		if resp.StatusCode != c.want {
			t.Errorf("%s: %s, want %d", name, resp.Status, c.want)
		}
		if resp.StatusCode == 401 && resp.ContentLength > 200 {
			t.Errorf("%s: %d bytes for a stranger", name, resp.ContentLength)
		}
	}
	if c := s.Counts(); c.BytesOut != 1 || c.Refused != 9 {
		t.Errorf("%+v", c)
	}
}

func TestServerGivesWhatWasAskedForUpToItsBounds(t *testing.T) {
	s, web, _ := serve(t, ServerConfig{MaxBytes: 300_000, BytesADay: 500_000})
	for i, want := range []int64{100_000, 300_000, 100_000} { // the third has what is left of the day
		resp := ask(t, http.MethodGet, web+pathSource+"?bytes="+strconv.Itoa([]int{100_000, 1_000_000, 1_000_000}[i]), testToken)
		n, err := io.Copy(io.Discard, resp.Body)
		if err != nil || n != want || resp.ContentLength != want || resp.Header.Get(headerCongestion) != "cubic" {
			t.Errorf("request %d: %d bytes of %d, %v, %v", i, n, want, err, resp.Header)
		}
	}
	if resp := ask(t, http.MethodGet, web+pathSource+"?bytes=1", testToken); resp.StatusCode != http.StatusTooManyRequests {
		t.Errorf("with the day used up: %s", resp.Status)
	}
	s.begun = s.begun.Add(-day)
	if resp := ask(t, http.MethodGet, web+pathSource+"?bytes=1", testToken); resp.StatusCode != http.StatusOK {
		t.Errorf("a day later: %s", resp.Status)
	}
}

func TestSinkCountsAndStopsAtItsBounds(t *testing.T) {
	s, web, _ := serve(t, ServerConfig{MaxBytes: 200_000, BytesADay: 300_000})
	post := func(n int) int {
		req, _ := http.NewRequestWithContext(t.Context(), http.MethodPost, web+pathSink, strings.NewReader(strings.Repeat("x", n)))
		req.Header.Set("Authorization", "Bearer "+testToken)
		tr := &http.Transport{DisableKeepAlives: true}
		resp, err := tr.RoundTrip(req)
		if err != nil {
			return 0 // cut off while sending
		}
		resp.Body.Close()
		return resp.StatusCode
	}
	if got := post(150_000); got != http.StatusNoContent {
		t.Errorf("150 kB: %d", got)
	}
	if got := post(250_000); got == http.StatusNoContent {
		t.Error("250 kB passed a bound of 200 kB")
	}
	if c := s.Counts(); c.BytesIn > 300_000 || c.BytesIn < 290_000 {
		t.Errorf("%d bytes taken of 300,000 a day", c.BytesIn)
	}
}

func TestServerBoundsTransfersAndConnectionsAtOnce(t *testing.T) {
	s, web, _ := serve(t, ServerConfig{Streams: 1, RateBitS: 1e6})
	first := ask(t, http.MethodGet, web+pathSource+"?bytes=10000000", testToken)
	if first.StatusCode != 200 {
		t.Fatal(first.Status)
	}
	if second := ask(t, http.MethodGet, web+pathSource+"?bytes=1", testToken); second.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("a second transfer: %s", second.Status)
	}
	first.Body.Close()
	var conns []net.Conn
	for range mostConns + 20 {
		c, err := net.Dial("tcp", strings.TrimPrefix(web, "http://"))
		if err != nil {
			t.Fatal(err)
		}
		conns = append(conns, c)
	}
	for _, c := range conns {
		defer c.Close()
	}
	deadline := time.Now().Add(3 * time.Second)
	for s.Counts().Dropped < 20 && time.Now().Before(deadline) {
		time.Sleep(5 * ms)
	}
	if got := s.Counts().Dropped; got < 18 || got > 22 { // the first requests' connections may linger
		t.Errorf("%d of %d connections dropped", got, len(conns))
	}
}

func TestServerStopsWhileItIsBusy(t *testing.T) {
	_, web, packets := serve(t, ServerConfig{RateBitS: 5e6}) // the clean-up checks that it ends in time
	if resp := ask(t, http.MethodGet, web+pathSource+"?bytes=100000000", testToken); resp.StatusCode != 200 {
		t.Fatal(resp.Status)
	}
	c, err := net.Dial("udp", packets)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	c.Write(make([]byte, 44))
	c.SetReadDeadline(time.Now().Add(2 * time.Second))
	if n, err := c.Read(make([]byte, 100)); err != nil || n != 44 {
		t.Errorf("%d octets, %v", n, err)
	}
}

func TestServerConfigIsChecked(t *testing.T) {
	good := testServer(ServerConfig{})
	if _, err := NewServer(good); err != nil {
		t.Error(err)
	}
	for name, spoil := range map[string]func(*ServerConfig){
		"a short token":    func(c *ServerConfig) { c.Token = "x" },
		"no list, no key":  func(c *ServerConfig) { c.STAMP = stamp.ReflectorConfig{} },
		"negative bytes":   func(c *ServerConfig) { c.MaxBytes = -1 },
		"a rate too small": func(c *ServerConfig) { c.RateBitS = 1 },
		"a short STAMP key": func(c *ServerConfig) {
			c.STAMP = stamp.ReflectorConfig{Key: []byte("x"), Allow: []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8")}}
		},
	} {
		cfg := good
		spoil(&cfg)
		if _, err := NewServer(cfg); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestRunsAreBounded(t *testing.T) {
	r := newRuns()
	now := time.Now()
	for i := range 3 * mostRuns {
		r.of("run-number-"+strconv.Itoa(i), now.Add(time.Duration(i)*time.Second)).received(1)
	}
	if len(r.table) != mostRuns {
		t.Errorf("%d runs", len(r.table))
	}
	if _, ok := r.report("run-number-0"); ok {
		t.Error("the oldest is still there")
	}
	if rep, ok := r.report("run-number-" + strconv.Itoa(3*mostRuns-1)); !ok || rep.Received != 1 {
		t.Errorf("the newest: %+v, %v", rep, ok)
	}
	if r.of("short", now) != nil || r.of(strings.Repeat("x", 65), now) != nil {
		t.Error("an identifier of impossible length was kept")
	}
}
