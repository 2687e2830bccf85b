package signal

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/alarm"
	"candlemark/agent/hook"
	"candlemark/agent/notify"
)

// newHook runs a shell script; ended gets every message whose command ended.
func newHook(t *testing.T, script string, change func(*HookConfig)) (h *Hook, ended chan notify.Message, stop func()) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "hook")
	if err := os.WriteFile(path, []byte("#!/bin/sh\n"+script), 0o700); err != nil {
		t.Fatal(err)
	}
	ended = make(chan notify.Message, 200)
	cfg := HookConfig{Name: "siren", Relay: "north gate", Site: "school", Command: hook.Command{Args: []string{path}, Timeout: 20 * time.Second},
		Ended: func(m notify.Message, _ hook.Result, _ error) { ended <- m }}
	if change != nil {
		change(&cfg)
	}
	h, err := NewHook(cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- h.Run(ctx) }()
	return h, ended, func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

func raised(a alarm.Active) alarm.Change {
	return alarm.Change{Alarm: a, Raised: true, At: a.Raised, ClockSet: true, Because: "so it is"}
}

func cleared(a alarm.Active) alarm.Change {
	return alarm.Change{Alarm: a, At: a.Raised, ClockSet: true, Because: "it is over"}
}

func lines(t *testing.T, path string) []string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSpace(string(data)), "\n")
}

func TestHookGetsTheMessageAndTheEnvironment(t *testing.T) {
	t.Setenv("CANDLEMARK_SECRET", "must not be seen")
	out := filepath.Join(t.TempDir(), "out")
	a := active(alarm.ShutTerminalDown)[0]
	a.ClockSet, a.Subject = true, "A"
	a.Raised.Wall = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	h, ended, stop := newHook(t, `cat >> `+out+`; env | grep ^CANDLEMARK_ | sort >> `+out, nil)
	h.Publish([]alarm.Change{raised(a)}, []alarm.Active{a})
	<-ended
	stop()
	got := lines(t, out)
	var m notify.Message
	if err := json.Unmarshal([]byte(got[0]), &m); err != nil {
		t.Fatal(err)
	}
	want := notify.Message{Version: 1, ID: "id-shut_terminal_down", Name: "shut_terminal_down", Severity: "critical", State: "raised",
		Relay: "north gate", Site: "school", Subject: "A", Title: "title of shut_terminal_down", Because: "so it is",
		RaisedAt: "2026-11-25T12:00:00Z", ClockKnown: true}
	if diff := cmp.Diff(want, m); diff != "" {
		t.Errorf("message (-want +got):\n%s", diff)
	}
	environment := []string{"CANDLEMARK_ACTION=", "CANDLEMARK_ALARM=shut_terminal_down", "CANDLEMARK_ID=id-shut_terminal_down",
		"CANDLEMARK_RELAY=north gate", "CANDLEMARK_REMINDER=0", "CANDLEMARK_SEVERITY=critical", "CANDLEMARK_SITE=school",
		"CANDLEMARK_STATE=raised", "CANDLEMARK_SUBJECT=A", "CANDLEMARK_TITLE=title of shut_terminal_down"}
	if diff := cmp.Diff(environment, got[1:]); diff != "" {
		t.Errorf("environment (-want +got):\n%s", diff)
	}
}

func TestOneAlarmsCommandsRunInOrder(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out")
	a := active(alarm.ShutTerminalDown)[0]
	// The raising takes longer than the clearing.
	h, ended, stop := newHook(t, `test $CANDLEMARK_STATE = raised && sleep 0.3; echo $CANDLEMARK_STATE >> `+out, func(c *HookConfig) { c.AtOnce = 4 })
	h.Publish([]alarm.Change{raised(a)}, []alarm.Active{a})
	h.Publish([]alarm.Change{cleared(a)}, nil)
	<-ended
	<-ended
	stop()
	if diff := cmp.Diff([]string{"raised", "cleared"}, lines(t, out)); diff != "" {
		t.Error(diff)
	}
}

