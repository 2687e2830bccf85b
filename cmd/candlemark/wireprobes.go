package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	"candlemark/agent"
	"candlemark/agent/config"
	"candlemark/agent/schedule"
	"candlemark/agent/secret"
	"candlemark/probes"
	"candlemark/probes/latency"
	"candlemark/probes/reflector"
	"candlemark/probes/service"
	"candlemark/probes/stamp"
	"candlemark/probes/throughput"
)

// withProbes adds everything that is probed, and what it is judged by, to a setup.
func withProbes(s *agent.Setup, c *config.Config) {
	add := func(name string, section probes.Section, kind probes.Kind, every time.Duration, mostBytes int64) {
		s.Targets = append(s.Targets, agent.TargetSetup{Name: name, Section: section, Kind: kind})
		// What stays on the hop costs no data of the uplink.
		s.Schedule.Items = append(s.Schedule.Items, schedule.Item{Name: name, Kind: kind, Every: every, MaxBytes: mostBytes, Free: section == probes.Hop})
	}
	for _, t := range c.Targets {
		add(t.Name, t.Section, probes.Latency, t.Every, burstBytes(t))
	}
	for _, t := range c.Throughput {
		add(t.Name, t.Section, probes.Throughput, t.Every, int64(t.ByteBudget))
	}
	for _, v := range c.Services {
		add(v.Name, v.Section, probes.Service, v.Every, serviceBytes(v))
	}
	s.Needs = needs(c.Fit)
}

// burstBytes is the most that one burst may cost: of all methods an authenticated STAMP
// packet over IPv6 and its answer are the largest, 160 octets each.
func burstBytes(t config.Target) int64 { return int64(t.Count) * 2 * 160 }

// serviceBytes is the most that one look at a service may cost: the page, and for names,
// handshake and headers as much as the probe admits.
func serviceBytes(v config.Service) int64 { return int64(v.ByteLimit)*105/100 + 96<<10 }

// checkData compares the data budgets with what the probes need at the least.
func checkData(c *config.Config, report func(key, what, remedy string)) {
	var s agent.Setup
	withProbes(&s, c)
	var perDay, largest float64
	for _, i := range s.Schedule.Items {
		switch {
		case i.Free || i.Every <= 0:
		case i.Kind == probes.Throughput:
			largest = max(largest, float64(i.MaxBytes))
		default:
			perDay += float64(i.MaxBytes) * float64(24*time.Hour) / float64(i.Every)
		}
	}
	b := budget(c)
	for _, limit := range []struct {
		key   string
		bytes int64
		days  float64
	}{{"data.per_day", b.PerDay, 1}, {"data.per_month", b.PerMonth, 31}} {
		need := perDay*limit.days + largest
		if share := float64(limit.bytes) * (1 - b.ForwardShare); limit.bytes > 0 && need > share {
			report(limit.key, fmt.Sprintf("leaves the probes %.0f MB, and those of the uplink may take %.0f MB", share/1e6, need/1e6),
				"raise it, lower data.forward_share, or probe less often")
		}
	}
}

// budget is the data that probes and forwarding may use together.
func budget(c *config.Config) schedule.Budget {
	b := schedule.Budget{PerDay: int64(c.Data.PerDay), PerMonth: int64(c.Data.PerMonth)}
	if c.Forward != nil {
		b.ForwardShare = float64(c.Data.ForwardShare)
	}
	return b
}

// probed is one thing that is probed: where it stands in the configuration, and how
// its prober is made. files reads what it needs of files; with none the prober is
// made without, to see whether the configuration is in order.
type probed struct {
	key, name string
	section   probes.Section
	kind      probes.Kind
	make      func(f probeFiles) (probes.Prober, error)
	files     func() (probeFiles, error) // nil where none are needed
}

// probeFiles are a probe's secrets and certificates.
type probeFiles struct {
	token string
	key   []byte
	tls   *tls.Config
}

// standIn has the form of the files' contents, so that everything else can be checked.
func standIn(t probed) (f probeFiles) {
	if t.files != nil {
		f.token, f.key = strings.Repeat("-", reflector.MinToken), []byte(strings.Repeat("-", stamp.MinKey))
	}
	return f
}

func allProbed(c *config.Config) (all []probed) {
	for i, t := range c.Targets {
		p := probed{key: fmt.Sprintf("targets[%d]", i), name: t.Name, section: t.Section, kind: probes.Latency}
		p.make = func(f probeFiles) (probes.Prober, error) {
			if t.Method == stamp.Method {
				return stamp.NewProber(stampConfig(t, f.key))
			}
			return latency.New(latency.Config{
				Name: t.Name, Section: t.Section, Address: t.Address, Method: t.Method, Port: t.Port,
				Count: t.Count, Interval: t.Interval, Timeout: t.Timeout,
			})
		}
		if t.KeyFile != "" {
			p.files = func() (f probeFiles, err error) {
				key, err := secret.Read(t.KeyFile)
				return probeFiles{key: []byte(key)}, err
			}
		}
		all = append(all, p)
	}
	for i, t := range c.Throughput {
		p := probed{key: fmt.Sprintf("throughput[%d]", i), name: t.Name, section: t.Section, kind: probes.Throughput}
		p.make = func(f probeFiles) (probes.Prober, error) {
			if t.Reflector != "" || t.Source != "" {
				return reflector.New(reflectorConfig(t, f))
			}
			return throughput.New(throughput.Config{
				Name: t.Name, Section: t.Section, Server: t.Server, Streams: t.Streams, MaxBytes: int64(t.ByteBudget), Deadline: t.Deadline, Down: t.Down, Up: t.Up,
			})
		}
		if t.TokenFile != "" || t.CAFile != "" {
			p.files = func() (probeFiles, error) { return readProbeFiles(t) }
		}
		all = append(all, p)
	}
	for i, v := range c.Services {
		p := probed{key: fmt.Sprintf("services[%d]", i), name: v.Name, section: v.Section, kind: probes.Service}
		p.make = func(probeFiles) (probes.Prober, error) { return service.New(serviceConfig(v)) }
		all = append(all, p)
	}
	return all
}

