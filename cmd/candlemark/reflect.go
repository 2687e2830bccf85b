package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/tls"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"net"
	"net/netip"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"candlemark/probes/reflector"
	"candlemark/probes/stamp"
)

// reflectFlags are what the command line says.
type reflectFlags struct {
	http, stamp          string
	tokenFile, keyFile   string
	tlsCert, tlsKey      string
	allow                []string
	rate, perDay, perOne string
	streams              int
	newToken             bool
}

func newReflect() *cobra.Command {
	var f reflectFlags
	cmd := &cobra.Command{
		Use:   "reflect --token-file FILE (--allow NETWORK | --key-file FILE)",
		Short: "Be the far end that relays measure against",
		Long: `reflect answers measurements from relays: STAMP packets (RFC 8762) over UDP, which
tell delay, and loss and delay variation in each direction; and a source and a
sink of test data over HTTP, for throughput and delay under load. Run it near
the uplink, on a second board or a laptop, so that the hop between can be told
from the sky.

It is made to be left running. It answers only whom it knows: HTTP with a token,
STAMP from the networks of --allow, or with a shared key in the RFC's
authenticated mode. An answer to a packet is never longer than the packet.
Rates, transfers at once and the bytes of a day are bounded. It needs no root.

Over plain HTTP the token can be read on the way; where that matters give
--tls-cert and --tls-key.`,
		Example: `  candlemark reflect --token-file reflector.token --new-token --allow 192.168.40.0/24
  candlemark reflect --token-file reflector.token --key-file stamp.key --max-rate 50Mbit/s --per-day 5GB`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return reflect(cmd.Context(), f, cmd.OutOrStdout())
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&f.http, "http", fmt.Sprintf(":%d", reflector.DefaultPort), "`ADDRESS:PORT` of the HTTP source and sink")
	flags.StringVar(&f.stamp, "stamp", fmt.Sprintf(":%d", stamp.DefaultPort), "`ADDRESS:PORT` of STAMP over UDP; the RFC's own port is 862, which needs a capability")
	flags.StringVar(&f.tokenFile, "token-file", "", "`FILE` with the token for HTTP, readable by its owner alone")
	flags.BoolVar(&f.newToken, "new-token", false, "make the token file when there is none")
	flags.StringArrayVar(&f.allow, "allow", nil, "answer STAMP only from this `NETWORK`, such as 192.168.40.0/24; may be repeated")
	flags.StringVar(&f.keyFile, "key-file", "", "`FILE` with the key of STAMP's authenticated mode, 16 to 64 characters")
	flags.StringVar(&f.tlsCert, "tls-cert", "", "`FILE` with the certificate for HTTPS")
	flags.StringVar(&f.tlsKey, "tls-key", "", "`FILE` with its key")
	flags.StringVar(&f.rate, "max-rate", "", "most test data each way, such as `50Mbit/s`; no limit when left out")
	flags.StringVar(&f.perDay, "per-day", "20GB", "most `DATA` for tests a day, both ways together")
	flags.StringVar(&f.perOne, "per-transfer", "1GB", "most `DATA` of one transfer")
	flags.IntVar(&f.streams, "transfers", reflector.DefaultStreams, "most transfers at once, a `NUMBER`")
	_ = cmd.MarkFlagRequired("token-file")
	return cmd
}

func reflect(ctx context.Context, f reflectFlags, out io.Writer) error {
	cfg, err := f.config(out)
	if err != nil {
		return err
	}
	srv, err := reflector.NewServer(cfg)
	if err != nil {
		return usageError{err}
	}
	web, err := net.Listen("tcp", f.http)
	if err != nil {
		return fmt.Errorf("HTTP: %w; choose another with --http", err)
	}
	udp, err := net.ResolveUDPAddr("udp", f.stamp)
	if err != nil {
		_ = web.Close() // nothing came yet
		return usageError{fmt.Errorf("--stamp %s: %w", f.stamp, err)}
	}
	packets, err := net.ListenUDP("udp", udp)
	if err != nil {
		_ = web.Close() // nothing came yet
		return fmt.Errorf("STAMP: %w; choose another with --stamp", err)
	}
	f.introduce(out, cfg, web.Addr().(*net.TCPAddr), packets.LocalAddr().(*net.UDPAddr))
	err = srv.Serve(ctx, web, packets)
	c := srv.Counts()
	fmt.Fprintf(out, "reflector ended: %d packets answered, %d dropped; %d requests, %d refused; %.1f MB out, %.1f MB in\n",
		c.STAMP.Answered, c.STAMP.Dropped(), c.Requests, c.Refused, float64(c.BytesOut)/1e6, float64(c.BytesIn)/1e6)
	return err
}

