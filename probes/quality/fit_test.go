package quality

import (
	"math"
	"strings"
	"testing"
	"time"

	"candlemark/probes"
)

// good is a link that is fit for everything: 40 ms, 20 Mbit/s, no loss in 1000.
func good() Measured {
	return Measured{
		RTTMs: Known(40), LoadedRTTMs: Known(60), VariationMs: Known(5), LoadedVarMs: Known(12),
		DownBitS: Known(20e6), UpBitS: Known(20e6), Sent: 1000,
	}
}

func verdict(t *testing.T, m Measured, use string) Verdict {
	t.Helper()
	all, err := Judge(m, DefaultNeeds())
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range all {
		if v.Use == use {
			return v
		}
	}
	t.Fatalf("no verdict for %s", use)
	return Verdict{}
}

func TestJudge(t *testing.T) {
	for name, c := range map[string]struct {
		use     string
		change  func(*Measured)
		word    Word
		because string
		users   int // -1 not known
	}{
		"voice on a good link":          {"voice", func(*Measured) {}, Fit, "every need", 150},
		"video on a good link":          {"video meeting", func(*Measured) {}, Fit, "every need", 15},
		"forms on a good link":          {"forms and messaging", func(*Measured) {}, Fit, "every need", 300},
		"files on a good link":          {"file transfer", func(*Measured) {}, Fit, "every need", 11}, // 15 Mbit/s over 80 Mbit in 60 s
		"voice, upload starves":         {"voice", func(m *Measured) { m.UpBitS = Known(250e3) }, Fit, "every need", 1},
		"video, upload starves":         {"video meeting", func(m *Measured) { m.UpBitS = Known(250e3) }, Unfit, "rate for one user, up", 0},
		"voice, long queue when busy":   {"voice", func(m *Measured) { m.LoadedRTTMs = Known(900) }, Unfit, "link busy", 0},
		"voice, busy never measured":    {"voice", func(m *Measured) { m.LoadedRTTMs, m.LoadedVarMs = Figure{}, Figure{} }, CannotTell, "because mouth to ear, one way, link busy: not measured", 150},
		"voice, much loss":              {"voice", func(m *Measured) { m.Lost = 100 }, Unfit, "100 of 1000", 0},
		"voice, ten packets prove less": {"voice", func(m *Measured) { m.Sent = 10 }, CannotTell, "no loss in 10 packets may be up to 28 %; 125 packets without loss would tell", 150},
		"voice, no loss, but few packets": {"voice", func(m *Measured) { m.Sent = 240 }, Usable,
			"loss is none in 240 packets, but up to 1.6 % cannot be excluded, needed at most 1 %, usable up to 3 %", 150}, // Wilson's bound z²/(n+z²)
		"voice, upload not measured":   {"voice", func(m *Measured) { m.UpBitS = Figure{Why: "refused by the server"} }, CannotTell, "refused by the server", -1},
		"files, nothing carried":       {"file transfer", func(m *Measured) { m.DownBitS = Known(0) }, Unfit, "never", 0},
		"forms, round trips of 700 ms": {"forms and messaging", func(m *Measured) { m.LoadedRTTMs = Known(700) }, Usable, "10 kB", 300},
		"nothing measured":             {"voice", func(m *Measured) { *m = Measured{} }, CannotTell, "because", -1},
	} {
		t.Run(name, func(t *testing.T) {
			m := good()
			c.change(&m)
			v := verdict(t, m, c.use)
			if v.Word != c.word || !strings.Contains(v.Because, c.because) {
				t.Errorf("%s: %s", v.Word, v.Because)
			}
			if v.UsersKnown != (c.users >= 0) || v.UsersKnown && v.Users != c.users {
				t.Errorf("users %d known %v (%s), want %d", v.Users, v.UsersKnown, v.UsersBecause, c.users)
			}
			for _, l := range v.Lines {
				if l.Source == "" || l.Need == "" || l.Measured == "" {
					t.Errorf("a line lacks its need or source: %+v", l)
				}
			}
		})
	}
}

// Propagation alone, computed: 35 786 km up and down is 477.5 ms there and back,
// 550 km overhead 7.34 ms. G.114: 150 ms one way suits most uses, 400 ms is the
// limit of planning (E47, E54, E55).
func TestOrbits(t *testing.T) {
	const kmPerMs = 299.792458
	high, low := 4*35786/kmPerMs, 4*550/kmPerMs
	near(t, "geostationary round trip", high, 477.5, 0.05)
	near(t, "low orbit round trip", low, 7.34, 0.005)
	for rtt, want := range map[float64]Word{high: Usable, low: Fit} {
		m := good()
		m.RTTMs = Known(rtt)
		if l := verdict(t, m, "voice").Lines[0]; l.Word != want {
			t.Errorf("%.0f ms: %s, want %s (%s)", rtt, l.Word, want, l.Measured)
		}
	}
}

