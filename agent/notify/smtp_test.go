package notify

import (
	"context"
	"encoding/base64"
	"fmt"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
)

func mailReceiver() Receiver {
	return Receiver{Name: "mail", Kind: SMTP, Server: "mail.test:587", Encryption: StartTLS, From: "Relay <relay@north.example>", To: []string{"ida@north.example", "Max <max@south.example>"}}
}

func sample() Message {
	from := identity{relay: "north gate", site: "school", run: "r1"}
	a := shut("b1-shut_terminal_down-A.x-1")
	a.Title = "pack A will soon be flat: ≈ 14 min"
	a.Raised.Wall = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	m := from.message(a, Raised)
	m.Because = "the cautious time left is 14 min"
	return m
}

func TestMailIsRead(t *testing.T) {
	m := sample()
	body := mailBody(m, "Relay <relay@north.example>", []string{"ida@north.example"})
	got, err := mail.ReadMessage(strings.NewReader(string(body)))
	if err != nil {
		t.Fatal(err)
	}
	at, err := got.Header.Date()
	if err != nil || !at.Equal(time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)) {
		t.Errorf("date %v, %v", at, err)
	}
	if id := got.Header.Get("Message-ID"); id != "<b1-shut_terminal_down-A+x-1-raised@north.example>" {
		t.Errorf("id %s", id)
	}
	words := mime.WordDecoder{}
	if s, err := words.DecodeHeader(got.Header.Get("Subject")); err != nil || s != "north gate: ACT NOW: pack A will soon be flat: ≈ 14 min" {
		t.Errorf("subject %q, %v", s, err)
	}
	text, err := io.ReadAll(quotedprintable.NewReader(got.Body))
	if err != nil {
		t.Fatal(err)
	}
	want := "pack A will soon be flat: ≈ 14 min.\r\nDo: do it.\r\nBecause: the cautious time left is 14 min.\r\n" +
		"Raised at 2026-11-25T12:00:00Z.\r\nRelay north gate, school.\r\nshut_terminal_down b1-shut_terminal_down-A.x-1-raised\r\n"
	if diff := cmp.Diff(want, string(text)); diff != "" {
		t.Error(diff)
	}
	for line := range strings.Lines(string(body)) {
		if len(line) > 998+2 || !strings.HasSuffix(line, "\r\n") { // RFC 5322 section 2.1.1
			t.Errorf("line %q", line)
		}
	}
}

func TestMailFromABoardWithoutTheTimeCarriesNoDate(t *testing.T) {
	m := sample()
	m.ClockKnown = false
	body := string(mailBody(m, "relay@north.example", []string{"ida@north.example"}))
	if strings.Contains(body, "\nDate:") || !strings.Contains(strings.ReplaceAll(body, "=\r\n", ""), "The board's clock was not set: do not believe this time.") {
		t.Errorf("%s", body)
	}
}

func TestMailHeadersCannotBeForged(t *testing.T) {
	m := sample()
	m.Title, m.MessageID = "x\r\nBcc: all@example.org\r\n\r\nhello", "a>\r\nBcc: all@example.org"
	got, err := mail.ReadMessage(strings.NewReader(string(mailBody(m, "relay@north.example", []string{"ida@north.example"}))))
	if err != nil || got.Header.Get("Bcc") != "" {
		t.Errorf("%v, %v", got.Header, err)
	}
}

