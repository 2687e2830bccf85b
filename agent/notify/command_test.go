package notify

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/alarm"
	"candlemark/agent/hook"
)

// commandReceiver runs a shell script.
func commandReceiver(t *testing.T, script string) Receiver {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tell")
	if err := os.WriteFile(path, []byte("#!/bin/sh\n"+script), 0o700); err != nil {
		t.Fatal(err)
	}
	return Receiver{Name: "siren", Kind: Command, Command: hook.Command{Args: []string{path}}, Timeout: 20 * time.Second}
}

func commanding(t *testing.T, script string) runner {
	t.Helper()
	r := commandReceiver(t, script).withDefaults()
	if err := r.check(); err != nil {
		t.Fatal(err)
	}
	return runner{receiver: r}
}

func TestCommandGetsTheMessageAndTheEnvironment(t *testing.T) {
	t.Setenv("CANDLEMARK_SECRET", "must not be seen")
	out := filepath.Join(t.TempDir(), "out")
	o := commanding(t, `cat >> `+out+`; env | grep ^CANDLEMARK_ | sort >> `+out+`; echo siren ready`).carry(t.Context(), sample().JSON())
	if o.err != nil || !strings.Contains(o.said, "and said: siren ready") {
		t.Fatalf("%+v", o)
	}
	data, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Split(strings.TrimSpace(string(data)), "\n")
	var m Message
	if err := json.Unmarshal([]byte(got[0]), &m); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(sample(), m); diff != "" {
		t.Errorf("message (-want +got):\n%s", diff)
	}
	environment := []string{"CANDLEMARK_ACTION=do it", "CANDLEMARK_ALARM=shut_terminal_down", "CANDLEMARK_ID=b1-shut_terminal_down-A.x-1",
		"CANDLEMARK_MESSAGE_ID=b1-shut_terminal_down-A.x-1-raised", "CANDLEMARK_RELAY=north gate", "CANDLEMARK_REMINDER=0", "CANDLEMARK_SEVERITY=critical",
		"CANDLEMARK_SITE=school", "CANDLEMARK_STATE=raised", "CANDLEMARK_SUBJECT=A", "CANDLEMARK_TITLE=pack A will soon be flat: ≈ 14 min"}
	if diff := cmp.Diff(environment, got[1:]); diff != "" {
		t.Errorf("environment (-want +got):\n%s", diff)
	}
}

func TestHowACommandEnds(t *testing.T) {
	for _, c := range []struct {
		name, script string
		want         string
		again, begun bool
	}{
		{"well", "", "", false, true},
		{"with its last word", "echo no siren >&2; exit 4", "exit status 4: no siren", false, true},
		{"asking for another try", "exit 75", "exit status 75", true, true},
		{"not at all", "exec sleep 60", hook.ErrTime.Error(), true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			run := commanding(t, c.script)
			if c.name == "not at all" {
				run.receiver.Command.Timeout = 200 * time.Millisecond
			}
			o := run.carry(t.Context(), sample().JSON())
			if (o.err == nil) != (c.want == "") || o.err != nil && !strings.Contains(o.err.Error(), c.want) || o.again() != c.again || o.begun != c.begun {
				t.Errorf("%+v", o)
			}
		})
	}
	gone := commanding(t, "")
	if err := os.Remove(gone.receiver.Command.Args[0]); err != nil {
		t.Fatal(err)
	}
	if o := gone.carry(t.Context(), sample().JSON()); !o.again() || o.begun {
		t.Errorf("a program that went away: %+v", o)
	}
}

func TestCommandsRunInOrderOneAtATime(t *testing.T) {
	out := filepath.Join(t.TempDir(), "out")
	// The first takes longer than the second.
	r := commandReceiver(t, `test $CANDLEMARK_STATE = raised && sleep 0.3; echo $CANDLEMARK_STATE >> `+out)
	n, err := New(Config{Receivers: []Receiver{r}})
	if err != nil {
		t.Fatal(err)
	}
	a := shut("1")
	n.Publish(raise(a), list(a))
	n.Publish(cleared(a), nil)
	runFor(t, n, 50*time.Millisecond) // what waits at the end is still tried once
	data, err := os.ReadFile(out)
	if err != nil || string(data) != "raised\ncleared\n" {
		t.Errorf("%q, %v", data, err)
	}
}

func TestCommandThatCannotRunIsRefused(t *testing.T) {
	for want, r := range map[string]Receiver{
		`receiver "x": command is empty`: {Name: "x", Kind: Command},
		"is not a full path":             {Name: "x", Kind: Command, Command: hook.Command{Args: []string{"tell"}}},
		"takes no heartbeat":             {Name: "x", Kind: Command, Command: hook.Command{Args: []string{"/bin/sh"}}, HeartbeatEvery: time.Hour},
	} {
		if _, err := New(Config{Receivers: []Receiver{r}}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	if _, err := New(Config{Receivers: []Receiver{{Name: "x", Kind: Command, Severities: []alarm.Severity{alarm.Critical}, Command: hook.Command{Args: []string{"/bin/sh"}}}}}); err != nil {
		t.Error(err)
	}
}
