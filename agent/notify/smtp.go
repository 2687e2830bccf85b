package notify

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/mail"
	"net/smtp"
	"net/textproto"
	"strings"
	"time"

	"candlemark/agent/secret"
)

// dialer opens a connection.
type dialer func(ctx context.Context, network, address string) (net.Conn, error)

// mailer carries messages as mail, over one connection each.
type mailer struct {
	receiver Receiver
	dial     dialer
	roots    *x509.CertPool // nil is the system's
}

// carry sends one mail. Refusals of sender, recipients or content (5xx) are final; all
// else, a refused login too, is tried again, since it can be put right.
func (m mailer) carry(ctx context.Context, body []byte) outcome {
	ctx, cancel := context.WithTimeout(ctx, m.receiver.Timeout)
	defer cancel()
	o := m.send(ctx, body)
	if o.err == nil {
		return o
	}
	var refused *textproto.Error
	if ctx.Err() != nil && !errors.As(o.err, &refused) {
		o.err = fmt.Errorf("no answer within %v: %w", m.receiver.Timeout, o.err)
	}
	o.err = fmt.Errorf("receiver %q: mail: %w", m.receiver.Name, o.err)
	return o
}

func (m mailer) send(ctx context.Context, body []byte) outcome {
	host, _, err := net.SplitHostPort(m.receiver.Server)
	if err != nil {
		return outcome{err: err}
	}
	plain, err := m.dial(ctx, "tcp", m.receiver.Server)
	if err != nil {
		return outcome{err: err}
	}
	defer plain.Close()
	// net/smtp knows no context: the end of ours ends the connection under it.
	defer context.AfterFunc(ctx, func() { plain.Close() })()
	security := &tls.Config{ServerName: host, RootCAs: m.roots, MinVersion: tls.VersionTLS12}
	conn := plain
	if m.receiver.Encryption == TLS {
		conn = tls.Client(plain, security)
	}
	client, err := smtp.NewClient(conn, host)
	if err != nil {
		return outcome{err: fmt.Errorf("greeting: %w", tidy(err))}
	}
	if m.receiver.Encryption == StartTLS {
		if ok, _ := client.Extension("STARTTLS"); !ok {
			return outcome{err: errors.New("the server offers no STARTTLS, so nothing was sent; set encryption: tls and its port, or another server")}
		}
		if err := client.StartTLS(security); err != nil {
			return outcome{err: fmt.Errorf("STARTTLS: %w", tidy(err))}
		}
	}
	password := ""
	if m.receiver.User != "" {
		if password, err = secret.Read(m.receiver.PasswordFile); err != nil {
			return outcome{err: err} // the file may come back
		}
		if err := client.Auth(smtp.PlainAuth("", m.receiver.User, password, host)); err != nil {
			return outcome{err: fmt.Errorf("login: %w", tidy(err, password))}
		}
	}
	return m.transact(client, body, password)
}

// transact gives the mail to a server that is ready for it.
func (m mailer) transact(client *smtp.Client, body []byte, password string) outcome {
	judge := func(what string, err error, begun bool) outcome {
		var said *textproto.Error
		return outcome{err: fmt.Errorf("%s: %w", what, tidy(err, password)), begun: begun, final: errors.As(err, &said) && said.Code >= 500}
	}
	if err := client.Mail(bare(m.receiver.From)); err != nil {
		return judge("sender", err, true)
	}
	var accepted []string
	var last outcome
	var refusals []string
	for _, to := range m.receiver.To {
		if err := client.Rcpt(bare(to)); err != nil {
			last = judge("recipient "+bare(to), err, true)
			if !last.final {
				return last // all again, rather than some never
			}
			refusals = append(refusals, last.err.Error())
			continue
		}
		accepted = append(accepted, bare(to))
	}
	if len(accepted) == 0 {
		last.err = errors.New(strings.Join(refusals, "; "))
		return last
	}
	w, err := client.Data()
	if err != nil {
		return judge("data", err, true)
	}
	if _, err = w.Write(body); err == nil {
		err = w.Close()
	}
	if err != nil {
		return judge("content", err, true)
	}
	_ = client.Quit() // it was taken; how the server says goodbye changes nothing
	o := outcome{said: "took the mail for " + strings.Join(accepted, ", "), begun: true}
	if len(refusals) > 0 {
		o.err, o.final, o.delivered = errors.New(strings.Join(refusals, "; ")), true, true
	}
	return o
}

// bare is the address alone; both were checked.
func bare(address string) string {
	a, err := mail.ParseAddress(address)
	if err != nil {
		return address
	}
	return a.Address
}

// tidy keeps a server's words to one line that upsets no terminal and tells no secret.
func tidy(err error, secrets ...string) error {
	var said *textproto.Error
	if !errors.As(err, &said) {
		return err
	}
	words := strings.TrimPrefix(secret.Excerpt([]byte(said.Msg), mostExcerpt, secrets...), ": ")
	return &textproto.Error{Code: said.Code, Msg: words}
}

// dialOut is the dialer of a running agent.
func dialOut() dialer { return (&net.Dialer{Timeout: 10 * time.Second}).DialContext }
