package reflector

import (
	"crypto/tls"
	"crypto/x509"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"candlemark/probes"
	"candlemark/probes/quality"
)

// Over loopback the rate is what the processor allows; limited by the server it is
// a known one.
func TestProbeOfALimitedReflector(t *testing.T) {
	_, web, packets := serve(t, ServerConfig{RateBitS: 80e6})
	r := probe(t, Config{Reflector: web, Down: true, Up: true, Streams: 2, MaxBytes: 100e6, STAMP: stampTo(packets), LinkBitS: 80e6})
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	s := r.Throughput
	for name, d := range map[string]*probes.Transfer{"down": s.DownDetail, "up": s.UpDetail} {
		t.Logf("%s: %.1f Mbit/s ± %.1f %%, %d bytes in %v, %+v", name, d.BitS/1e6, 100*d.HalfWidth, d.SpentBytes, d.Elapsed, d.TCP)
		if d.BitS < 60e6 || d.BitS > 100e6 { // a busy machine gives its tokens in lumps
			t.Errorf("%s: %.1f Mbit/s, want 80", name, d.BitS/1e6)
		}
		// A busy machine makes the rate uneven; then the budget ends the run, and it says so.
		if !d.HalfWidthKnown || !d.Steady || (d.StoppedBy == "known") != (d.HalfWidth <= 0.1) {
			t.Errorf("%s: %+v", name, d)
		}
		if d.Congestion != "cubic" || d.Streams != 2 {
			t.Errorf("%s: congestion control %q, %d streams", name, d.Congestion, d.Streams)
		}
		f := d.TCP // loopback's segments are of many sizes, which makes Bytes a little inexact
		if !f.BaselineKnown || !f.EfficiencyKnown || f.Efficiency < 0.9 || float64(f.SentBytes) < 0.95*float64(d.Bytes) || f.BDPBits <= 0 {
			t.Errorf("%s: %+v", name, f)
		}
		if !f.TimeRatioKnown || f.TransferTimeRatio < 0.8 || f.TransferTimeRatio > 1.6 {
			t.Errorf("%s: transfer time ratio %v", name, f.TransferTimeRatio)
		}
	}
	if s.Idle == nil || s.Idle.Sent != 20 || s.Idle.Lost != 0 || !s.IdleRTTKnown {
		t.Errorf("%+v", s)
	}
	if sum := s.DownDetail.SpentBytes + s.UpDetail.SpentBytes; r.Bytes < sum || r.Bytes > 100e6 {
		t.Errorf("%d bytes in all, the directions %d", r.Bytes, sum)
	}
}

func TestProbeUnderLoadOverTLS(t *testing.T) {
	double := httptest.NewUnstartedServer(nil)
	double.StartTLS()
	cert := double.TLS.Certificates[0]
	pool := x509.NewCertPool()
	pool.AddCert(double.Certificate())
	double.Close()
	_, web, packets := serve(t, ServerConfig{RateBitS: 40e6, TLS: &tls.Config{Certificates: []tls.Certificate{cert}}})
	r := probe(t, Config{
		Reflector: web, TLS: &tls.Config{RootCAs: pool}, Down: true, Up: true, Streams: 2, MaxBytes: 200e6,
		STAMP: stampTo(packets), Working: true, WorkingFor: time.Second,
	})
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	for name, d := range map[string]*probes.Transfer{"down": r.Throughput.DownDetail, "up": r.Throughput.UpDetail} {
		if d.Loaded == nil || d.Loaded.Sent < 100 || !d.Loaded.RTTKnown || d.Working == nil {
			t.Fatalf("%s: loaded %+v, working %+v", name, d.Loaded, d.Working)
		}
		w := d.Working
		if len(w.TCP) < 5 || len(w.TLS) != len(w.TCP) || len(w.HTTP) != len(w.TCP) || len(w.Loaded) < 3 {
			t.Errorf("%s: %d, %d, %d, %d delays", name, len(w.TCP), len(w.TLS), len(w.HTTP), len(w.Loaded))
		}
		if rpm, ok := quality.Respond(w); !ok || rpm.RPM <= 0 {
			t.Errorf("%s: responsiveness %+v, %v", name, rpm, ok)
		}
		if d.BitS < 34e6 || d.BitS > 45e6 {
			t.Errorf("%s: %v bit/s", name, d.BitS)
		}
	}
}

