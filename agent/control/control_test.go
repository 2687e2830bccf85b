package control

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"candlemark/agent/feed"
	"candlemark/agent/handover"
	"candlemark/agent/journal"
	"candlemark/agent/pack"
	"candlemark/agent/status"
	"candlemark/agent/surveyor"
	"candlemark/probes"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestWhatIsSaidArrivesWithWhoSaidIt(t *testing.T) {
	f := &fake{}
	path, _ := start(t, f)
	c := dial(t, path)
	one, err1 := c.Swap(t.Context(), "router", "B2", false)
	two, err2 := c.Swap(t.Context(), "terminal", "", false)
	three, err3 := c.Note(t.Context(), "  rain has begun\n")
	if err := errors.Join(err1, err2, err3); err != nil {
		t.Fatal(err)
	}
	if got, want := strings.Join([]string{one, two, three}, "; "), "noted: pack B2 is now at router; noted: an unmarked pack is now at terminal; noted"; got != want {
		t.Errorf("answered %q, want %q", got, want)
	}
	who := fmt.Sprintf("uid %d", os.Getuid())
	if words, err := c.Feed(t.Context(), feed.Request{Do: feed.AskOff, For: 45 * time.Minute}); err != nil || words != "off in 1 min" {
		t.Errorf("the feed answered %q, %v", words, err)
	}
	if words, err := c.Acknowledge(t.Context(), "shut_terminal_down", "router", time.Minute); err != nil || words != "quiet for 5 min" {
		t.Errorf("the alarm answered %q, %v", words, err)
	}
	trials, err := c.TestAlarms(t.Context())
	if diff := cmp.Diff([]status.Trial{{Receiver: "hook", Answer: "answered 204"}, {Receiver: "mail", Fault: "no route"}}, trials); diff != "" || err != nil {
		t.Errorf("alarm test: %s %v", diff, err)
	}
	want := []string{`swap router "B2" by ` + who, `swap terminal "" by ` + who, `note "rain has begun" by ` + who, `feed off for 45m0s by ` + who,
		`acknowledge shut_terminal_down of "router" for 1m0s by ` + who,
		"alarm test by " + who}
	if diff := cmp.Diff(want, f.told); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}

func TestTheSnapshotAndTheRecordArriveWhole(t *testing.T) {
	wall := time.Date(2026, 2, 3, 4, 5, 6, 7, time.UTC)
	f := &fake{
		snap: status.Snapshot{
			Relay: "barn", Started: wall, ClockSet: true,
			Packs: []status.Pack{{Name: "router", Spec: pack.Spec{Chemistry: pack.LFP, SeriesCells: 4}, Forecast: pack.Forecast{State: pack.Discharging, Known: true, Expected: 90 * time.Minute}}},
			Targets: []status.Target{{Name: "out", Section: probes.Uplink, LastKnown: true,
				Last: probes.Result{Target: "out", Start: wall, Latency: &probes.LatencyStats{Sent: 10, Lost: 1, RTTs: []time.Duration{time.Millisecond}}}}},
			Journal: status.Journal{Path: "/j", Pending: 3},
			Feed:    &status.Feed{Pack: "terminal", View: feed.View{Switched: true, Mode: feed.ModeOff, ChangeIn: time.Minute, ChangeKnown: true}},
		},
		records: []journal.Record{{Seq: 7, Wall: wall, Boot: "b", Up: time.Minute, Kind: journal.KindNote, Text: "a", Data: []byte(`{"v":12.6}`)}},
	}
	path, _ := start(t, f)
	c := dial(t, path)
	snap, err := c.Snapshot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(f.snap, snap); diff != "" {
		t.Errorf("snapshot -want +got\n%s", diff)
	}
	filter := journal.Filter{Since: wall, AfterSeq: 6, Kinds: []journal.Kind{journal.KindNote}, Limit: 5}
	records, err := c.Records(t.Context(), filter)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(f.records, records); diff != "" {
		t.Errorf("record -want +got\n%s", diff)
	}
	if diff := cmp.Diff(filter, f.filter); diff != "" {
		t.Errorf("filter -want +got\n%s", diff)
	}
	if _, err := c.Records(t.Context(), journal.Filter{}); err != nil || f.filter.Limit != maxRecords {
		t.Errorf("an unlimited question was asked with limit %d, %v", f.filter.Limit, err)
	}
}

func TestAnErrorInTheSnapshotDoesNotSpoilIt(t *testing.T) {
	f := &fake{snap: status.Snapshot{Targets: []status.Target{{Name: "out", Last: probes.Result{Err: errors.New("x")}, LastError: "x"}}}}
	path, _ := start(t, f)
	snap, err := dial(t, path).Snapshot(t.Context())
	if err != nil || snap.Targets[0].LastError != "x" {
		t.Errorf("%+v, %v", snap, err)
	}
	if f.snap.Targets[0].Last.Err == nil {
		t.Error("the agent's own snapshot was changed")
	}
}

