package main

import (
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// goodAnswer is the most that a good client's answer may take at the median while
// others misuse the port, beyond what the same client waits at the same time for a
// second program that nobody misuses: a busy machine, and those who misuse it are
// busy too, keeps both waiting.
const (
	goodAnswer  = 100 * time.Millisecond
	memoryLimit = 64 // MiB, MemoryMax of deploy/systemd/candlemark.service
)

// Whoever misuses the port gets slow or no answers himself; a good client goes on
// being answered, commands by wrong tokens do nothing, and memory stays bounded.
func TestMisuseOfThePortHurtsNobodyElse(t *testing.T) {
	if testing.Short() {
		t.Skip("measures the static program, of which the race detector sees nothing")
	}
	token := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(token, []byte("0123456789abcdef\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	p := runProgram(t, feedConfig+"actions: {token_file: "+token+"}\n", nil)
	p.waitFor("a reading", startWithin, func() bool { code, _ := p.get("/health"); return code == http.StatusOK })
	addr := strings.TrimPrefix(p.url, "http://")
	beside := runProgram(t, feedConfig, nil)
	beside.waitFor("a reading", startWithin, func() bool { code, _ := beside.get("/health"); return code == http.StatusOK })
	for _, c := range []struct {
		name   string
		many   int
		attack func(ctx context.Context) error
	}{
		{"slow-loris: headers that never end", 500, func(ctx context.Context) error { return drip(ctx, addr, "GET / HTTP/1.1\r\nHost: a\r\nX-Slow: ") }},
		{"bodies that never end", 300, func(ctx context.Context) error {
			return drip(ctx, addr, "POST /actions/note HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\nCandlemark-Who: x\r\nCandlemark-Token: 0123456789abcdef\r\nContent-Length: 8000\r\n\r\n{")
		}},
		{"clients that do not read", 40, func(ctx context.Context) error { return deafen(ctx, addr) }},
		{"headers and bodies beyond all size", 20, func(ctx context.Context) error { return oversize(ctx, addr) }},
		{"bytes that are no HTTP", 20, func(ctx context.Context) error { return garble(ctx, addr) }},
		{"wrong tokens", 10, func(ctx context.Context) error { return guess(ctx, p.url) }},
		{"parallel scrapes", 200, func(ctx context.Context) error { return scrapes(ctx, p.url) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			ctx, stop := context.WithCancel(t.Context())
			var crowd sync.WaitGroup
			for range c.many {
				crowd.Go(func() {
					for ctx.Err() == nil {
						if err := c.attack(ctx); err != nil && ctx.Err() == nil {
							t.Error(err)
							return
						}
					}
				})
			}
			time.Sleep(200 * time.Millisecond) // until all are at it
			median, idle, failed := goodClient(t, p.url, beside.url, 700*time.Millisecond)
			// Who is kept waiting by the misuse is kept waiting again.
			for again := 0; median > goodAnswer+idle && failed == 0 && again < 2; again++ {
				median, idle, failed = goodClient(t, p.url, beside.url, 700*time.Millisecond)
			}
			resident := p.residentMiB()
			stop()
			crowd.Wait()
			t.Logf("%d of them: a good client is answered within %s at the median (by an idle program within %s); %d MiB resident", c.many, median, idle, resident)
			if median > goodAnswer+idle {
				t.Errorf("a good client is answered within %s at the median, want %s at most beyond the %s of an idle program", median, goodAnswer, idle)
			}
			if failed > 0 {
				t.Errorf("%d requests of a good client failed", failed)
			}
			if resident > memoryLimit {
				t.Errorf("%d MiB resident, want %d at most", resident, memoryLimit)
			}
		})
	}
	if strings.Contains(p.out.String(), "guessed") {
		t.Error("a note by a wrong token was taken")
	}
	p.stop(syscall.SIGTERM)
	beside.stop(syscall.SIGTERM)
}

// goodClient asks as a phone and a scraper do, a connection each time, and says how
// long an answer takes at the median, how long one of the other program, and how many
// failed.
func goodClient(t *testing.T, url, other string, during time.Duration) (median, beside time.Duration, failed int) {
	t.Helper()
	client := http.Client{Timeout: 20 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	ask := func(url string) time.Duration {
		began := time.Now()
		resp, err := client.Get(url)
		if err == nil {
			_, err = io.Copy(io.Discard, resp.Body)
			resp.Body.Close()
		}
		if err != nil || resp.StatusCode != http.StatusOK {
			failed++
			t.Logf("%s: %v", url, err)
		}
		return time.Since(began)
	}
	var took, idle []time.Duration
	for end := time.Now().Add(during); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		path := []string{"/", "/health", "/metrics"}[len(took)%3]
		took, idle = append(took, ask(url+path)), append(idle, ask(other+path))
	}
	slices.Sort(took)
	slices.Sort(idle)
	return took[len(took)/2], idle[len(idle)/2], failed
}

// residentMiB is the program's memory, of proc_pid_status(5).
func (p *process) residentMiB() int {
	p.t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.pid))
	if err != nil {
		p.t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			kib, err := strconv.Atoi(strings.Fields(rest)[0])
			if err != nil {
				p.t.Fatal(err)
			}
			return kib >> 10
		}
	}
	p.t.Fatal("no VmRSS")
	return 0
}

