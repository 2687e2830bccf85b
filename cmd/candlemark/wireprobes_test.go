package main

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"candlemark/agent/config"
	"candlemark/probes"
	"candlemark/probes/quality"
)

const probesOnly = "relay: r\n"

func parsed(t *testing.T, text string) *config.Config {
	t.Helper()
	c, err := config.Parse([]byte(probesOnly+text), "f", checkProbes)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// The defaults of the file and those of the judge are written down twice, for the
// reference and for who uses the judge alone: they must be the same.
func TestNeedsLeftOutAreTheJudgesOwnWithTheirSources(t *testing.T) {
	got := needs(parsed(t, "services: [{name: s, resolve: host.example}]\n").Fit)
	if diff := cmp.Diff(quality.DefaultNeeds(), got, cmpopts.EquateApprox(1e-12, 0)); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
	changed := needs(parsed(t, "services: [{name: s, resolve: host.example}]\nfit: {voice: {loss: [2%, 5%], source: our own drill}, file_transfer: {size: 1MB}}\n").Fit)
	want := quality.DefaultNeeds()
	want.Voice.LossRatio = quality.Need{Preferred: 0.02, Limit: 0.05, Source: "our own drill"}
	want.FileMove.Bytes = 1e6
	if diff := cmp.Diff(want, changed, cmpopts.EquateApprox(1e-12, 0)); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}

func TestASecretIsReadAtEachProbeAndItsFaultNamesTheFileAlone(t *testing.T) {
	asked := make(chan string, 100)
	far := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked <- r.Header.Get("Authorization")
		http.Error(w, "no", http.StatusUnauthorized)
	}))
	defer far.Close()
	token := filepath.Join(t.TempDir(), "token")
	prs, err := probers(parsed(t, "throughput: [{name: w, section: hop, reflector: \""+far.URL+"\", token_file: "+token+"}]\n"))
	if err != nil {
		t.Fatal(err)
	}
	probe := func(want string) {
		t.Helper()
		r := prs["w"].Probe(t.Context())
		if r.Err == nil || !strings.Contains(r.Err.Error(), want) || r.Target != "w" || r.Section != probes.Hop || r.Kind != probes.Throughput {
			t.Errorf("got %+v, want an error with %q", r, want)
		}
		if r.Err != nil && strings.Contains(r.Err.Error(), "0123456789abcdef") {
			t.Errorf("the secret is in the error: %v", r.Err)
		}
	}
	write := func(text string, mode os.FileMode) {
		t.Helper()
		if err := os.WriteFile(token, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(token, mode); err != nil {
			t.Fatal(err)
		}
	}
	probe("no such file")
	write("0123456789abcdef\n", 0o644)
	probe("chmod 640")
	write("short\n", 0o600)
	probe("a token of 5 octets")
	if len(asked) > 0 {
		t.Error("something was sent without a secret")
	}
	write("0123456789abcdef\n", 0o600)
	probe("401")
	if got := <-asked; got != "Bearer 0123456789abcdef" {
		t.Errorf("asked with %q", got)
	}
}

func TestEveryKindOfProbeIsMadeAndScheduled(t *testing.T) {
	c, err := config.Parse(config.Example(), "example", checkProbes)
	if err != nil {
		t.Fatal(err)
	}
	s := setup(c, "x")
	kinds := map[probes.Kind]int{}
	for _, item := range s.Schedule.Items {
		kinds[item.Kind]++
	}
	if kinds[probes.Latency] != 4 || kinds[probes.Throughput] != 3 || kinds[probes.Service] != 3 {
		t.Errorf("scheduled %v", kinds)
	}
	prs, err := probers(c)
	if err != nil || len(prs) != 10 {
		t.Errorf("%d probers, %v", len(prs), err)
	}
	cfg := reflectorConfig(c.Throughput[1], probeFiles{token: "t", key: []byte("k")})
	if cfg.STAMP.Address != "192.0.2.7:18620" || string(cfg.STAMP.Key) != "k" || !cfg.Working || cfg.WorkingFor != 4*time.Second || cfg.LinkBitS != 100e6 || cfg.Token != "t" {
		t.Errorf("reflector: %+v", cfg)
	}
}

func TestWhatOnlyTheProbeCanJudgeIsFoundWhenTheFileIsChecked(t *testing.T) {
	const faulty = "throughput:\n  - {name: w, source: \"http://host.example/%zz\", up: false}\nservices:\n  - {name: s, page: \"https://host.example/\", marker: \"" + "long" + "\", byte_limit: 3B}\n"
	_, err := config.Parse([]byte(probesOnly+faulty), "f", checkProbes)
	if err == nil || !strings.Contains(err.Error(), "throughput[0].source") || !strings.Contains(err.Error(), "services[0].marker") || strings.Count(err.Error(), "\n") != 1 {
		t.Errorf("got %v, want the two faults and no more", err)
	}
}
