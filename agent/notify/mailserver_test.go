package notify

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"io"
	"math/big"
	"net"
	"strings"
	"sync"
	"testing"
	"time"
)

// mailServer is an SMTP server of its own (RFC 5321), on loopback or on pipes.
type mailServer struct {
	// answer replaces the reply to a command, by its first word, or to "greeting" and
	// "content"; "hang" never answers, "close" hangs up.
	answer   map[string]string
	startTLS bool
	tls      *tls.Config
	implicit bool
	taken    func(body string) // is told of each mail; may be nil
	hangs    func()            // is told when it hangs; may be nil

	mu     sync.Mutex
	auth   string // what was shown
	secure bool   // the last mail came over TLS
	mails  []received
}

type received struct {
	at   time.Time
	to   []string
	body string
}

func (s *mailServer) got() []received {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]received(nil), s.mails...)
}

func (s *mailServer) dial(context.Context, string, string) (net.Conn, error) {
	client, server := net.Pipe()
	go s.serve(server)
	return client, nil
}

func (s *mailServer) serve(conn net.Conn) {
	defer func() { conn.Close() }()
	secure := s.implicit
	if secure {
		conn = tls.Server(conn, s.tls)
	}
	in := bufio.NewReader(conn)
	// say reports whether to go on.
	say := func(to, usual string) bool {
		text, ok := s.answer[to]
		switch {
		case !ok:
			text = usual
		case text == "hang":
			if s.hangs != nil {
				s.hangs()
			}
			_, _ = io.Copy(io.Discard, in) // until the client gives up
			return false
		case text == "close":
			return false
		}
		_, err := io.WriteString(conn, text+"\r\n")
		return err == nil
	}
	if !say("greeting", "220 mail.test") {
		return
	}
	var to []string
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		usual := "250 well"
		switch word = strings.ToUpper(word); word {
		case "EHLO":
			usual = "250-mail.test\r\n250-AUTH PLAIN\r\n250 8BITMIME"
			if s.startTLS && !secure {
				usual = "250-mail.test\r\n250-STARTTLS\r\n250 8BITMIME"
			}
		case "STARTTLS":
			if !say(word, "220 go ahead") {
				return
			}
			conn = tls.Server(conn, s.tls)
			in, secure = bufio.NewReader(conn), true
			continue
		case "AUTH":
			s.mu.Lock()
			s.auth = rest
			s.mu.Unlock()
			usual = "235 welcome"
		case "MAIL":
			to = nil
		case "RCPT":
			if _, refused := s.answer[word+" "+rest]; refused {
				word += " " + rest
			} else {
				to = append(to, rest)
			}
		case "DATA":
			if !say(word, "354 go on") {
				return
			}
			var body strings.Builder
			for {
				line, err := in.ReadString('\n')
				if err != nil {
					return
				}
				if line == ".\r\n" {
					break
				}
				body.WriteString(strings.TrimPrefix(line, "."))
			}
			word = "content"
			if reply, ok := s.answer[word]; !ok || reply[0] == '2' {
				s.mu.Lock()
				s.mails = append(s.mails, received{time.Now(), to, body.String()})
				s.secure = secure
				s.mu.Unlock()
				if s.taken != nil {
					s.taken(body.String())
				}
			}
		case "QUIT":
			say(word, "221 bye")
			return
		}
		if !say(word, usual) {
			return
		}
	}
}

// certified is the server's side of TLS for 127.0.0.1 and mail.test, and who vouches for it.
func certified(t *testing.T) (*tls.Config, *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	// synctest begins in the year 2000.
	c := &x509.Certificate{SerialNumber: big.NewInt(1), DNSNames: []string{"mail.test"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC), NotAfter: time.Date(2199, 1, 1, 0, 0, 0, 0, time.UTC), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(parsed)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}, pool
}