// Real sockets on loopback: what net/smtp says, and what comes of each answer.
func TestMailServers(t *testing.T) {
	security, pool := certified(t)
	cases := []struct {
		name   string
		server *mailServer
		change func(r *Receiver)
		want   string // of the error; "" where it was delivered
		final  bool
		begun  bool
	}{
		{"STARTTLS and a login", &mailServer{startTLS: true}, func(r *Receiver) { r.User, r.PasswordFile = "relay", secretFile(t, "hunter2", 0o600) }, "", false, true},
		{"TLS from the first byte", &mailServer{implicit: true}, func(r *Receiver) { r.Encryption = TLS }, "", false, true},
		{"in the clear on the board itself", &mailServer{}, func(r *Receiver) { r.Encryption = NoTLS }, "", false, true},
		{"no STARTTLS is offered", &mailServer{}, nil, "offers no STARTTLS, so nothing was sent", false, false},
		{"STARTTLS is refused", &mailServer{startTLS: true, answer: map[string]string{"STARTTLS": "454 no certificate"}}, nil, `STARTTLS: 454 "no certificate"`, false, false},
		{"a certificate nobody vouches for", &mailServer{startTLS: true}, func(r *Receiver) { r.GeneratorURL = "no roots" }, "certificate signed by unknown authority", false, false},
		{"the login is refused, which can be put right", &mailServer{startTLS: true, answer: map[string]string{"AUTH": "535 wrong hunter2\x1b"}}, func(r *Receiver) { r.User, r.PasswordFile = "relay", secretFile(t, "hunter2", 0o600) }, `login: 535 "wrong (secret)"`, false, false},
		{"busy at the greeting", &mailServer{answer: map[string]string{"greeting": "421 later"}}, nil, `greeting: 421 "later"`, false, false},
		{"hangs up", &mailServer{answer: map[string]string{"greeting": "close"}}, nil, "greeting: EOF", false, false},
		{"greylisted", &mailServer{startTLS: true, answer: map[string]string{"RCPT": "450 later"}}, nil, `450 "later"`, false, true},
		{"the sender is refused", &mailServer{startTLS: true, answer: map[string]string{"MAIL": "550 not you"}}, nil, `sender: 550 "not you"`, true, true},
		{"every recipient is refused", &mailServer{startTLS: true, answer: map[string]string{"RCPT": "550 nobody"}}, nil, `recipient ida@north.example: 550 "nobody"; recipient max@south.example: 550 "nobody"`, true, true},
		{"the content is refused", &mailServer{startTLS: true, answer: map[string]string{"content": "554 no"}}, nil, `content: 554 "no"`, true, true},
		{"the disk is full there", &mailServer{startTLS: true, answer: map[string]string{"content": "452 full"}}, nil, `content: 452 "full"`, false, true},
		{"hangs at the greeting", &mailServer{answer: map[string]string{"greeting": "hang"}}, nil, "no answer within 200ms", false, false},
		{"hangs after the content", &mailServer{startTLS: true, answer: map[string]string{"content": "hang"}}, nil, "no answer within 1m0s", false, true},
		{"goodbye is never answered", &mailServer{startTLS: true, answer: map[string]string{"QUIT": "hang"}}, nil, "", false, true},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := c.server
			s.tls = security
			listener, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			defer listener.Close()
			go func() {
				for {
					conn, err := listener.Accept()
					if err != nil {
						return
					}
					go s.serve(conn)
				}
			}()
			r := mailReceiver()
			r.Server, r.Timeout = listener.Addr().String(), time.Minute
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			if s.answer["greeting"] == "hang" {
				r.Timeout = 200 * time.Millisecond
			} else {
				s.hangs = stop // its time is up once it has got there, however slowly
			}
			roots := pool
			if c.change != nil {
				c.change(&r)
			}
			if r.GeneratorURL != "" {
				roots = nil
			}
			n, err := New(Config{Receivers: []Receiver{r}, Roots: roots})
			if err != nil {
				t.Fatal(err)
			}
			o := n.workers[0].carrier.carry(ctx, mailBody(sample(), r.From, r.To))
			if (o.err == nil) != (c.want == "") || o.err != nil && (!strings.Contains(o.err.Error(), c.want) || !strings.Contains(o.err.Error(), `receiver "mail"`)) {
				t.Errorf("%v, want %q", o.err, c.want)
			}
			if o.final != c.final || o.begun != c.begun {
				t.Errorf("final %v, begun %v; want %v, %v", o.final, o.begun, c.final, c.begun)
			}
			if o.err != nil && strings.ContainsAny(o.err.Error(), "\x1b") {
				t.Errorf("upsets a terminal: %q", o.err)
			}
			if c.want != "" {
				return
			}
			if o.said != "took the mail for ida@north.example, max@south.example" {
				t.Errorf("said %q", o.said)
			}
			got := s.got()
			if len(got) != 1 || got[0].body != string(mailBody(sample(), r.From, r.To)) || len(got[0].to) != 2 {
				t.Errorf("received %+v", got)
			}
			if s.secure != (r.Encryption != NoTLS) {
				t.Error("not as protected as was asked")
			}
			// RFC 4616: authorization identity, user and password, each after a zero byte.
			if want := "PLAIN " + base64.StdEncoding.EncodeToString([]byte("\x00relay\x00hunter2")); r.User != "" && s.auth != want {
				t.Errorf("login %q", s.auth)
			}
		})
	}
}

func TestOneRefusedRecipientDoesNotKeepTheOthersFromTheirMail(t *testing.T) {
	security, pool := certified(t)
	s := &mailServer{startTLS: true, tls: security, answer: map[string]string{"RCPT TO:<ida@north.example>": "550 nobody"}}
	m := mailer{receiver: mailReceiver().withDefaults(), dial: s.dial, roots: pool}
	o := m.carry(t.Context(), mailBody(sample(), m.receiver.From, m.receiver.To))
	if o.err == nil || !o.delivered || o.again() || len(s.got()) != 1 {
		t.Errorf("%+v, %d mails", o, len(s.got()))
	}
}

