package action

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"candlemark/agent/feed"
	"candlemark/agent/surveyor"
	"candlemark/probes/survey"
)

// act carries one action out: decode fills in its request.
type act func(h Handler, who string, decode func(any) error) (words string, err error)

// find is the action of this name; nil when there is none.
func find(name string) act {
	switch name {
	case Swap:
		return doSwap
	case Note:
		return doNote
	case Feed:
		return doFeed
	case Probe:
		return doProbe
	case Survey:
		return doSurvey
	case Ack:
		return doAck
	case Time:
		return doTime
	}
	return nil
}

func doSwap(h Handler, who string, decode func(any) error) (string, error) {
	var r SwapRequest
	if err := decode(&r); err != nil {
		return "", err
	}
	if packs := h.Packs(); !slices.Contains(packs, r.Pack) {
		return "", fmt.Errorf("no pack is named %q; the packs are: %s", r.Pack, strings.Join(packs, ", "))
	}
	which := "an unmarked pack"
	if r.Mark != "" {
		if err := wording("mark", r.Mark, maxMark); err != nil {
			return "", err
		}
		which = "pack " + r.Mark
	}
	return "noted: " + which + " is now at " + r.Pack, h.Swap(r.Pack, r.Mark, r.Sure, who)
}

func doNote(h Handler, who string, decode func(any) error) (string, error) {
	var r NoteRequest
	if err := decode(&r); err != nil {
		return "", err
	}
	text := strings.TrimSpace(r.Text)
	if err := wording("note", text, maxText); err != nil {
		return "", err
	}
	return "noted", h.Note(text, who)
}

func doProbe(h Handler, who string, decode func(any) error) (string, error) {
	var r ProbeRequest
	if err := decode(&r); err != nil {
		return "", err
	}
	if err := wording("name", r.Name, maxMark); err != nil {
		return "", err
	}
	return h.Probe(r.Name, who)
}

func doSurvey(h Handler, who string, decode func(any) error) (string, error) {
	var r SurveyRequest
	if err := decode(&r); err != nil {
		return "", err
	}
	for what, text := range map[string]string{"name": r.Name, "note of the place": r.Place, "note of what was changed": r.Changed} {
		if text != "" {
			if err := wording(what, text, maxNote); err != nil {
				return "", err
			}
		}
	}
	for _, a := range r.Arrangements {
		if err := wording("arrangement", a, maxNote); err != nil {
			return "", err
		}
	}
	if r.Settle < 0 || time.Duration(r.Settle) > maxSettle {
		return "", fmt.Errorf("settle is %s; 0s to %s are taken", time.Duration(r.Settle), maxSettle)
	}
	return h.Survey(r.request(), who)
}

func (r SurveyRequest) request() surveyor.Request {
	return surveyor.Request{Do: r.Do, Settle: time.Duration(r.Settle), Changed: r.Changed, Wanted: survey.Wanted{
		Name: r.Name, Arrangements: r.Arrangements, Rounds: r.Rounds, More: r.More, Order: r.Order, Primary: r.Primary,
		Section: r.Section, Threshold: r.Threshold, Place: r.Place,
	}}
}

func doFeed(h Handler, who string, decode func(any) error) (string, error) {
	var r FeedRequest
	if err := decode(&r); err != nil {
		return "", err
	}
	return h.Feed(r.request(), who)
}

func doAck(h Handler, who string, decode func(any) error) (string, error) {
	var r AckRequest
	if err := decode(&r); err != nil {
		return "", err
	}
	return h.Acknowledge(r.Alarm, r.Subject, time.Duration(r.For), who)
}

func doTime(h Handler, who string, decode func(any) error) (string, error) {
	var r TimeRequest
	if err := decode(&r); err != nil {
		return "", err
	}
	if r.Now.IsZero() {
		return "", errors.New("now is missing: write the present time as 2026-03-14T18:30:00Z or with another zone")
	}
	return h.SetTime(r.Now, who)
}

func (r FeedRequest) request() feed.Request {
	return feed.Request{Do: r.Do, For: time.Duration(r.For), Schedule: feed.Schedule{On: time.Duration(r.On), Every: time.Duration(r.Every)}}
}

// wording says whether text may go into the record.
func wording(what, text string, most int) error {
	switch {
	case text == "":
		return fmt.Errorf("the %s is empty", what)
	case len(text) > most:
		return fmt.Errorf("the %s is %d bytes long; %d are taken", what, len(text), most)
	case strings.ContainsFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }):
		return fmt.Errorf("the %s holds characters that would upset a terminal", what)
	}
	return nil
}
