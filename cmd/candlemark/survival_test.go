package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"

	"candlemark/agent"
	"candlemark/agent/alarm"
	"candlemark/agent/control"
	"candlemark/agent/feed"
	"candlemark/agent/journal"
	"candlemark/agent/notify"
	"candlemark/sensors/ina219/ina219test"
	"candlemark/sensors/simulated"
)

// The static program is killed at random while readings, samples for forwarding,
// alarms, swaps, switchings and notes flow, again and again on one journal. What was
// acknowledged must be there after every start, no start may find a damaged journal,
// no alarm may be told twice with different words under one id, and the time left
// must hold the truth, of which the simulated pack alone knows.
//
// 15 kills, and 1,000 with CANDLEMARK_LONG=1 (about 8 min).
func TestKilledAtRandom(t *testing.T) {
	kills := 15
	if os.Getenv("CANDLEMARK_LONG") != "" {
		kills = 1000
	}
	s := newSurvivor(t)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	dice := rand.New(rand.NewPCG(seed, 1))
	began := time.Now()
	for i := range kills {
		s.cycle(time.Duration(dice.Int64N(int64(400*time.Millisecond))), i%5 == 4)
	}
	s.verify()
	t.Logf("%d kills in %s: %d notes, %d swaps, %d switchings acknowledged; %d alarm messages of %d alarms, byte for byte the same where they came twice; time left compared with the truth %d times; journal of %d KiB",
		kills, time.Since(began).Round(time.Second), len(s.notes), s.swaps, s.switchings, s.hooked.messages, len(s.hooked.life), s.compared, s.journalKiB())
	if s.compared == 0 || s.swaps == 0 || s.switchings == 0 || len(s.notes) < kills || s.hooked.messages == 0 {
		t.Error("something did not flow, so that the test shows nothing of it")
	}
}

// point is what the sensor sees at one moment.
type point struct{ busV, amps float64 }

// survivor is the program, its world, and what it has acknowledged.
type survivor struct {
	t            *testing.T
	file, socket string
	chip         *ina219test.Chip
	began        time.Time
	path         []point       // of the true pack, a second each
	left         time.Duration // to its cut-off when it began
	buses        map[int]i2c.Bus
	hooked       *hooked

	mu         sync.Mutex
	said       int
	notes      []string // acknowledged
	checked    int      // of these, found after a start
	marks      []string // what may stand at b: the last acknowledged, and what was tried since
	swaps      int
	offs       []feed.Action // likewise of the feed
	switchings int
	compared   int
}

func newSurvivor(t *testing.T) *survivor {
	s := &survivor{t: t, hooked: &hooked{t: t, first: map[string]string{}, life: map[string]string{}}, marks: []string{""}}
	hook := httptest.NewServer(s.hooked)
	t.Cleanup(hook.Close)
	deaf := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusServiceUnavailable) }))
	t.Cleanup(deaf.Close)
	s.file, s.socket = writeConfig(t, "127.0.0.1:0", "relay: stair\npacks:\n"+chipConfig("a", 1, 0x40)+chipConfig("b", 2, 0x41)+
		"feed: {pack: a, terminal_draw: 30W, shutdown_command: [/bin/true], shutdown_takes: 1s}\n"+
		"forward: {url: "+deaf.URL+", every: 1s, send_every: 1s}\n"+
		"receivers:\n  - {name: hook, kind: webhook, url: "+hook.URL+"}\n")
	second := ina219test.New(0x41, shuntOhm)
	second.Set(18.5, 1)
	s.chip = ina219test.New(0x40, shuntOhm)
	s.buses = map[int]i2c.Bus{1: ina219test.NewBus("i2c-1", s.chip), 2: ina219test.NewBus("i2c-2", second)}
	s.seed()
	return s
}