// config is the reflector's, out of the flags and the files they name.
func (f reflectFlags) config(out io.Writer) (cfg reflector.ServerConfig, err error) {
	for _, a := range f.allow {
		p, err := netip.ParsePrefix(a)
		if err != nil {
			addr, addrErr := netip.ParseAddr(a)
			if addrErr != nil {
				return cfg, usageError{fmt.Errorf("--allow %s: not a network; write it like 192.168.40.0/24", a)}
			}
			p = netip.PrefixFrom(addr, addr.BitLen())
		}
		cfg.STAMP.Allow = append(cfg.STAMP.Allow, p.Masked())
	}
	if f.keyFile == "" && len(cfg.STAMP.Allow) == 0 {
		return cfg, usageError{errors.New("whom should STAMP answer? Give --allow with the relays' network, or --key-file")}
	}
	if cfg.RateBitS, err = scaled("--max-rate", cmp.Or(f.rate, "0bit/s"), "bit/s"); err != nil {
		return cfg, err
	}
	for flag, to := range map[string]*int64{"--per-day": &cfg.BytesADay, "--per-transfer": &cfg.MaxBytes} {
		n, err := scaled(flag, map[string]string{"--per-day": f.perDay, "--per-transfer": f.perOne}[flag], "B")
		if err != nil {
			return cfg, err
		}
		if n < 1e6 {
			return cfg, usageError{fmt.Errorf("%s: below 1MB nothing can be measured", flag)}
		}
		*to = int64(n)
	}
	if f.streams < 1 {
		return cfg, usageError{fmt.Errorf("--transfers %d: give a number above zero", f.streams)}
	}
	cfg.Streams = f.streams
	if f.newToken {
		if err := makeToken(f.tokenFile, out); err != nil {
			return cfg, err
		}
	}
	if cfg.Token, err = readSecret("--token-file", f.tokenFile); err != nil {
		return cfg, err
	}
	if f.keyFile != "" {
		key, err := readSecret("--key-file", f.keyFile)
		if err != nil {
			return cfg, err
		}
		cfg.STAMP.Key = []byte(key)
	}
	if (f.tlsCert == "") != (f.tlsKey == "") {
		return cfg, usageError{errors.New("--tls-cert and --tls-key go together")}
	}
	if f.tlsCert != "" {
		cert, err := tls.LoadX509KeyPair(f.tlsCert, f.tlsKey)
		if err != nil {
			return cfg, fmt.Errorf("--tls-cert: %w", err)
		}
		cfg.TLS = &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12}
	}
	return cfg, nil
}

// mostSecret is the longest file that can be a token or a key.
const mostSecret = 1024

// readSecret reads a file that only its owner may read.
func readSecret(flag, path string) (string, error) {
	file, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) && flag == "--token-file" {
		return "", fmt.Errorf("%s: %w; --new-token makes one", flag, err)
	}
	if err != nil {
		return "", fmt.Errorf("%s: %w", flag, err)
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return "", fmt.Errorf("%s: %w", flag, err)
	}
	if mode := info.Mode(); !mode.IsRegular() || mode.Perm()&0o077 != 0 {
		return "", fmt.Errorf("%s %s: others may read it (mode %v); run: chmod 600 %[2]s", flag, path, mode)
	}
	b, err := io.ReadAll(io.LimitReader(file, mostSecret+1))
	if err != nil {
		return "", fmt.Errorf("%s: %w", flag, err)
	}
	text := strings.TrimSpace(string(b))
	switch {
	case len(b) > mostSecret:
		return "", fmt.Errorf("%s %s: longer than %d bytes, so not the file meant", flag, path, mostSecret)
	case strings.ContainsAny(text, " \t\r\n"):
		return "", fmt.Errorf("%s %s: holds more than one word", flag, path)
	}
	return text, nil
}

