package notify

import (
	"bytes"
	"fmt"
	"mime"
	"mime/quotedprintable"
	"strings"
	"time"

	"candlemark/agent/alarm"
)

// mailBody is a message as mail: RFC 5322, a few lines of plain text.
//
// Date is when the alarm happened. Where the clock was not set then, there is none,
// and the server that takes the mail may add its own (RFC 6409 section 8.2): a date of
// the year the board believes in would hide the mail far down in a mailbox.
func mailBody(m Message, from string, to []string) []byte {
	var b bytes.Buffer
	header := func(name, value string) { fmt.Fprintf(&b, "%s: %s\r\n", name, value) }
	header("From", from)
	header("To", strings.Join(to, ", "))
	header("Subject", mime.QEncoding.Encode("utf-8", subject(m)))
	header("Message-ID", "<"+atom(m.MessageID)+"@"+domain(from)+">")
	if at, ok := m.at(); ok {
		header("Date", at.Format(time.RFC1123Z))
	}
	header("Auto-Submitted", "auto-generated") // RFC 3834: nobody's absence is to be told to it
	header("MIME-Version", "1.0")
	header("Content-Type", "text/plain; charset=utf-8")
	header("Content-Transfer-Encoding", "quoted-printable")
	b.WriteString("\r\n")
	w := quotedprintable.NewWriter(&b)
	// A buffer takes everything.
	_, _ = w.Write([]byte(strings.Join(lines(m), "\r\n") + "\r\n"))
	_ = w.Close()
	return b.Bytes()
}

// subject tells from a list of mails what to do.
func subject(m Message) string {
	word := "KNOW THIS: "
	switch {
	case m.State == Testing:
		word = "TEST: "
	case m.State == Cleared:
		word = "CLEARED: "
	case m.Severity == alarm.Critical:
		word = "ACT NOW: "
	case m.Severity == alarm.Warning:
		word = "ACT SOON: "
	}
	if m.Reminder {
		word = "REMINDER, " + word
	}
	return m.Relay + ": " + word + m.Title
}

func lines(m Message) []string {
	out := []string{m.Title + ".", "Do: " + m.Action + "."}
	if m.State == Cleared {
		out = []string{"No longer: " + m.Title + ".", "Nothing is to be done about it any more."}
	}
	if m.Because != "" {
		out = append(out, "Because: "+m.Because+".")
	}
	when := "Raised at " + m.RaisedAt
	switch m.State {
	case Cleared:
		when += ", cleared at " + m.ClearedAt
	case Testing:
		when = "Sent at " + m.RaisedAt
	}
	when += "."
	if !m.ClockKnown {
		when += " The board's clock was not set: do not believe this time."
	}
	out = append(out, when)
	where := "Relay " + m.Relay
	if m.Site != "" {
		where += ", " + m.Site
	}
	return append(out, where+".", fmt.Sprintf("%s %s", m.Name, m.MessageID))
}

// atom makes text fit for the left side of a Message-ID (dot-atom-text, RFC 5322
// section 3.2.3), different texts of ours into different ones.
func atom(text string) string {
	return strings.Map(func(r rune) rune {
		if r == '-' || r == '_' || '0' <= r && r <= '9' || 'a' <= r && r <= 'z' || 'A' <= r && r <= 'Z' {
			return r
		}
		return '+'
	}, text)
}

func domain(from string) string {
	_, host, _ := strings.Cut(bare(from), "@")
	return host
}
