package httpd_test

import (
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"candlemark/agent/alarm"
	"candlemark/agent/feed"
	"candlemark/agent/pack"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/quality"
)

func TestPageFetchesNothingFromElsewhere(t *testing.T) {
	w := get(serverOf(example()), "/")
	body := w.Body.String()
	for _, bad := range []string{"http://", "https://", "<img", "<style", "@import", "url(", " style=", " onclick="} {
		if strings.Contains(body, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	files := regexp.MustCompile(`(?:src|href)="(/assets/[^"]+)"`).FindAllStringSubmatch(body, -1)
	if len(files) < 5 || len(files) != strings.Count(body, "<script")+strings.Count(body, "<link") {
		t.Errorf("scripts and styles that are not the agent's own: %q", files)
	}
	for _, f := range files {
		if got := get(serverOf(example()), f[1]); got.Code != http.StatusOK || got.Body.Len() == 0 {
			t.Errorf("GET %s: %d", f[1], got.Code)
		}
	}
	csp := w.Header().Get("Content-Security-Policy")
	if !strings.HasPrefix(csp, "default-src 'none'; script-src 'self'; style-src 'self';") || strings.Contains(csp, "unsafe") {
		t.Errorf("Content-Security-Policy is %q", csp)
	}
}

func TestPageSays(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*status.Snapshot)
		says   []string
		not    []string
	}{
		"time left with range, what to do, ages": {
			func(*status.Snapshot) {},
			[]string{"between 100 min and 2 h 30 min", "feeding the load", `<p class="first">Pack a: Bring the next pack now.</p>`, `<section id="do" class="do warning"`, `<span class="cap">plan on</span> <b class="big">40 <small>min</small></b>`, `<span class="cap">most likely</span> <b class="big long">2 <small>h</small> 05 <small>min</small></b>`, "Be ready to swap by 18:55 UTC (25 min).",
				"18.50 V · 2.00 A · 37.0 W · 2 s ago",
				"ACT SOON: Pack a runs low.", "Active for 5 min.", "18.50 V ± 0.10 V", "2.00 A ± 0.02 A", "37.0 W ± 0.6 W", "<dd>2 s ago</dd>", `<span class="raw">Sensor: ina219 i2c-1/0x40</span>`, "62 % left",
				"1 of 10 packets", "3.0 ms median", "8 s ago", "10.0 Wh since", "30.0 of 200.0 MB today", "18:30:00 UTC"},
			[]string{"unknown —", "This page is old", "NaN", "above the cut-off"},
		},
		"an alarm that somebody knows of": {
			func(s *status.Snapshot) {
				s.Alarms[0].Acknowledged = &alarm.Acknowledged{Who: "ida", At: alarm.Instant{Up: s.Taken.Up - 2*time.Minute}, Until: s.Taken.Up + 18*time.Minute}
			},
			[]string{"Acknowledged by ida 2 min ago. Quiet for 18 min more, or until it gets worse.", "ACT SOON: Pack a runs low."}, []string{`data-alarm="bring_next_pack"`},
		},
		"unknown time left, and why": {
			func(s *status.Snapshot) {
				s.Packs[0].Forecast = pack.Forecast{State: pack.Unknown, Why: "only 20 s of readings so far"}
			},
			[]string{"unknown — only 20 s of readings so far", "Time left not known", "state not known"}, []string{"0 s</p>", "cut-off</dt>"},
		},
		"charging, without a reason of its own": {
			func(s *status.Snapshot) { s.Packs[0].Forecast = pack.Forecast{State: pack.Charging} },
			[]string{"unknown — charging, or on mains"}, []string{"Warnings go by"},
		},
		"reading gone stale": {
			func(s *status.Snapshot) {
				s.Packs[0].Stale, s.Packs[0].ReadingUp = true, 60*time.Minute
				s.Packs[0].LastError = "ina219 i2c-1/0x40: read bus voltage: no answer"
			},
			[]string{`unknown — the sensor cannot be read<span class="raw">ina219 i2c-1/0x40: read bus voltage: no answer</span>`, "18.50 V, 2.00 A, 30 min ago"}, []string{"± 0.10 V"},
		},
		"never read": {
			func(s *status.Snapshot) { s.Packs[0].ReadingKnown = false; s.Alarms = nil },
			[]string{"unknown — no reading yet", "NOT WATCHED", "no pack is being read: do not rely on a warning"}, []string{"NOTHING TO DO", "0.00 V"},
		},
		"clipped current": {
			func(s *status.Snapshot) { s.Packs[0].Reading.Clipped = true },
			[]string{"at least 2.00 A: clipped", "at least 37.0 W"}, []string{"2.00 A ± "},
		},
		"all is well": {
			func(s *status.Snapshot) { s.Alarms = nil },
			[]string{"NOTHING TO DO NOW", "No alarm is active.", `<section id="do" class="do"`}, []string{"ACT SOON"},
		},
		"the most urgent alarm first": {
			func(s *status.Snapshot) {
				s.Alarms = append(s.Alarms, alarm.Active{Name: alarm.ShutTerminalDown, Severity: alarm.Critical, Subject: "a", Title: "pack a is nearly flat", Action: "shut the terminal down now: tell its users"})
			},
			[]string{`<section id="do" class="do critical"`, `<p class="word">ACT NOW</p>`, `<p class="first">Pack a: Shut the terminal down now.</p><p class="by">Have it off by 19:10 UTC (40 min). A swap before then makes this unnecessary.</p>`, `<p class="how">Tell its users.</p>`, `data-open="ack" data-alarm="shut_terminal_down" data-subject="a"`, `data-open="ack" data-alarm="bring_next_pack"`,
				"1 less urgent below.", `<p class="first">Bring the next pack now.</p>`, "<title>ACT NOW: Pack a is nearly flat."}, []string{"Pack a: Bring"},
		},
		"the terminal is off: until when, and of which load the time left is": {
			func(s *status.Snapshot) {
				s.Feed = &status.Feed{Pack: "a", View: feed.View{Switched: true, Mode: feed.ModeOff, Text: "the terminal's feed is off", ChangeIn: 34 * time.Minute, ChangeKnown: true,
					After: feed.Runtime{MeanW: 87.6, Expected: 16 * time.Minute, Low: 12 * time.Minute, High: 20 * time.Minute}, AfterKnown: true}}
				s.Alarms = []alarm.Active{{Name: alarm.ShutTerminalDown, Severity: alarm.Critical, Subject: "a", Title: "pack a will soon be flat", Action: "swap the pack before 19:04 UTC (34 min), or lengthen the off: the terminal is off until then"}}
			},
			[]string{"<title>Terminal OFF until 19:04 UTC (34 min). ACT NOW", `<p class="by">Terminal OFF until 19:04 UTC (34 min).</p>`, `<p class="first">Pack a: Swap the pack before 19:04 UTC (34 min), or lengthen the off.</p>`,
				"feeding the load, the terminal is off", `<span class="range">at the present load, terminal off</span>`, "Once the terminal is back on, about 16 min more (12 min to 20 min) at 87.6 W."},
			[]string{"Have it off", "Shut the terminal down"},
		},
		"the same action for two packs is two lines": {
			func(s *status.Snapshot) {
				other := s.Alarms[0]
				other.Subject, other.Title = "b", "Pack b runs low"
				s.Alarms = append(s.Alarms, other)
			},
			[]string{"Pack a: Bring the next pack now.", "Pack b: Bring the next pack now."}, []string{`<p class="first">Bring`},
		},
		"at the cut-off the lead times' actions of that pack are gone, another pack's stay": {
			func(s *status.Snapshot) {
				s.Packs[0].Forecast = pack.Forecast{State: pack.Discharging, Known: true, ChargeKnown: true, LoadW: 36, CutoffV: 15}
				s.Alarms = append(s.Alarms,
					alarm.Active{Name: alarm.PackAtCutoff, Severity: alarm.Critical, Subject: "a", Title: "pack a is at its cut-off", Action: "take the pack off its load: it is harmed"},
					alarm.Active{Name: alarm.ShutTerminalDown, Severity: alarm.Critical, Subject: "a", Title: "pack a will soon be flat", Action: "shut the terminal down"},
					alarm.Active{Name: alarm.ShutTerminalDown, Severity: alarm.Critical, Subject: "b", Title: "pack b will soon be flat", Action: "shut the terminal down"})
			},
			[]string{"Pack a: Take the pack off its load.", "Pack b: Shut the terminal down.", "Too late for this", `<b class="big">0 <small>min</small></b> <span class="range">none left</span>`},
			[]string{"Pack a: Shut", "Pack a: Bring", `"first">Bring`, "at least 0 s"},
		},
		"a mark, and a current that rounds to nothing from below": {
			func(s *status.Snapshot) { s.Packs[0].Mark, s.Packs[0].Reading.PackA = "P-07", -0.001 },
			[]string{"pack a, marked P-07: feeding", "<dd>0.00 A ± "}, []string{"-0.0"},
		},
		"where a fault of the link lies": {
			func(s *status.Snapshot) {
				s.Trouble = status.Trouble{Known: true, Shown: true, Place: quality.LocalHop, Evidence: "the hop lost 4 of 10 packets"}
			},
			[]string{"Link: fault on the near hop", "The hop lost 4 of 10 packets."}, []string{"no fault seen"},
		},
		"what the link is good enough for": {
			func(s *status.Snapshot) {
				s.Fit = []quality.Verdict{
					{Use: quality.UseVoice, Word: quality.Fit, Because: "R is 88"}, {Use: quality.UseVideo, Word: quality.Unfit, Because: "too slow up"},
					{Use: quality.UseForms, Word: quality.Usable, Because: "3 s a form", Users: 12, UsersKnown: true, UsersBecause: "by rate"}, {Use: quality.UseFile, Word: quality.CannotTell, Because: "no rate"},
				}
			},
			[]string{`<li class="yes"><span class="sign" aria-hidden="true">✓</span><b>Voice</b> <span>good</span></li>`, `<li class="no"><span class="sign" aria-hidden="true">✕</span><b>Video</b> <span>not good enough</span></li>`,
				"<strong>forms and messaging: usable.</strong> 3 s a form. About 12 at once with nothing else on the link: by rate; not tried.", "<strong>file transfer: cannot tell.</strong>"}, []string{"<b>File"},
		},
		"no fault of the link, and the terminal's feed": {
			func(s *status.Snapshot) {
				s.Trouble = status.Trouble{Known: true, Place: quality.NoFault, Evidence: "nothing above normal"}
				s.Feed = &status.Feed{Pack: "a", View: feed.View{Text: "the terminal's feed is on"}}
			},
			[]string{"Link: no fault seen", "Nothing above normal.", `<span class="lamp dark" aria-hidden="true"></span>SHOULD BE OFF</span>`, "The terminal&#39;s feed is on."}, nil,
		},
		"what does not work, in plain words first": {
			func(s *status.Snapshot) {
				s.Journal = status.Journal{Path: "x", LastError: "write x: no space left"}
				s.Receivers = []status.Receiver{{Name: "siren", LastError: "connection refused"}}
			},
			[]string{`<dd>cannot be written<span class="raw">write x: no space left</span>`, "<dd>the last one did not get through; ", `<span class="raw">connection refused</span>`},
			[]string{"Link: "},
		},
		"clock not set": {
			func(s *status.Snapshot) { s.ClockSet = false },
			[]string{"The board&#39;s clock is not set; it shows"}, []string{"As of"},
		},
		"target without an answer": {
			func(s *status.Snapshot) {
				s.Targets[0].Last.Latency = &probes.LatencyStats{Sent: 10, Lost: 10}
			},
			[]string{"no answer", "10 of 10 packets"}, []string{"median", "0.0 ms"},
		},
		"target that cannot be measured": {
			func(s *status.Snapshot) {
				s.Targets[0].LastError, s.Targets[0].LastOld = "lookup terminal: no such host", true
			},
			[]string{"not measured", "lookup terminal: no such host"}, []string{"median"},
		},
		"each direction of packets apart": {
			func(s *status.Snapshot) {
				l := s.Targets[0].Last.Latency
				l.Forth = &probes.Direction{Sent: 10, Lost: 1, LossKnown: true, VariationKnown: true, Jitter: 700 * time.Microsecond}
				l.Back = &probes.Direction{Sent: 9, LossKnown: true}
			},
			[]string{"<dt>away from here</dt><dd>1 of 10 lost, jitter 0.7 ms</dd>", "<dt>back to here</dt><dd>0 of 9 lost</dd>"}, nil,
		},
		"a transfer under load, of which one direction failed": {
			func(s *status.Snapshot) {
				delays := []time.Duration{100 * time.Millisecond, 100 * time.Millisecond}
				s.Targets = []status.Target{{Name: "hop rate", Section: probes.Hop, Kind: probes.Throughput, LastKnown: true, LastError: "up: stalled",
					Last: probes.Result{Start: time.Now(), Throughput: &probes.ThroughputStats{Server: "invented", Down: 40e6, DownKnown: true, DownDetail: &probes.Transfer{
						HalfWidth: 0.08, HalfWidthKnown: true, SpentBytes: 9e6, Elapsed: 2500 * time.Millisecond,
						Loaded:  &probes.LatencyStats{Sent: 100, Lost: 2, RTTKnown: true, Median: 61 * time.Millisecond, P95: 88 * time.Millisecond},
						Working: &probes.WorkingDelays{TCP: delays, HTTP: delays, Loaded: delays}}}}}}
			},
			// 100 ms are 600 round trips a minute, fair by the IETF draft (checks E30, E31).
			[]string{"one part of the probe could not be made", "up: stalled", "40.00 Mbit/s ± 8 %, for 9.0 MB in 2.5 s", "<dd>61.0 ms median, 88.0 ms at the 95th percentile, 2 of 100 lost</dd>",
				"600 round trips a minute, fair", "<dt>up</dt><dd>not measured</dd>"}, nil,
		},
		"a transfer whose budget ended the load": {
			func(s *status.Snapshot) {
				s.Targets = []status.Target{{Name: "hop rate", Section: probes.Hop, Kind: probes.Throughput, LastKnown: true, Last: probes.Result{Start: time.Now(),
					Throughput: &probes.ThroughputStats{Server: "invented", Down: 40e6, DownKnown: true, DownDetail: &probes.Transfer{LoadedWhy: "the load was over too soon (byte_budget)"}}}}}
			},
			[]string{"<dt>busy down</dt><dd>not measured: the load was over too soon (byte_budget)</dd>"}, []string{"responsiveness", "round trip, busy"},
		},
		"a service that does not work": {
			func(s *status.Snapshot) {
				s.Targets = []status.Target{{Name: "forms", Section: probes.Uplink, Kind: probes.Service, LastKnown: true,
					Last: probes.Result{Start: time.Now(), Elapsed: 80 * time.Millisecond, Service: &probes.ServiceStats{Problem: "answered 503", Connect: 21 * time.Millisecond, ConnectKnown: true}}}}
			},
			[]string{"forms (uplink, service): does not work", `<span class="raw">answered 503</span>`, "<dt>connection</dt><dd>21.0 ms</dd>"}, []string{"<dt>encryption</dt>", ">0.0 ms"},
		},
		"what it is good enough for, needed beside measured": {
			func(s *status.Snapshot) {
				m := quality.Measured{RTTMs: quality.Known(600), VariationMs: quality.Known(5), Sent: 500, DownBitS: quality.Known(20e6), UpBitS: quality.Figure{Why: "never tried"},
					Services: []quality.ServiceSeen{{Name: "forms", Known: true, Detail: "answered 503"}}}
				s.Fit, _ = quality.Judge(m, quality.DefaultNeeds())
			},
			// Half of 600 ms, 20 ms of the ends and 20 ms of buffer: above the 150 ms of G.114, below its 400.
			[]string{"<strong>voice: not good enough.</strong>", "<strong>video meeting: cannot tell.</strong>", "<td>340 ms</td><td>at most 150, usable up to 400 ms<span class=\"raw\">ITU-T G.114, G.1010</span></td><td>usable</td>",
				"<strong>named services: not good enough.</strong>", "does not work: answered 503", "never tried", "Assumed: "}, []string{"NaN"},
		},
		"throughput in one direction, held back": {
			func(s *status.Snapshot) {
				s.Targets = []status.Target{{Name: "wide area", Section: probes.Uplink, Kind: probes.Throughput, NotRun: "data budget spent", LastKnown: true,
					Last: probes.Result{Start: time.Now().Add(-time.Hour), Throughput: &probes.ThroughputStats{Server: "invented", Down: 80e6, DownKnown: true, DownBytes: 20e6}}}}
			},
			[]string{"80.00 Mbit/s over 20.0 MB", "<dt>up</dt><dd>not measured</dd>", "data budget spent", "1 h 00 min ago"}, []string{">0.00 Mbit/s"},
		},
		"markup in names is text": {
			func(s *status.Snapshot) {
				s.Relay, s.Packs[0].Name, s.Targets[0].Name = "<script>1</script>", "<b>", `"><img src=x>`
				s.Alarms[0].Title, s.Alarms[0].Action = "<i>", "<u>"
			},
			[]string{"&lt;script&gt;1&lt;/script&gt;", "&lt;b&gt;", "&lt;img src=x&gt;", "&lt;i&gt;", "&lt;u&gt;"},
			[]string{"<script>", "<b>", "<img", "<i>", "<u>"},
		},
		"an agent without packs": {
			func(s *status.Snapshot) { *s = status.Snapshot{} },
			[]string{"No pack is configured", "The agent has not looked yet."}, []string{"NaN", "0 s left"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := example()
			c.change(&s)
			w := get(serverOf(s), "/")
			if w.Code != http.StatusOK {
				t.Fatalf("status %d", w.Code)
			}
			body := w.Body.String()
			for _, words := range c.says {
				if !strings.Contains(body, words) {
					t.Errorf("the page does not say %q:\n%s", words, body)
				}
			}
			for _, words := range c.not {
				if strings.Contains(body, words) {
					t.Errorf("the page says %q", words)
				}
			}
		})
	}
}

func TestTimesAreLocalAndUTC(t *testing.T) {
	was := time.Local
	t.Cleanup(func() { time.Local = was })
	for name, c := range map[string]struct {
		zone *time.Location
		says []string
	}{
		"a board in a zone of its own": {time.FixedZone("", 2*3600), []string{"As of 2026-03-14 20:30:00 local time (18:30:00 UTC).", "since 20:25 local time (18:25 UTC)."}},
		"a board that keeps UTC":       {time.UTC, []string{"As of 2026-03-14 18:30:00 UTC (the board&#39;s local time is UTC).", "since 18:25 UTC."}},
	} {
		t.Run(name, func(t *testing.T) {
			time.Local = c.zone
			s := example()
			s.Alarms[0].Raised.Wall, s.Alarms[0].ClockSet = s.Taken.Wall.Add(-5*time.Minute), true
			body := get(serverOf(s), "/").Body.String()
			for _, words := range c.says {
				if !strings.Contains(body, words) {
					t.Errorf("the page does not say %q:\n%s", words, body)
				}
			}
		})
	}
}