// makeToken writes a token where there is no file yet.
func makeToken(path string, out io.Writer) error {
	var b [24]byte
	_, _ = rand.Read(b[:]) // never fails
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("--new-token: %w", err)
	}
	_, err = file.WriteString(base64.RawURLEncoding.EncodeToString(b[:]) + "\n")
	if err := errors.Join(err, file.Close()); err != nil {
		return fmt.Errorf("--new-token: %w", err)
	}
	fmt.Fprintf(out, "new token in %s; copy that file to the relays by a safe route\n", path)
	return nil
}

// scaled reads a number with its unit.
func scaled(flag, text, unit string) (float64, error) {
	number, ok := strings.CutSuffix(strings.TrimSpace(text), unit)
	factor := 1.0
	for prefix, f := range map[string]float64{"k": 1e3, "M": 1e6, "G": 1e9, "T": 1e12} {
		if n, found := strings.CutSuffix(number, prefix); found {
			number, factor = n, f
			break
		}
	}
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if !ok || err != nil || !(v >= 0) || math.IsInf(v, 0) || v*factor > 1e15 {
		example := map[string]string{"bit/s": "50Mbit/s", "B": "5GB"}[unit]
		return 0, usageError{fmt.Errorf("%s %s: write it with its unit, like %s", flag, text, example)}
	}
	return v * factor, nil
}

// introduce says what is served, to whom, and what the relays' configuration needs.
func (f reflectFlags) introduce(out io.Writer, cfg reflector.ServerConfig, web *net.TCPAddr, packets *net.UDPAddr) {
	scheme, mode := "http", "open mode"
	if cfg.TLS != nil {
		scheme = "https"
	}
	if cfg.STAMP.Key != nil {
		mode = "authenticated mode"
	}
	whom := "whoever has the key"
	if len(cfg.STAMP.Allow) > 0 {
		whom = strings.Trim(fmt.Sprint(cfg.STAMP.Allow), "[]")
	}
	limit := "no rate limit"
	if cfg.RateBitS > 0 {
		limit = fmt.Sprintf("%.3g Mbit/s each way", cfg.RateBitS/1e6)
	}
	host := hostFor(web.IP)
	keyLine := ""
	if f.keyFile != "" {
		keyLine = ", key_file: /etc/candlemark/" + base(f.keyFile)
	}
	fmt.Fprintf(out, `candlemark reflect: answering until stopped (Ctrl-C)
  STAMP (RFC 8762, %s)  udp %v  from %s
  source and sink  %s tcp %v  with the token in %s
  limits  %s, %d transfers at once, %.3g GB a day

In a relay's configuration, with a copy of the token file there:

targets:
  - {name: near, section: hop, method: stamp, address: "%s", port: %d%s}
throughput:
  - {name: near-rate, section: hop, reflector: "%s://%s", token_file: /etc/candlemark/%s, packets: {port: %[11]d%[12]s}, under_load: 4s}

`, mode, packets, whom, scheme, web, f.tokenFile, limit, cfg.Streams, float64(cfg.BytesADay)/1e9,
		host, packets.Port, keyLine, scheme, net.JoinHostPort(host, strconv.Itoa(web.Port)), base(f.tokenFile))
}

func base(path string) string { return path[strings.LastIndexByte(path, '/')+1:] }

// hostFor is an address of this machine that a relay may reach, for people to copy.
func hostFor(listening net.IP) string {
	if listening != nil && !listening.IsUnspecified() {
		return listening.String()
	}
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		return "THIS-HOST"
	}
	for _, a := range addrs {
		if n, ok := a.(*net.IPNet); ok && n.IP.IsGlobalUnicast() && n.IP.To4() != nil {
			return n.IP.String()
		}
	}
	return "THIS-HOST"
}