// seed gives the journal what 30 min of discharge taught of the pack, so that the
// time left is known from the first start on, and draws up how that pack goes on.
func (s *survivor) seed() {
	cfg, err := load(s.file)
	if err != nil {
		s.t.Fatal(err)
	}
	kit := simulated.DefaultConfig()
	kit.LoadW, kit.ShuntOhm, kit.LockoutV = 30, shuntOhm, 0
	var saved agent.PackState
	synctest.Test(s.t, func(t *testing.T) {
		sim, err := simulated.New(kit)
		if err != nil {
			t.Fatal(err)
		}
		sensor, start := sim.Sensor(), time.Now()
		st, err := agent.NewState(setup(cfg, "seed"), agent.Memory{}, alarm.Instant{Wall: start}, false)
		if err != nil {
			t.Fatal(err)
		}
		for range 900 {
			r, err := sensor.Read()
			if err != nil {
				t.Fatal(err)
			}
			at := alarm.Instant{Up: time.Since(start), Wall: time.Now()}
			for _, e := range []agent.Event{agent.Read{At: at, Pack: "a", Reading: r}, agent.Tick{At: at}} {
				var effects []agent.Effect
				st, effects = agent.Step(st, e)
				for _, e := range effects {
					if e, ok := e.(agent.SavePack); ok && e.Pack == "a" {
						saved = e.State
					}
				}
			}
			time.Sleep(2 * time.Second)
		}
		known := false
		if s.left, known = sim.TimeToCutoff(); !known {
			t.Fatal("the simulated pack does not know how long it lasts")
		}
		for range 3600 {
			truth := sim.Truth()
			s.path = append(s.path, point{truth.PackV - truth.PackA*shuntOhm, truth.PackA})
			time.Sleep(time.Second)
		}
	})
	j, err := journal.Open(s.journal(), journal.Options{Boot: "seed"})
	if err != nil {
		s.t.Fatal(err)
	}
	if err := errors.Join(j.PutPackState("a", saved), j.Close()); err != nil {
		s.t.Fatal(err)
	}
	s.began = time.Now()
	s.live()
}

// live has the sensor see the pack as it is by now, and returns the true time left.
func (s *survivor) live() time.Duration {
	gone := time.Since(s.began)
	now := s.path[min(int(gone/time.Second), len(s.path)-1)]
	s.chip.Set(now.busV, now.amps)
	return s.left - gone
}

func (s *survivor) journal() string { return filepath.Join(filepath.Dir(s.file), "journal.db") }

func (s *survivor) journalKiB() int64 {
	info, err := os.Stat(s.journal())
	if err != nil {
		s.t.Fatal(err)
	}
	return info.Size() >> 10
}

// cycle starts the program, uses it, and kills it after a time.
func (s *survivor) cycle(after time.Duration, compare bool) {
	ctx, stop := context.WithCancel(s.t.Context())
	defer stop()
	s.live()
	p := launch(s.t, s.buses, "run", "--config", s.file)
	var work sync.WaitGroup
	if compare {
		s.look(s.dial(ctx, p))
		s.compare(p)
	}
	work.Go(func() { s.talk(ctx, s.dial(ctx, p)) })
	select {
	case <-time.After(after):
	case <-p.ended:
		s.t.Fatalf("it ended by itself: %v\n%s", p.err, p.out.String())
	}
	if err := p.signal(syscall.SIGKILL); err != nil {
		s.t.Fatal(err)
	}
	<-p.ended
	stop()
	work.Wait()
	for _, bad := range []string{"damaged", "panic", "not carried on", "not kept"} {
		if strings.Contains(p.out.String(), bad) {
			s.t.Fatalf("it says %q:\n%s", bad, p.out.String())
		}
	}
}

// dial waits for the socket; nil when the program was killed before.
func (s *survivor) dial(ctx context.Context, p *process) *control.Client {
	for {
		if c, err := control.Dial(s.socket); err == nil {
			return c
		}
		select {
		case <-ctx.Done():
			return nil
		case <-p.ended:
			return nil
		case <-time.After(2 * time.Millisecond):
		}
	}
}

// talk looks whether all is there, and goes on telling until the kill.
func (s *survivor) talk(ctx context.Context, c *control.Client) {
	if c == nil || !s.look(c) {
		return
	}
	defer c.Close()
	for i := 0; ctx.Err() == nil; i++ {
		s.mu.Lock()
		s.said++
		n := s.said
		s.mu.Unlock()
		switch i % 4 {
		case 1:
			mark := fmt.Sprint("M", n)
			s.marks = append(s.marks, mark)
			if _, err := c.Swap(ctx, "b", mark, true); err == nil {
				s.marks = []string{mark}
				s.swaps++
			}
		case 3:
			ask := feed.Request{Do: feed.AskOff, For: 45 * time.Minute}
			if n%8 >= 4 {
				ask = feed.Request{Do: feed.AskOn}
			}
			s.offs = append(s.offs, ask.Do)
			if _, err := c.Feed(ctx, ask); err == nil {
				s.offs = []feed.Action{ask.Do}
				s.switchings++
			}
		default:
			text := fmt.Sprint("note ", n)
			if _, err := c.Note(ctx, text); err == nil {
				s.notes = append(s.notes, text)
			}
		}
	}
}