func stampConfig(t config.Target, key []byte) stamp.Config {
	return stamp.Config{
		Name: t.Name, Section: t.Section, Address: hostPort(t.Address, t.Port, stamp.DefaultPort), Key: key,
		Count: t.Count, Interval: t.Interval, Timeout: t.Timeout,
	}
}

func hostPort(host string, port, fallback int) string {
	if port == 0 {
		port = fallback
	}
	return net.JoinHostPort(host, strconv.Itoa(port))
}

// reflectorConfig is a transfer with a reflector or a source.
func reflectorConfig(t config.Throughput, f probeFiles) reflector.Config {
	cfg := reflector.Config{
		Name: t.Name, Section: t.Section, Reflector: t.Reflector, Source: t.Source, TLS: f.tls,
		Streams: t.Streams, MaxBytes: int64(t.ByteBudget), Deadline: t.Deadline, Down: t.Down, Up: t.Up,
		LinkBitS: float64(t.LinkRate), Working: t.UnderLoad > 0, WorkingFor: t.UnderLoad,
	}
	if t.Reflector != "" {
		cfg.Token = f.token
	}
	if u, err := url.Parse(t.Reflector); err == nil && t.Packets != nil {
		cfg.STAMP.Address = hostPort(u.Hostname(), t.Packets.Port, stamp.DefaultPort)
		if t.Packets.KeyFile != "" {
			cfg.STAMP.Key = f.key
		}
	}
	return cfg
}

// mostCertificates bounds a file of certificates, bytes.
const mostCertificates = 1 << 20

func readProbeFiles(t config.Throughput) (f probeFiles, err error) {
	if t.TokenFile != "" {
		if f.token, err = secret.Read(t.TokenFile); err != nil {
			return f, err
		}
	}
	if t.Packets != nil && t.Packets.KeyFile != "" {
		key, err := secret.Read(t.Packets.KeyFile)
		if err != nil {
			return f, err
		}
		f.key = []byte(key)
	}
	if t.CAFile != "" {
		file, err := os.Open(t.CAFile)
		if err != nil {
			return f, fmt.Errorf("certificates: %w", err)
		}
		defer file.Close()
		text, err := io.ReadAll(io.LimitReader(file, mostCertificates))
		if err != nil {
			return f, fmt.Errorf("certificates: %w", err)
		}
		f.tls = &tls.Config{RootCAs: x509.NewCertPool(), MinVersion: tls.VersionTLS12}
		if !f.tls.RootCAs.AppendCertsFromPEM(text) {
			return f, fmt.Errorf("certificates %s: holds none in PEM form", t.CAFile)
		}
	}
	return f, nil
}

func serviceConfig(v config.Service) service.Config {
	cfg := service.Config{Name: v.Name, Section: v.Section, Status: v.Status, Marker: v.Marker, Deadline: v.Deadline, MaxBytes: int64(v.ByteLimit)}
	switch {
	case v.Page != "":
		cfg.Check, cfg.Address = service.CheckPage, v.Page
	case v.Connect != "":
		cfg.Check, cfg.Address = service.CheckPort, v.Connect
	default:
		cfg.Check, cfg.Address = service.CheckName, v.Resolve
	}
	return cfg
}

// checkProbes has each probe judge its part of the configuration. It reads no file,
// since the configuration may be for another board.
func checkProbes(c *config.Config, report func(key, what, remedy string)) {
	for _, p := range allProbed(c) {
		if _, err := p.make(standIn(p)); err != nil {
			report(p.key, err.Error(), "correct it")
		}
	}
}

// probers are the configured probes by name.
func probers(c *config.Config) (map[string]probes.Prober, error) {
	out := map[string]probes.Prober{}
	for _, p := range allProbed(c) {
		if p.files != nil {
			out[p.name] = fromFiles(p)
			continue
		}
		pr, err := p.make(probeFiles{})
		if err != nil {
			return nil, configError{fmt.Errorf("%s %s: %w", p.key, p.name, err)}
		}
		out[p.name] = pr
	}
	return out, nil
}

// fromFiles is a prober whose files are read anew at each probe, so that they can be
// changed without a restart. A file that is not there yet is a probe that could not
// be made, and no reason not to start.
type fromFiles probed

func (p fromFiles) Probe(ctx context.Context) probes.Result {
	start := time.Now()
	f, err := p.files()
	var pr probes.Prober
	if err == nil {
		pr, err = p.make(f)
	}
	if err != nil {
		return probes.Result{Target: p.name, Section: p.section, Kind: p.kind, Start: start, Elapsed: time.Since(start), Err: err}
	}
	return pr.Probe(ctx)
}