func TestHookCommandsAtOnceAreBounded(t *testing.T) {
	dir := t.TempDir()
	h, ended, stop := newHook(t, `cd `+dir+`; touch run$$; sleep 0.3; test $(ls | grep -c ^run) -le 2 || touch toomany; rm run$$`, nil)
	all := active(alarm.ShutTerminalDown, alarm.PackAtCutoff, alarm.LinkDown, alarm.BringNextPack, alarm.HopDown)
	var changes []alarm.Change
	for _, a := range all {
		changes = append(changes, raised(a))
	}
	h.Publish(changes, all)
	for range all {
		<-ended
	}
	stop()
	if _, err := os.Stat(filepath.Join(dir, "toomany")); err == nil {
		t.Error("more than two at once")
	}
	if s := h.Status(); s.Attempts != 5 || s.Waiting != 0 || s.Failures != 0 {
		t.Errorf("status %+v", s)
	}
}

func TestHookFailuresAreTold(t *testing.T) {
	h, ended, stop := newHook(t, `echo no siren >&2; exit 4`, nil)
	a := active(alarm.ShutTerminalDown)[0]
	h.Publish([]alarm.Change{raised(a)}, []alarm.Active{a})
	<-ended
	stop()
	if s := h.Status(); s.Failures != 1 || !strings.Contains(s.LastError, "exit status 4: no siren") {
		t.Errorf("status %+v", s)
	}
}

func TestHookThatHangsIsKilled(t *testing.T) {
	h, ended, stop := newHook(t, `exec sleep 60`, func(c *HookConfig) { c.Command.Timeout = 200 * time.Millisecond })
	a := active(alarm.ShutTerminalDown)[0]
	h.Publish([]alarm.Change{raised(a)}, []alarm.Active{a})
	<-ended
	stop()
	if s := h.Status(); s.Failures != 1 || !strings.Contains(s.LastError, hook.ErrTime.Error()) {
		t.Errorf("status %+v", s)
	}
}

func TestHookQueueIsBounded(t *testing.T) {
	gate := filepath.Join(t.TempDir(), "gate")
	h, ended, stop := newHook(t, `while ! test -e `+gate+`; do sleep 0.05; done`, func(c *HookConfig) { c.AtOnce = 1 })
	a := active(alarm.ShutTerminalDown)[0]
	for range mostJobs + 40 {
		h.Publish([]alarm.Change{raised(a)}, []alarm.Active{a})
	}
	// The first may or may not have left the queue by the end of the loop.
	if s := h.Status(); s.Dropped < 39 || s.Dropped > 40 || s.Waiting > mostJobs+1 {
		t.Errorf("status %+v", s)
	}
	if err := os.WriteFile(gate, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	<-ended
	stop()
	if s := h.Status(); s.Attempts+s.Dropped != mostJobs+40 || s.Waiting != 0 {
		t.Errorf("%d run and %d dropped of %d", s.Attempts, s.Dropped, mostJobs+40)
	}
}

func TestHookRemindsAfterARestartAndFilters(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out")
	h, ended, stop := newHook(t, `echo $CANDLEMARK_ALARM $CANDLEMARK_STATE $CANDLEMARK_REMINDER >> `+out,
		func(c *HookConfig) { c.Severities = []alarm.Severity{alarm.Critical} })
	all := active(alarm.LinkDown, alarm.BringNextPack)
	h.Publish(nil, all)
	h.Publish(nil, all)
	<-ended
	h.Publish([]alarm.Change{cleared(all[0]), cleared(all[1])}, nil)
	<-ended
	stop()
	if len(h.told) > 0 {
		t.Errorf("still kept after they ended: %v", h.told)
	}
	if diff := cmp.Diff([]string{"link_down raised 1", "link_down cleared 0"}, lines(t, out)); diff != "" {
		t.Error(diff)
	}
}

func TestHookSelfTest(t *testing.T) {
	h, _, stop := newHook(t, `test $CANDLEMARK_STATE = test && echo siren ready`, nil)
	defer stop()
	if words, err := h.Test(t.Context()); err != nil || !strings.Contains(words, "and said: siren ready") {
		t.Errorf("%q, %v", words, err)
	}
}

func TestHookConfigIsChecked(t *testing.T) {
	if _, err := NewHook(HookConfig{Name: "x"}); err == nil || !strings.Contains(err.Error(), `receiver "x": command is empty`) {
		t.Errorf("error %v", err)
	}
	if _, err := NewHook(HookConfig{Name: "x", Command: hook.Command{Args: []string{"/bin/sh"}, Timeout: 1}, AtOnce: 99}); err == nil {
		t.Error("99 at once were taken")
	}
}