func TestRefusalsSayWhy(t *testing.T) {
	f := &fake{refuse: errors.New("the pack is being changed")}
	path, _ := start(t, f)
	c := dial(t, path)
	only := func(_ string, err error) error { return err }
	_, feedErr := c.Feed(t.Context(), feed.Request{Do: feed.AskOn})
	_, ackErr := c.Acknowledge(t.Context(), "link_down", "", 0)
	for _, tt := range []struct {
		name string
		err  error
		want string
	}{
		{"of an acknowledgement", ackErr, "refused: the pack is being changed"},
		{"by the feed", feedErr, "refused: the pack is being changed"},
		{"by the agent", only(c.Swap(t.Context(), "router", "", false)), "refused: the pack is being changed"},
		{"no such pack", only(c.Swap(t.Context(), "ruoter", "", false)), `refused: no pack is named "ruoter"; the packs are: router, terminal`},
		{"mark too long", only(c.Swap(t.Context(), "router", strings.Repeat("x", 65), false)), "refused: the mark is 65 bytes long; 64 are taken"},
		{"empty note", only(c.Note(t.Context(), " ")), "refused: the note is empty"},
		{"long note", only(c.Note(t.Context(), strings.Repeat("x", 5000))), "refused: the note is 5000 bytes long"},
		{"escape sequence in a note", only(c.Note(t.Context(), "a\x1b[2J")), "refused: the note holds characters that would upset a terminal"},
	} {
		if !errors.Is(tt.err, ErrRefused) || !strings.Contains(tt.err.Error(), tt.want) {
			t.Errorf("%s: %v, want %s", tt.name, tt.err, tt.want)
		}
	}
	if _, err := c.Note(t.Context(), strings.Repeat("x", maxBody)); err == nil || errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "too large") {
		t.Errorf("oversize: %v", err)
	}
	if _, err := c.Records(t.Context(), journal.Filter{}); err == nil || !strings.Contains(err.Error(), "being changed") {
		t.Errorf("records: %v", err)
	}
	f.mu.Lock()
	f.snap.Data.UsedToday, f.snap.Packs = 1, []status.Pack{{DischargedC: math.NaN()}}
	f.mu.Unlock()
	if _, err := c.Snapshot(t.Context()); err == nil || !strings.Contains(err.Error(), "NaN") {
		t.Errorf("a figure that has no JSON: %v", err)
	}
}

func TestNobodyThere(t *testing.T) {
	dir := t.TempDir()
	absent := filepath.Join(dir, "none.sock")
	stale := staleSocket(t, dir)
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{absent, stale, file} {
		if _, err := Dial(path); !errors.Is(err, ErrNoAgent) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v", path, err)
		}
	}
	if _, err := Dial(filepath.Join(dir, strings.Repeat("x", 120))); err == nil || errors.Is(err, ErrNoAgent) {
		t.Errorf("too long a path: %v", err)
	}
}

// staleSocket is what an agent leaves behind that was killed.
func staleSocket(t *testing.T, dir string) string {
	t.Helper()
	path := filepath.Join(dir, "stale.sock")
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	l.(*net.UnixListener).SetUnlinkOnClose(false)
	l.Close()
	return path
}

func TestTheSocketIsForOwnerAndGroupAndGoesWithTheAgent(t *testing.T) {
	path, stop := start(t, &fake{})
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o660 {
		t.Errorf("mode %v, %v", info.Mode(), err)
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the socket is still there: %v", err)
	}
}