func TestMailServerThatIsNotThere(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := mailReceiver()
	r.Server = listener.Addr().String()
	listener.Close()
	n, err := New(Config{Receivers: []Receiver{r}})
	if err != nil {
		t.Fatal(err)
	}
	if o := n.workers[0].carrier.carry(t.Context(), nil); !o.again() || o.begun || !strings.Contains(o.err.Error(), "connection refused") {
		t.Errorf("%+v", o)
	}
}

func TestFaultyMailReceiversAreRefused(t *testing.T) {
	open := secretFile(t, "hunter2", 0o644)
	for _, c := range []struct {
		name  string
		spoil func(r *Receiver)
		want  string
	}{
		{"no port", func(r *Receiver) { r.Server = "mail.test" }, "write it like mail.example:587"},
		{"in the clear over the network", func(r *Receiver) { r.Encryption = NoTLS }, "in the clear"},
		{"unknown encryption", func(r *Receiver) { r.Encryption = "ssl" }, "use starttls, tls or none"},
		{"no sender", func(r *Receiver) { r.From = "" }, "from is not a mail address"},
		{"nobody to send to", func(r *Receiver) { r.To = nil }, "to is empty"},
		{"a second header in an address", func(r *Receiver) { r.To = []string{"a@b.example\r\nBcc: c@d.example"} }, "not a mail address"},
		{"a password for everybody", func(r *Receiver) { r.User, r.PasswordFile = "relay", open }, "chmod 640"},
		{"a heartbeat", func(r *Receiver) { r.HeartbeatEvery = time.Hour }, "takes no heartbeat"},
	} {
		r := mailReceiver()
		c.spoil(&r)
		if _, err := New(Config{Receivers: []Receiver{r}}); err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "hunter2") {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// A password file that is opened to everybody while the agent runs is not used.
func TestPasswordFileIsJudgedAtEachUse(t *testing.T) {
	security, pool := certified(t)
	s := &mailServer{startTLS: true, tls: security}
	r := mailReceiver().withDefaults()
	r.User, r.PasswordFile = "relay", secretFile(t, "hunter2", 0o600)
	m := mailer{receiver: r, dial: s.dial, roots: pool}
	if err := os.Chmod(r.PasswordFile, 0o644); err != nil {
		t.Fatal(err)
	}
	if o := m.carry(t.Context(), nil); !o.again() || s.auth != "" || !strings.Contains(o.err.Error(), "everybody may use the file") {
		t.Errorf("%+v, shown %q", o, s.auth)
	}
}

func TestMailIsTriedAgainAndByteForByteTheSame(t *testing.T) {
	security, pool := certified(t)
	synctest.Test(t, func(t *testing.T) {
		s := &mailServer{startTLS: true, tls: security, answer: map[string]string{"content": "hang"}}
		n, err := New(Config{Relay: "north gate", Receivers: []Receiver{mailReceiver()}})
		if err != nil {
			t.Fatal(err)
		}
		n.workers[0].carrier = mailer{receiver: n.workers[0].receiver, dial: s.dial, roots: pool}
		go func() {
			a := shut("1")
			n.Publish(raise(a), list(a))
			time.Sleep(time.Minute)
			s.mu.Lock()
			delete(s.answer, "content")
			s.mu.Unlock()
		}()
		runFor(t, n, 5*time.Minute)
		if got := s.got(); len(got) != 1 || got[0].at.Second() > 59 || !strings.Contains(got[0].body, fmt.Sprintf("Date: %s", "Sat, 01 Jan 2000 00:00:00 +0000")) {
			t.Errorf("%+v", got)
		}
		if st := n.Status()[0]; st.Failures == 0 || st.Dropped != 0 || st.Waiting != 0 {
			t.Errorf("%+v", st)
		}
	})
}

// FuzzMail: whatever an alarm says, the mail can be read, and its id is one word.
func FuzzMail(f *testing.F) {
	f.Add("pack A is flat", "north gate", "b1-x-raised")
	f.Add("x\r\nBcc: y", "\x00", "a>b")
	f.Fuzz(func(t *testing.T, title, relay, id string) {
		m := sample()
		m.Title, m.Relay, m.MessageID = title, relay, id
		got, err := mail.ReadMessage(strings.NewReader(string(mailBody(m, "relay@north.example", []string{"ida@north.example"}))))
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Header) != 9 || strings.ContainsAny(got.Header.Get("Message-Id"), " \r\n\t") {
			t.Errorf("header %v", got.Header)
		}
	})
}
