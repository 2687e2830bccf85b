package main

import (
	"context"
	"errors"
	"fmt"
	"os/user"
	"strings"
	"sync"
	"time"

	"candlemark/agent"
	"candlemark/agent/action"
	"candlemark/agent/alarm"
	"candlemark/agent/clock/board"
	"candlemark/agent/config"
	"candlemark/agent/feed"
	"candlemark/agent/handover"
	"candlemark/agent/httpd"
	"candlemark/agent/journal"
	"candlemark/agent/notify"
	"candlemark/agent/status"
	"candlemark/agent/surveyor"
	"candlemark/probes/survey"
)

// askMost is how long a command waits for the running agent to take its words.
const askMost = 5 * time.Second

// operator answers the control socket.
type operator struct {
	agent   func() *agent.Agent
	view    func() status.Snapshot
	journal *journal.Journal
	tell    *notify.Notifier // nil where nobody is told
	near    *local
	surveys *surveyor.Surveyor // nil in a demonstration
	clock   *board.Keeper      // nil where the time is made up
	broken  string             // why journal is not the lasting one; "" when it is

	incident sync.Mutex // held while the incident is read and written
}

func (o *operator) Snapshot() status.Snapshot { return o.view() }

func (o *operator) Packs() []string {
	var names []string
	for _, p := range o.view().Packs {
		names = append(names, p.Name)
	}
	return names
}

func (o *operator) Swap(pack, mark string, sure bool, who string) error {
	ctx, cancel := context.WithTimeout(context.Background(), askMost)
	defer cancel()
	if err := o.agent().Swap(ctx, pack, mark, sure, userName(who)); err != nil {
		return err
	}
	return o.kept()
}

func (o *operator) Note(text, who string) error {
	ctx, cancel := context.WithTimeout(context.Background(), askMost)
	defer cancel()
	if err := o.agent().Note(ctx, text, userName(who)); err != nil {
		return err
	}
	return o.kept()
}

func (o *operator) SetTime(now time.Time, who string) (string, error) {
	if o.clock == nil {
		return "", errors.New("a demonstration keeps its own time")
	}
	if err := o.clock.Set(now); err != nil {
		return "", err
	}
	at := o.agent().Now()
	words := fmt.Sprintf("it is %s; the time is known from: %s", at.Wall.Format("2006-01-02 15:04:05 MST"), o.clock.Source())
	if off := time.Since(at.Wall).Round(time.Second); off != 0 {
		words += fmt.Sprintf("; the board's own clock is %s off and left as it is", off)
	}
	o.journal.Append(journal.Record{Wall: at.Wall, Up: board.Uptime(), Kind: journal.KindClock, Who: userName(who), Text: words})
	return words, o.kept()
}

// kept returns once what was done is on the disk: nobody is told "noted" of what a
// power cut would take back.
func (o *operator) kept() error {
	if o.broken != "" {
		return fmt.Errorf("%w: %s", action.ErrNotKept, o.broken)
	}
	if err := o.journal.Flush(); err != nil {
		return fmt.Errorf("%w: %w", action.ErrNotKept, err)
	}
	return nil
}

func (o *operator) Feed(r feed.Request, who string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), askMost)
	defer cancel()
	words, err := o.agent().Feed(ctx, r, userName(who))
	if err != nil || r.Do == feed.AskOffer {
		return words, err
	}
	return words, o.kept()
}

func (o *operator) Probe(name, who string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), askMost)
	defer cancel()
	return o.agent().Probe(ctx, name, userName(who))
}

var errNoSurveys = errors.New("no surveys are made here")

func (o *operator) Survey(r surveyor.Request, who string) (string, error) {
	if o.surveys == nil {
		return "", errNoSurveys
	}
	return o.surveys.Ask(r, userName(who))
}

func (o *operator) Surveys() ([]survey.Record, error) {
	if o.surveys == nil {
		return nil, errNoSurveys
	}
	return o.surveys.Records()
}

func (o *operator) Acknowledge(name, subject string, quiet time.Duration, who string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), askMost)
	defer cancel()
	words, err := o.agent().Acknowledge(ctx, agent.AckRequest{Alarm: alarm.Name(name), Subject: subject, For: quiet}, userName(who))
	if err != nil {
		return "", err
	}
	return words, o.kept()
}

// TestAlarms sends a test through everything that tells alarms.
func (o *operator) TestAlarms(ctx context.Context, who string) ([]status.Trial, error) {
	if o.tell == nil {
		return nil, errNobodyToTry
	}
	trials, err := tryAll(ctx, o.tell, o.near)
	if err != nil {
		return nil, err
	}
	o.journal.Append(journal.Record{Wall: time.Now(), Up: board.Uptime(), Kind: journal.KindTest, Who: userName(who), Text: testText(trials)})
	return trials, o.kept()
}

// userName turns the kernel's word for a caller, "uid 1000", into his name.
func userName(who string) string {
	if u, err := user.LookupId(strings.TrimPrefix(who, "uid ")); err == nil {
		return u.Username
	}
	return who
}

func (o *operator) Records(f journal.Filter) ([]journal.Record, error) { return o.journal.Records(f) }

func (o *operator) Incident() (handover.Incident, error) { return readIncident(o.journal) }

func (o *operator) SetIncident(do handover.Action, given handover.Incident, who string) (handover.Incident, error) {
	o.incident.Lock()
	defer o.incident.Unlock()
	return setIncident(o.journal, do, given, handover.Stamp{At: o.agent().Now().Wall, Trusted: o.view().ClockSet}, userName(who))
}

// webActions lets the operator be asked over HTTP; nil where the configuration does not.
func webActions(a *config.Actions, o *operator) *httpd.Actions {
	if a == nil {
		return nil
	}
	return &httpd.Actions{TokenFile: a.TokenFile, Handler: o}
}