func TestASocketIsTakenOverOnlyFromTheDead(t *testing.T) {
	living, _ := start(t, &fake{})
	if err := New(living, &fake{}).Run(t.Context()); !errors.Is(err, ErrInUse) {
		t.Errorf("a living agent's socket: %v", err)
	}
	if _, err := dial(t, living).Snapshot(t.Context()); err != nil {
		t.Errorf("the living agent no longer answers: %v", err)
	}

	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, []byte("precious"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := New(file, &fake{}).Run(t.Context()); err == nil || !strings.Contains(err.Error(), "no socket") {
		t.Errorf("a file: %v", err)
	}
	if data, err := os.ReadFile(file); err != nil || string(data) != "precious" {
		t.Errorf("the file is gone: %q %v", data, err)
	}
	if err := New(filepath.Join(dir, "none", "c.sock"), &fake{}).Run(t.Context()); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no directory: %v", err)
	}

	stale := staleSocket(t, dir)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- New(stale, &fake{}).Run(ctx) }()
	for deadline := time.Now().Add(5 * time.Second); ; time.Sleep(time.Millisecond) {
		if c, err := Dial(stale); err == nil {
			c.Close()
			break
		} else if time.Now().After(deadline) {
			t.Fatal(err)
		}
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

func TestARequestUnderWayIsFinishedWhenTheAgentStops(t *testing.T) {
	f := &fake{waiting: make(chan struct{}), release: make(chan struct{})}
	path, stop := start(t, f)
	c := dial(t, path)
	answered := make(chan error, 1)
	go func() { _, err := c.Note(t.Context(), "the last words"); answered <- err }()
	<-f.waiting
	time.AfterFunc(50*time.Millisecond, func() { close(f.release) })
	if err := stop(); err != nil {
		t.Error(err)
	}
	if err := <-answered; err != nil {
		t.Error(err)
	}
	if len(f.told) != 1 {
		t.Errorf("told %v", f.told)
	}
}

func TestNonsenseIsAnsweredAndIdlersDoNotShutOutOthersForLong(t *testing.T) {
	path, _ := start(t, &fake{})
	for _, tt := range []struct{ send, want string }{
		{"GET /nothing HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n", "404"},
		{"GET /actions/note HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n", "405"},
		{"POST /actions/note HTTP/1.1\r\nHost: a\r\nConnection: close\r\nContent-Length: 4\r\n\r\n{\"te", "400"},
		{"POST /actions/note HTTP/1.1\r\nHost: a\r\nConnection: close\r\nContent-Length: 9\r\n\r\n[1, 2, 3]", "400"},
		{"rubbish\r\n\r\n", "400"},
		{"GET / HTTP/1.1\r\nHost: a\r\nX: " + strings.Repeat("x", 20000) + "\r\n\r\n", "431"},
	} {
		conn, err := net.Dial("unix", path)
		if err != nil {
			t.Fatal(err)
		}
		// The far end may close before it has taken all of an oversize request.
		if _, err := conn.Write([]byte(tt.send)); err != nil && !errors.Is(err, syscall.EPIPE) {
			t.Fatal(err)
		}
		line := make([]byte, 12)
		if _, err := conn.Read(line); err != nil || !strings.HasSuffix(string(line), tt.want) {
			t.Errorf("%.20q: answered %q, %v, want %s", tt.send, line, err, tt.want)
		}
		conn.Close()
	}
	for range maxConnections { // each may be silent for headerTime
		conn, err := net.Dial("unix", path)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
	}
	began := time.Now()
	if _, err := dial(t, path).Snapshot(t.Context()); err != nil || time.Since(began) > 3*headerTime {
		t.Errorf("after %v: %v", time.Since(began), err)
	}
}

func TestManyClientsAtOnce(t *testing.T) {
	f := &fake{}
	path, _ := start(t, f)
	var work sync.WaitGroup
	for range 3 * maxConnections {
		work.Go(func() {
			c, err := Dial(path)
			if err != nil {
				t.Error(err)
				return
			}
			defer c.Close()
			if _, err := c.Snapshot(t.Context()); err != nil {
				t.Error(err)
			}
			if _, err := c.Note(t.Context(), "x"); err != nil {
				t.Error(err)
			}
		})
	}
	work.Wait()
	if len(f.told) != 3*maxConnections {
		t.Errorf("%d notes arrived", len(f.told))
	}
}

func TestSurveysAreAskedAndRead(t *testing.T) {
	f := &fake{}
	path, _ := start(t, f)
	c := dial(t, path)
	if words, err := c.Survey(t.Context(), surveyor.Request{Do: surveyor.Continue}); err != nil || words != "round 1" {
		t.Errorf("%q, %v", words, err)
	}
	if got, err := c.Surveys(t.Context()); err != nil || len(got) != 1 || got[0].Extend == nil || got[0].Extend.Rounds != 9 {
		t.Errorf("%+v, %v", got, err)
	}
	f.refuse = errors.New("the journal is damaged")
	if _, err := c.Surveys(t.Context()); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Error(err)
	}
}

func TestTheIncidentIsSetAndRead(t *testing.T) {
	f := &fake{}
	path, _ := start(t, f)
	c := dial(t, path)
	given := handover.Incident{Name: "Alder Ford flood", People: 40, From: time.Unix(1000, 0).UTC(), To: time.Unix(2000, 0).UTC()}
	if got, err := c.SetIncident(t.Context(), handover.Open, given); err != nil || got != given {
		t.Errorf("set: %+v, %v", got, err)
	}
	if got, err := c.Incident(t.Context()); err != nil || got != given {
		t.Errorf("read: %+v, %v", got, err)
	}
	if want := fmt.Sprintf(`open incident "Alder Ford flood" by uid %d`, os.Getuid()); len(f.told) != 1 || f.told[0] != want {
		t.Errorf("told %q, want %q", f.told, want)
	}
	f.refuse = errors.New("one is open already")
	if _, err := c.SetIncident(t.Context(), handover.Open, given); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "open already") {
		t.Errorf("a refusal came back as %v", err)
	}
}