func TestByteBudgetIsNeverPassed(t *testing.T) {
	s, web, _ := serve(t, ServerConfig{})
	const budget = 2_000_000
	r := probe(t, Config{Reflector: web, Down: true, Up: true, MaxBytes: budget, Fixed: true})
	c := s.Counts()
	t.Logf("%d bytes stated, server %d out, %d in; %+v, %v", r.Bytes, c.BytesOut, c.BytesIn, r.Throughput, r.Err)
	if r.Bytes > budget || r.Bytes < budget/3 {
		t.Errorf("%d bytes stated for a budget of %d", r.Bytes, budget)
	}
	if sum := c.BytesOut + c.BytesIn; sum > budget || sum < budget/3 {
		t.Errorf("the server saw %d bytes for a budget of %d", sum, budget)
	}
}

// At 16 Mbit/s the figure is known after some 4 MB and 2 s; the budget ends the load in
// the middle of what is measured under it. That then goes on no longer, is not passed off as
// measured under load, and costs nothing beyond the budget.
func TestABudgetThatEndsTheLoad(t *testing.T) {
	s, web, packets := serve(t, ServerConfig{RateBitS: 16e6})
	const budget = 6_000_000
	r := probe(t, Config{Reflector: web, Down: true, MaxBytes: budget, STAMP: stampTo(packets), Working: true, WorkingFor: 10 * time.Second})
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	d, c := r.Throughput.DownDetail, s.Counts()
	t.Logf("%d bytes stated, server %d out, %d in, %d requests; %v, stopped by %s", r.Bytes, c.BytesOut, c.BytesIn, c.Requests, r.Elapsed, d.StoppedBy)
	if d.StoppedBy != stopBudget || d.Loaded != nil || d.Working != nil || !strings.Contains(d.LoadedWhy, "(byte_budget)") {
		t.Errorf("stopped by %s, loaded %v, working %v, %q", d.StoppedBy, d.Loaded != nil, d.Working != nil, d.LoadedWhy)
	}
	if r.Elapsed > 7*time.Second {
		t.Errorf("took %v", r.Elapsed)
	}
	if r.Bytes > budget || c.BytesOut > budget {
		t.Errorf("%d bytes stated, %d seen by the server, for a budget of %d", r.Bytes, c.BytesOut, budget)
	}
}

func TestAnyHTTPSourceCanBeMeasured(t *testing.T) {
	double := httptest.NewServer(source(20e6))
	defer double.Close()
	r := probe(t, Config{Source: double.URL + "/big.bin", Down: true, MaxBytes: 100e6})
	if r.Err != nil {
		t.Fatal(r.Err)
	}
	d := r.Throughput.DownDetail
	t.Logf("%.1f Mbit/s, %+v", d.BitS/1e6, d)
	if d.BitS < 15e6 || d.BitS > 25e6 || d.Congestion != "" || d.TCP.EfficiencyKnown || r.Throughput.UpKnown {
		t.Errorf("%+v", d)
	}
}

func TestConfigOfTheProbeIsChecked(t *testing.T) {
	good := Config{Name: "x", Section: probes.Hop, Reflector: "http://192.0.2.1:18621", Token: testToken, Down: true}
	if _, err := New(good); err != nil {
		t.Error(err)
	}
	for name, spoil := range map[string]func(*Config){
		"no name":               func(c *Config) { c.Name = "" },
		"no section":            func(c *Config) { c.Section = "" },
		"neither":               func(c *Config) { c.Reflector = "" },
		"both":                  func(c *Config) { c.Source = "http://192.0.2.1/" },
		"a short token":         func(c *Config) { c.Token = "x" },
		"no direction":          func(c *Config) { c.Down = false },
		"a source up":           func(c *Config) { c.Reflector, c.Source, c.Up = "", "http://192.0.2.1/", true },
		"a path":                func(c *Config) { c.Reflector += "/x" },
		"another scheme":        func(c *Config) { c.Reflector = "ftp://192.0.2.1" },
		"a password in the URL": func(c *Config) { c.Reflector = "http://a:b@192.0.2.1" },
		"too many streams":      func(c *Config) { c.Streams = 17 },
		"too few bytes":         func(c *Config) { c.MaxBytes = 1 },
		"too long":              func(c *Config) { c.Deadline = time.Hour },
		"a negative rate":       func(c *Config) { c.LinkBitS = -1 },
		"a bad STAMP key":       func(c *Config) { c.STAMP = stampTo("192.0.2.1"); c.STAMP.Key = []byte("x") },
	} {
		cfg := good
		spoil(&cfg)
		if _, err := New(cfg); err == nil {
			t.Errorf("%s: accepted", name)
		} else if !strings.HasPrefix(err.Error(), "reflector probe") {
			t.Errorf("%s: %v does not say where", name, err)
		}
	}
}
