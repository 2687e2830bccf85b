package agent

import (
	"fmt"

	"candlemark/agent/alarm"
	"candlemark/agent/feed"
	"candlemark/agent/journal"
	"candlemark/agent/status"
)

// FeedSetup is the terminal's feed as the step is told of it.
type FeedSetup struct {
	feed.Setup
	Pack  string // the configured pack that the feed hangs on
	Start feed.Start
}

// FeedAsked is somebody's request about the feed. An Answer with its ticket follows.
type FeedAsked struct {
	At      alarm.Instant
	Who     string
	Request feed.Request
	Ticket  uint64
}

// FeedHookEnded is the end of a hook; Fault is "" where it ended well.
type FeedHookEnded struct {
	At          alarm.Instant
	Name, Fault string
}

// FeedSwitched is news of the switch itself: it does not obey, or, with Fault "",
// does again.
type FeedSwitched struct {
	At    alarm.Instant
	Fault string
}

func (e FeedAsked) When() alarm.Instant     { return e.At }
func (e FeedHookEnded) When() alarm.Instant { return e.At }
func (e FeedSwitched) When() alarm.Instant  { return e.At }

// SaveFeed stores the feed's state. It comes before the switching it describes.
type SaveFeed struct{ State feed.Saved }

// SwitchFeed says how the feed is to be.
type SwitchFeed struct{ On bool }

// RunFeedHook starts a hook.
type RunFeedHook struct {
	Name  string
	Cause feed.Cause
}

func (SaveFeed) effect()    {}
func (SwitchFeed) effect()  {}
func (RunFeedHook) effect() {}

// noFeed answers requests where the configuration has no feed.
const noFeed = "no feed is configured; describe it under feed in the configuration"

// startFeed carries the feed on from what an earlier run left.
func (s *State) startFeed(saved *feed.Saved) error {
	set := s.setup.Feed
	if set == nil {
		return nil
	}
	if s.pack(set.Pack) == nil {
		return fmt.Errorf("feed: %q: %w", set.Pack, ErrNoPack)
	}
	if err := set.Check(); err != nil {
		return err
	}
	switch {
	case saved != nil:
		s.feed = feed.Resume(set.Setup, set.Start, *saved)
	default:
		s.feed = feed.New(set.Setup, set.Start)
	}
	return nil
}

// stepFeed lets the feed look at the present.
func (s *State) stepFeed() []Effect {
	if s.feed == nil {
		return nil
	}
	t := s.pack(s.setup.Feed.Pack)
	s.feedSeen = true
	out := s.feedEffects(s.feed.Step(feed.Inputs{
		Now: s.now, ClockSet: s.clockSet, Forecast: t.forecast,
		Seen: t.seen, ReadingUp: t.readingUp, StaleAfter: t.StaleAfter, Swaps: t.swaps,
	}))
	if v := s.feed.View(); v.Switched && !v.On {
		s.darkUp, s.darkSeen = s.now.Up, true
	}
	return out
}

// dark says whether the terminal has no power by the agent's own doing, or got it back
// too lately to carry anything: then silence beyond it says nothing of the link.
func (s *State) dark() bool {
	return s.darkSeen && s.now.Up-s.darkUp <= s.setup.Feed.StartUp
}

// feedEvent takes what happened to the feed.
func (s *State) feedEvent(e Event) []Effect {
	ask, asked := e.(FeedAsked)
	if s.feed == nil {
		if asked {
			return []Effect{Answer{Ticket: ask.Ticket, Refused: noFeed}}
		}
		return nil
	}
	switch e := e.(type) {
	case FeedHookEnded:
		return s.feedEffects(s.feed.HookEnded(e.At, e.Name, e.Fault))
	case FeedSwitched:
		return s.feedEffects(s.feed.Switched(e.At, e.Fault))
	}
	var out []Effect
	if !s.feedSeen { // the machine takes requests only after its first step
		out = s.stepFeed()
	}
	did, text, err := s.feed.Ask(ask.At, ask.Who, ask.Request)
	if err != nil {
		return append(out, Answer{Ticket: ask.Ticket, Refused: err.Error()})
	}
	return append(append(out, s.feedEffects(did)...), Answer{Ticket: ask.Ticket, Text: text})
}

// feedEffects says the feed's wants in the agent's words, in their order.
func (s *State) feedEffects(did []feed.Effect) []Effect {
	var out []Effect
	record := func(c feed.Cause, text string, warn bool) {
		// The record tells when it happened, which is now; the cause may be older.
		out = append(out, Record{At: s.now, Kind: journal.KindFeed, Subject: s.setup.Feed.Pack, Who: c.Who, Text: text, Urgent: true, Warn: warn})
	}
	for _, d := range did {
		switch d := d.(type) {
		case feed.Save:
			out = append(out, SaveFeed{d.State})
		case feed.Set:
			out = append(out, SwitchFeed{d.On})
		case feed.RunHook:
			out = append(out, RunFeedHook{d.Name, d.Cause})
		case feed.Record:
			record(d.Cause, d.Text, false)
		case feed.Advise:
			record(d.Cause, d.Text, true)
		case feed.Warn:
			// Its text is that of the Record before it, which so becomes the warning.
			if n := len(out) - 1; n >= 0 && isText(out[n], d.Text) {
				out = out[:n]
			}
			record(d.Cause, d.Text, true)
		}
	}
	return out
}

// saveFeed stores how much of the time off has passed, for a reboot on a board
// whose clock can't tell.
func (s *State) saveFeed() []Effect {
	if s.feed == nil || !s.feedSeen || s.feed.View().On {
		return nil
	}
	return []Effect{SaveFeed{s.feed.Save()}}
}

// feedView is the feed as it is shown, nil where none is configured.
func (s State) feedView() *status.Feed {
	if s.feed == nil {
		return nil
	}
	return &status.Feed{Pack: s.setup.Feed.Pack, View: s.feed.View()}
}

// feedInput is the feed as the alarms are told of it.
func (s *State) feedInput() *alarm.FeedInput {
	if s.feed == nil {
		return nil
	}
	v := s.feed.View()
	return &alarm.FeedInput{
		Pack: s.setup.Feed.Pack, CutComing: v.CutComing(), CutIn: v.ChangeIn, Why: v.Cause.Why, On: v.On, ByHand: !v.Switched,
		ReturnIn: v.ChangeIn, ReturnKnown: !v.On && v.ChangeKnown,
	}
}

// isText says whether an effect is the record of these words.
func isText(e Effect, text string) bool {
	r, ok := e.(Record)
	return ok && r.Text == text
}
