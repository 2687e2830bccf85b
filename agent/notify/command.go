package notify

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"candlemark/agent/hook"
)

// tryLater is the exit status by which a command asks to be run again: EX_TEMPFAIL
// of sysexits.h.
const tryLater = 75

// runner carries messages by running a command.
type runner struct {
	receiver Receiver
}

// carry runs the command once. Exit status 0 has delivered; tryLater, the end of its
// time and a program that cannot be started are tried again, any other status is
// the command's last word.
func (r runner) carry(ctx context.Context, body []byte) outcome {
	var m Message
	if err := json.Unmarshal(body, &m); err != nil {
		return outcome{err: fmt.Errorf("receiver %q: %w", r.receiver.Name, err), final: true}
	}
	got, err := r.receiver.Command.Run(ctx, append(body, '\n'), environment(m))
	if err != nil {
		started := got.Code >= 0 || got.Elapsed > 0
		return outcome{err: fmt.Errorf("receiver %q: %w", r.receiver.Name, err), begun: started,
			final: started && got.Code != tryLater && !errors.Is(err, hook.ErrTime) && ctx.Err() == nil}
	}
	said := fmt.Sprintf("the command ended well after %s", got.Elapsed.Round(time.Millisecond))
	if got.Output != "" {
		said += " and said: " + got.Output
	}
	return outcome{said: said, begun: true}
}

// environment repeats the main fields for commands that read no JSON. It holds
// nothing of the agent's own environment, and no secret.
func environment(m Message) []string {
	reminder := "0"
	if m.Reminder {
		reminder = "1"
	}
	return []string{
		"CANDLEMARK_STATE=" + string(m.State), "CANDLEMARK_REMINDER=" + reminder, "CANDLEMARK_MESSAGE_ID=" + m.MessageID,
		"CANDLEMARK_ID=" + m.ID, "CANDLEMARK_ALARM=" + string(m.Name), "CANDLEMARK_SEVERITY=" + string(m.Severity),
		"CANDLEMARK_SUBJECT=" + m.Subject, "CANDLEMARK_RELAY=" + m.Relay, "CANDLEMARK_SITE=" + m.Site,
		"CANDLEMARK_TITLE=" + m.Title, "CANDLEMARK_ACTION=" + m.Action,
	}
}
