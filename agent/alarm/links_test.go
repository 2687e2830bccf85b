package alarm

import (
	"strings"
	"testing"
	"time"
)

func TestLinkAlarms(t *testing.T) {
	const link, hop = " link_down ", " hop_down terminal"
	cases := []struct {
		name string
		do   func(r *rig)
		want []string
	}{
		{"two misses are not an outage", func(r *rig) {
			r.probe(false, false, false)
			r.probe(false, false, false)
			r.probe(true, true, true)
		}, nil},
		{"three misses everywhere", func(r *rig) {
			for range 3 {
				r.probe(false, false, false)
			}
		}, []string{"raised" + link, "raised" + hop}},
		{"one uplink target that answers keeps the link up", func(r *rig) {
			for range 9 {
				r.probe(true, false, true)
			}
		}, nil},
		{"only the hop is silent", func(r *rig) {
			for range 3 {
				r.probe(false, true, true)
			}
		}, []string{"raised" + hop}},
		{"one answer is not yet back, two are", func(r *rig) {
			for range 3 {
				r.probe(true, false, false)
			}
			r.probe(true, true, false)
			r.probe(true, false, false)
			r.expectActive(LinkDown)
			r.probe(true, true, false)
			r.probe(true, true, false)
		}, []string{"raised" + link, "cleared" + link}},
		{"time alone adds no misses", func(r *rig) {
			r.probe(false, false, false)
			r.read(time.Hour)
		}, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := newRig()
			c.do(r)
			r.expect(t, c.want...)
		})
	}
}

func TestLinkDownSaysThatTheHopIsSilentToo(t *testing.T) {
	r := newRig()
	for range 3 {
		r.probe(false, false, false)
	}
	title := r.m.Active()[0].Title
	if !strings.Contains(title, "terminal does not answer either") {
		t.Errorf("title %q does not say that the hop is down", title)
	}
	r.probe(true, false, false)
	if title := r.m.Active()[0].Title; !strings.Contains(title, "terminal answers") {
		t.Errorf("title %q does not say that the hop answers now", title)
	}
}
