package control

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"candlemark/agent/feed"
	"candlemark/agent/handover"
	"candlemark/agent/journal"
	"candlemark/agent/status"
	"candlemark/agent/surveyor"
	"candlemark/probes/survey"
)

// fake is an agent that remembers what it was told.
type fake struct {
	mu      sync.Mutex
	told    []string
	snap    status.Snapshot
	refuse  error
	filter  journal.Filter
	records []journal.Record
	frame   handover.Incident
	waiting chan struct{} // closed when a Note has come in, where set
	release chan struct{} // a Note waits for it, where set
}

func (f *fake) Snapshot() status.Snapshot { f.mu.Lock(); defer f.mu.Unlock(); return f.snap }
func (f *fake) Packs() []string           { return []string{"router", "terminal"} }
func (f *fake) Swap(pack, mark string, sure bool, who string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.told = append(f.told, fmt.Sprintf("swap %s %q by %s", pack, mark, who))
	return f.refuse
}
func (f *fake) Note(text, who string) error {
	if f.waiting != nil {
		close(f.waiting)
		<-f.release
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.told = append(f.told, fmt.Sprintf("note %q by %s", text, who))
	return f.refuse
}
func (f *fake) Feed(r feed.Request, who string) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.told = append(f.told, fmt.Sprintf("feed %s for %s by %s", r.Do, r.For, who))
	return "off in 1 min", f.refuse
}
func (f *fake) Probe(name, who string) (string, error) {
	return "next", nil
}

func (f *fake) Survey(r surveyor.Request, who string) (string, error) {
	return "round 1", nil
}

func (f *fake) Surveys() ([]survey.Record, error) {
	return []survey.Record{{Extend: &survey.Extend{Survey: "stairwell", Rounds: 9}}}, f.refuse
}

func (f *fake) TestAlarms(_ context.Context, who string) ([]status.Trial, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.told = append(f.told, "alarm test by "+who)
	return []status.Trial{{Receiver: "hook", Answer: "answered 204"}, {Receiver: "mail", Fault: "no route"}}, f.refuse
}
func (f *fake) Acknowledge(name, subject string, quiet time.Duration, who string) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.told = append(f.told, fmt.Sprintf("acknowledge %s of %q for %s by %s", name, subject, quiet, who))
	return "quiet for 5 min", f.refuse
}
func (f *fake) SetTime(now time.Time, who string) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.told = append(f.told, fmt.Sprintf("time %s by %s", now.Format(time.RFC3339), who))
	return "it is late", f.refuse
}
func (f *fake) Records(filter journal.Filter) ([]journal.Record, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.filter = filter
	return f.records, f.refuse
}

func (f *fake) Incident() (handover.Incident, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.frame, f.refuse
}
func (f *fake) SetIncident(do handover.Action, given handover.Incident, who string) (handover.Incident, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.told = append(f.told, fmt.Sprintf("%s incident %q by %s", do, given.Name, who))
	f.frame = given
	return given, f.refuse
}

// start runs an agent's socket and stops it when the test ends.
func start(t *testing.T, h Handler) (path string, stop func() error) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "c.sock")
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- New(path, h).Run(ctx) }()
	for deadline := time.Now().Add(5 * time.Second); ; time.Sleep(time.Millisecond) {
		if c, err := Dial(path); err == nil {
			c.Close()
			break
		} else if time.Now().After(deadline) {
			t.Fatal(err)
		}
	}
	stop = sync.OnceValue(func() error { cancel(); return <-ended })
	t.Cleanup(func() {
		if err := stop(); err != nil {
			t.Error(err)
		}
	})
	return path, stop
}

func dial(t *testing.T, path string) *Client {
	t.Helper()
	c, err := Dial(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}