// look compares what the program knows after a start with what it acknowledged.
func (s *survivor) look(c *control.Client) bool {
	if c == nil {
		return false
	}
	snap, err := c.Snapshot(s.t.Context())
	if err != nil {
		return false // killed
	}
	records, err := c.Records(s.t.Context(), journal.Filter{Kinds: []journal.Kind{journal.KindNote}, Limit: 400})
	if err != nil {
		return false
	}
	found := map[string]bool{}
	for _, r := range records {
		found[r.Text] = true
	}
	for _, n := range s.notes[max(s.checked, len(s.notes)-300):] {
		if !found[n] {
			s.t.Errorf("%q was acknowledged and is gone", n)
		}
	}
	s.checked = len(s.notes)
	for _, p := range snap.Packs {
		if p.Name == "b" && !slices.Contains(s.marks, p.Mark) {
			s.t.Errorf("the pack at b is %q, want one of %q", p.Mark, s.marks)
		}
	}
	if len(s.offs) == 1 && s.offs[0] == feed.AskOff && snap.Feed.Mode != feed.ModeOff {
		s.t.Errorf("an off was acknowledged, and the feed is %q", snap.Feed.Mode)
	}
	return !s.t.Failed()
}

// compare waits for the time left and holds it to the truth.
func (s *survivor) compare(p *process) {
	p.url = "http://" + p.waitSaid(`serving metrics and status page address=(\S+)`)[1]
	p.waitFor("the time left", startWithin, func() bool {
		m := p.scrape()
		low, ok := m.pack("pack_runtime_low_seconds", "a")
		high, _ := m.pack("pack_runtime_high_seconds", "a")
		if !ok {
			return false
		}
		if got := s.live().Seconds(); got < low || got > high {
			s.t.Errorf("time left after a restart: %.0f to %.0f s, and %.0f s are true", low, high, got)
		}
		s.compared++
		return true
	})
}

// verify reads the journal a last time without the program.
func (s *survivor) verify() {
	j, err := journal.Open(s.journal(), journal.Options{Boot: "end"})
	if err != nil {
		s.t.Fatal(err)
	}
	defer j.Close()
	records, err := j.Records(journal.Filter{})
	if err != nil {
		s.t.Fatal(err)
	}
	times, last := map[string]int{}, uint64(0)
	for _, r := range records {
		if r.Seq <= last {
			s.t.Errorf("record %d follows %d", r.Seq, last)
		}
		last = r.Seq
		if r.Kind == journal.KindNote {
			times[r.Text]++
		}
	}
	for _, n := range s.notes {
		if times[n] != 1 {
			s.t.Errorf("%q was acknowledged and is there %d times", n, times[n])
		}
	}
	var was agent.PackState
	if ok, err := j.PackState("b", &was); !ok || err != nil || !slices.Contains(s.marks, was.Mark) {
		s.t.Errorf("the pack at b is %q (%v, %v), want one of %q", was.Mark, ok, err, s.marks)
	}
}

// hooked takes alarms and notices one that is told anew with other words.
type hooked struct {
	t        *testing.T
	mu       sync.Mutex
	messages int
	first    map[string]string // message, and id with state → as first told
	life     map[string]string // id → what must hold for all that is told of it
}

func (h *hooked) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	var m notify.Message
	if err == nil {
		err = json.Unmarshal(body, &m)
	}
	if err != nil {
		if !errors.Is(err, io.ErrUnexpectedEOF) { // killed in the middle of it
			h.t.Errorf("an alarm that cannot be read: %v: %s", err, body)
		}
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.messages++
	life := fmt.Sprint(m.Name, m.Severity, m.Subject, m.RaisedAt)
	if was, told := h.life[m.ID]; told && was != life {
		h.t.Errorf("alarm %s was %q and is %q", m.ID, was, life)
	}
	h.life[m.ID] = life
	keys := []string{"message " + m.MessageID}
	if !m.Reminder { // an alarm is raised once and cleared once
		keys = append(keys, m.ID+" "+string(m.State))
	}
	for _, key := range keys {
		if was, told := h.first[key]; told && !bytes.Equal([]byte(was), body) {
			h.t.Errorf("told twice with different words:\n%s\n%s", was, body)
		}
		h.first[key] = string(body)
	}
}