// dial opens a connection that ends with ctx. A server that is full may refuse.
func dial(ctx context.Context, addr string) net.Conn {
	c, err := (&net.Dialer{Timeout: 5 * time.Second}).DialContext(ctx, "tcp", addr)
	if err != nil {
		select {
		case <-ctx.Done():
		case <-time.After(10 * time.Millisecond):
		}
		return nil
	}
	context.AfterFunc(ctx, func() { c.Close() })
	return c
}

// drip sends a beginning and then a byte now and then until it is thrown out.
func drip(ctx context.Context, addr, beginning string) error {
	c := dial(ctx, addr)
	if c == nil {
		return nil
	}
	defer c.Close()
	if _, err := io.WriteString(c, beginning); err != nil {
		return nil
	}
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(100 * time.Millisecond):
		}
		if _, err := c.Write([]byte("x")); err != nil {
			return nil // thrown out
		}
	}
}

// deafen asks for much at once and reads nothing.
func deafen(ctx context.Context, addr string) error {
	c := dial(ctx, addr)
	if c == nil {
		return nil
	}
	defer c.Close()
	_, _ = io.WriteString(c, strings.Repeat("GET /metrics HTTP/1.1\r\nHost: a\r\n\r\n", 100))
	<-ctx.Done()
	return nil
}

func oversize(ctx context.Context, addr string) error {
	for _, beginning := range []string{
		"GET / HTTP/1.1\r\nHost: a\r\nX-Large: ",
		"GET /",
		"POST /actions/note HTTP/1.1\r\nHost: a\r\nContent-Type: application/json\r\nCandlemark-Who: x\r\nCandlemark-Token: 0123456789abcdef\r\nContent-Length: 100000000\r\n\r\n{\"text\":\"",
	} {
		c := dial(ctx, addr)
		if c == nil {
			return nil
		}
		_, _ = io.WriteString(c, beginning)
		_, _ = io.WriteString(c, strings.Repeat("x", 4<<20)) // ends early when it is thrown out
		_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
		status := make([]byte, 12)
		_, err := io.ReadFull(c, status)
		c.Close()
		if err == nil && string(status) != "HTTP/1.1 431" && string(status) != "HTTP/1.1 413" && string(status) != "HTTP/1.1 400" {
			return fmt.Errorf("what is beyond all size is answered %q", status)
		}
	}
	return nil
}

func garble(ctx context.Context, addr string) error {
	c := dial(ctx, addr)
	if c == nil {
		return nil
	}
	defer c.Close()
	noise := make([]byte, 2000)
	_, _ = rand.Read(noise)
	_, _ = c.Write(append(noise, "\r\n\r\n"...))
	_ = c.SetReadDeadline(time.Now().Add(5 * time.Second))
	status := make([]byte, 12)
	if _, err := io.ReadFull(c, status); err == nil && string(status) != "HTTP/1.1 400" && string(status) != "HTTP/1.1 431" && string(status) != "HTTP/1.1 505" {
		return fmt.Errorf("noise is answered %q", status)
	}
	return nil
}

func guess(ctx context.Context, url string) error {
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, url+"/actions/note", strings.NewReader(`{"text":"guessed"}`))
	if err != nil {
		return err
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Candlemark-Who", "guesser")
	r.Header.Set("Candlemark-Token", "0123456789abcdee")
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil // ended
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusUnauthorized && resp.StatusCode != http.StatusTooManyRequests {
		return fmt.Errorf("a wrong token is answered %s", resp.Status)
	}
	return nil
}

func scrapes(ctx context.Context, url string) error {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"/metrics", nil)
	if err != nil {
		return err
	}
	r.Header.Set("Accept-Encoding", "gzip") // and is left as it comes: the scraper's own work is not to be measured
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil // ended, or thrown out
	}
	defer resp.Body.Close()
	_, _ = io.Copy(io.Discard, resp.Body)
	return nil
}