// E50, E51, E53: 40 octets of headers on every packet of 20 ms.
func TestRateOfACall(t *testing.T) {
	near(t, "G.711", G711().IPBitS(), 80e3, 0)
	near(t, "G.729A", G729A().IPBitS(), 24e3, 0)
	near(t, "24 kbit/s in packets of 20 ms", Codec{PayloadBitS: 24e3, FrameMs: 20}.IPBitS(), 40e3, 0)
}

func TestACallSaysWhatItAssumes(t *testing.T) {
	v, err := RateCall(Call{OneWayMs: 40, VariationMs: 15, LossRatio: 0.01}, G711())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mouth to ear", v.MouthToEarMs, 40+20+30, 1e-9)
	near(t, "Ie,eff", v.IeEff, 3.64, 0.005) // E45
	all := strings.Join(v.Assumptions, "\n")
	for _, word := range []string{"Bpl 25.1", "with loss concealment", "half of the round trip", "G.107", "Cole and Rosenbluth", "burst ratio 1", "TELR 65"} {
		if !strings.Contains(all, word) {
			t.Errorf("the assumptions lack %q:\n%s", word, all)
		}
	}
	low, err := RateCall(Call{OneWayMs: 40, VariationMs: 15, LossRatio: 0.01}, G729A())
	if err != nil || low.R >= v.R {
		t.Errorf("the low-rate codec rates %.1f, no lower than %.1f; %v", low.R, v.R, err)
	}
	for _, bad := range []Call{{OneWayMs: math.NaN()}, {VariationMs: -1}, {LossRatio: 1.1}, {OneWayMs: math.Inf(1)}} {
		if _, err := RateCall(bad, G711()); err == nil {
			t.Errorf("%+v was rated", bad)
		}
	}
}

// Of the needs printed in the open recommendations (E47, E48, E49).
func TestDefaultNeedsFollowTheirSources(t *testing.T) {
	n := DefaultNeeds()
	if err := n.Check(); err != nil {
		t.Fatal(err)
	}
	near(t, "G.114 preferred delay", n.Voice.OneWayMs.Preferred, 150, 0)
	near(t, "G.114 limit of delay", n.Voice.OneWayMs.Limit, 400, 0)
	near(t, "G.1010 voice loss", n.Voice.LossRatio.Limit, 0.03, 0)
	near(t, "G.1010 videophone loss", n.VideoMeeting.LossRatio.Preferred, 0.01, 0)
	near(t, "G.1010 page", n.FormsMessaging.Seconds.Limit, 4, 0)
	near(t, "G.1010 bulk", n.FileMove.Seconds.Limit, 60, 0)
	near(t, "Y.1541 class 0 variation", n.Voice.VariationMs.Preferred, 50, 0)
	if n.VideoMeeting.BitS.Source != RuleOfThumb {
		t.Error("no open standard gives the rate of a video meeting; it must be marked")
	}
}

func TestNeedsAreChecked(t *testing.T) {
	for name, change := range map[string]func(*Needs){
		"limit before preferred":   func(n *Needs) { n.Voice.OneWayMs.Limit = 100 },
		"NaN":                      func(n *Needs) { n.FileMove.Seconds.Limit = math.NaN() },
		"no share":                 func(n *Needs) { n.UsableShare = 0 },
		"rate of nothing":          func(n *Needs) { n.Voice.BitS = Need{} },
		"a limit above preferred":  func(n *Needs) { n.VideoMeeting.BitS = Need{Preferred: 1, Limit: 2} },
		"a transfer without bytes": func(n *Needs) { n.FormsMessaging.Bytes = 0 },
	} {
		n := DefaultNeeds()
		change(&n)
		if _, err := Judge(good(), n); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}

func TestChangedNeedsChangeTheVerdict(t *testing.T) {
	n := DefaultNeeds()
	n.VideoMeeting.BitS = Need{Preferred: 40e6, Limit: 30e6, Source: "the site's own"}
	all, err := Judge(good(), n)
	if err != nil || all[1].Word != Unfit || !strings.Contains(all[1].Because, "30 Mbit/s") {
		t.Errorf("%+v, %v", all[1], err)
	}
}

func TestMeasuredFromProbesKeepsWhatIsNotKnown(t *testing.T) {
	m := MeasuredFrom(
		&probes.LatencyStats{Sent: 10, Lost: 9, RTTKnown: true, Median: 40 * time.Millisecond},
		&probes.LatencyStats{Sent: 10, Lost: 10},
		&probes.ThroughputStats{DownKnown: true, Down: 5e6},
	)
	if !m.RTTMs.Known || m.RTTMs.V != 40 || m.VariationMs.Known || m.LoadedRTTMs.Known || !m.DownBitS.Known || m.UpBitS.Known || m.Lost != 9 {
		t.Errorf("%+v", m)
	}
	if !strings.Contains(m.LoadedRTTMs.Why, "none of 10") {
		t.Errorf("why: %q", m.LoadedRTTMs.Why)
	}
	if f := Known(math.NaN()); f.Known {
		t.Error("NaN is known")
	}
}
