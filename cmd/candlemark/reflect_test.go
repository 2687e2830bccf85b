package main

import (
	"bytes"
	"context"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"candlemark/probes"
	"candlemark/probes/reflector"
	"candlemark/probes/stamp"
)

func TestReflectServesBothKindsOfProbeAndStopsInOrder(t *testing.T) {
	t.Parallel()
	token := filepath.Join(t.TempDir(), "reflector.token")
	p := launch(t, nil, "reflect", "--token-file", token, "--new-token", "--allow", "127.0.0.1",
		"--http", "127.0.0.1:0", "--stamp", "127.0.0.1:0", "--max-rate", "40Mbit/s")
	packets := "127.0.0.1:" + p.waitSaid(`method: stamp, address: "127\.0\.0\.1", port: (\d+)`)[1]
	web := p.waitSaid(`reflector: "(http://127\.0\.0\.1:\d+)", token_file: /etc/candlemark/reflector\.token`)[1]
	_, printed, _ := strings.Cut(p.out.String(), "with a copy of the token file there:\n")
	c := parsed(t, strings.NewReplacer("/etc/candlemark", filepath.Dir(token)).Replace(printed)+"data: {per_day: 1GB}\n")
	info, err := os.Stat(token)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Fatalf("token file %v, %v", info, err)
	}
	secret, err := os.ReadFile(token)
	if err != nil || strings.Contains(p.out.String(), strings.TrimSpace(string(secret))) {
		t.Fatalf("the token was printed, or %v", err)
	}

	sender, err := stamp.NewProber(stamp.Config{Name: "near", Section: probes.Hop, Address: packets, Count: 5, Interval: 5 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	if r := sender.Probe(t.Context()); r.Err != nil || r.Latency.Lost != 0 || !r.Latency.Forth.LossKnown {
		t.Errorf("STAMP: %+v, %v", r.Latency, r.Err)
	}
	prs, err := probers(c)
	if err != nil {
		t.Fatal(err)
	}
	if r := prs["near"].Probe(t.Context()); r.Err != nil || r.Latency.Lost != 0 {
		t.Errorf("as printed, STAMP: %+v, %v", r.Latency, r.Err)
	}
	rate, err := reflector.New(reflector.Config{Name: "near", Section: probes.Hop, Reflector: web, Token: strings.TrimSpace(string(secret)), Down: true})
	if err != nil {
		t.Fatal(err)
	}
	if r := rate.Probe(t.Context()); r.Err != nil || r.Throughput.Down < 25e6 || r.Throughput.Down > 50e6 {
		t.Errorf("throughput: %+v, %v", r.Throughput, r.Err)
	}
	if resp, err := http.Get(web + "/v1/small"); err != nil || resp.StatusCode != http.StatusUnauthorized {
		t.Errorf("without the token: %v, %v", resp, err)
	} else {
		resp.Body.Close()
	}
	p.stop(syscall.SIGTERM)
	if said := p.out.String(); !strings.Contains(said, "reflector ended: 15 packets answered, 0 dropped") {
		t.Errorf("at the end: %s", said)
	}
}

func TestReflectSaysWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		return path
	}
	good := write("good", "0123456789abcdef0123\n", 0o600)
	for name, c := range map[string]struct {
		args []string
		code int
		want string
	}{
		"no token file":     {[]string{"--allow", "10.0.0.0/8"}, exitUsage, `"token-file" not set`},
		"nobody":            {[]string{"--token-file", good}, exitUsage, "whom should STAMP answer"},
		"not a network":     {[]string{"--token-file", good, "--allow", "attic"}, exitUsage, "not a network"},
		"no such file":      {[]string{"--token-file", dir + "/none", "--allow", "10.0.0.0/8"}, exitFailure, "--new-token makes one"},
		"read by others":    {[]string{"--token-file", write("open", "0123456789abcdef", 0o644), "--allow", "10.0.0.0/8"}, exitFailure, "chmod 600"},
		"a short token":     {[]string{"--token-file", write("short", "x", 0o600), "--allow", "10.0.0.0/8"}, exitUsage, "token of 1 octets"},
		"two words":         {[]string{"--token-file", write("two", "0123456789 abcdef", 0o600), "--allow", "10.0.0.0/8"}, exitFailure, "more than one word"},
		"a long file":       {[]string{"--token-file", write("long", strings.Repeat("x", 2000), 0o600), "--allow", "10.0.0.0/8"}, exitFailure, "not the file meant"},
		"a short key":       {[]string{"--token-file", good, "--key-file", write("key", "x", 0o600)}, exitUsage, "key of 1 octets"},
		"a rate, no unit":   {[]string{"--token-file", good, "--allow", "10.0.0.0/8", "--max-rate", "50"}, exitUsage, "like 50Mbit/s"},
		"a tiny day":        {[]string{"--token-file", good, "--allow", "10.0.0.0/8", "--per-day", "1kB"}, exitUsage, "below 1MB"},
		"half a TLS":        {[]string{"--token-file", good, "--allow", "10.0.0.0/8", "--tls-cert", good}, exitUsage, "go together"},
		"no certificate":    {[]string{"--token-file", good, "--allow", "10.0.0.0/8", "--tls-cert", good, "--tls-key", good}, exitFailure, "--tls-cert"},
		"no transfers":      {[]string{"--token-file", good, "--allow", "10.0.0.0/8", "--transfers", "0"}, exitUsage, "above zero"},
		"an impossible end": {[]string{"--token-file", good, "--allow", "10.0.0.0/8", "--http", "127.0.0.1:99999"}, exitFailure, "--http"},
		"an argument":       {[]string{"x", "--token-file", good}, exitUsage, "takes no argument"},
	} {
		var out, errs bytes.Buffer
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		code := execute(ctx, append([]string{"reflect"}, c.args...), &out, &errs)
		cancel()
		if code != c.code || !strings.Contains(errs.String(), c.want) {
			t.Errorf("%s: code %d, %q; want %d, %q", name, code, errs.String(), c.code, c.want)
		}
	}
}

func TestSizesOfTheCommandLine(t *testing.T) {
	for text, want := range map[string]float64{"5GB": 5e9, "1.5 MB": 1.5e6, "0B": 0, "20kB": 20e3} {
		if got, err := scaled("--x", text, "B"); err != nil || got != want {
			t.Errorf("%s: %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "5", "B", "-1B", "NaNB", "InfB", "5GiB", "5XB", "1e30B"} {
		if got, err := scaled("--x", text, "B"); err == nil {
			t.Errorf("%q: %v", text, got)
		}
	}
}
