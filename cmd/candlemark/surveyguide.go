package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/control"
	"candlemark/agent/status"
	"candlemark/agent/surveyor"
	"candlemark/probes/survey"
)

var errInputEnded = errors.New("standard input has ended; use --yes where nobody answers")

// asker asks the operator for each arrangement, on standard error, so that the
// output stays what was measured.
func (fl *surveyFlags) asker(cmd *cobra.Command, s survey.Survey) func(context.Context, survey.Turn) (survey.Note, error) {
	p := &roundPrompt{cmd: cmd, yes: fl.yes}
	return func(ctx context.Context, t survey.Turn) (survey.Note, error) {
		note := survey.Note{Place: s.Plan.Place, Changed: fl.changed}
		if fl.place != "" {
			note.Place = fl.place
		}
		p.say(t.Slot+1, t.Of, survey.Letter(t.Arrangement), t.Name)
		if !t.Change {
			return note, nil
		}
		changed, err := p.wait(ctx)
		if err != nil {
			return note, err
		}
		if changed != "" {
			note.Changed = changed
		}
		select {
		case <-ctx.Done():
			return note, context.Cause(ctx)
		case <-time.After(fl.settle):
			return note, nil
		}
	}
}

// roundPrompt speaks with the operator.
type roundPrompt struct {
	cmd   *cobra.Command
	yes   bool
	lines <-chan string
}

func (p *roundPrompt) say(round, of int, letter, name string) {
	fmt.Fprintf(p.cmd.ErrOrStderr(), "round %d of %d: arrangement %s, %s\n", round, of, letter, name)
}

// wait waits for Enter, and gives what was typed before it.
func (p *roundPrompt) wait(ctx context.Context) (string, error) {
	if p.yes {
		return "", nil
	}
	fmt.Fprint(p.cmd.ErrOrStderr(), "Set it up, then press Enter; what you type before is kept as what was changed: ")
	if p.lines == nil {
		p.lines = readLines(p.cmd.InOrStdin())
	}
	select {
	case <-ctx.Done():
		return "", context.Cause(ctx)
	case line, ok := <-p.lines:
		if !ok {
			return "", errInputEnded
		}
		return strings.TrimSpace(line), nil
	}
}

// readLines reads in the background, since a read of a terminal cannot be called
// off; it ends with its input.
func readLines(r io.Reader) <-chan string {
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(r); s.Scan(); {
			lines <- s.Text()
		}
	}()
	return lines
}

// surveyLook is how often the running agent is asked how its survey fares.
const surveyLook = 300 * time.Millisecond

// withAgent has the running agent make the survey and guides through it.
func (fl *surveyFlags) withAgent(cmd *cobra.Command, name, socket string) error {
	ask := func(ctx context.Context, r surveyor.Request) error {
		return talk(ctx, socket, func(ctx context.Context, c *control.Client) error {
			_, err := c.Survey(ctx, r)
			return err
		})
	}
	if err := ask(cmd.Context(), surveyor.Request{Do: surveyor.Begin, Wanted: fl.wanted(name), Settle: fl.settle}); err != nil {
		return err
	}
	err := fl.guide(cmd, name, socket, ask)
	if err == nil || errors.Is(err, errSurveyEnded) {
		return err
	}
	// Whoever goes away leaves nothing waiting for him.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(cmd.Context()), askMost)
	defer cancel()
	_ = ask(ctx, surveyor.Request{Do: surveyor.Stop})
	return fmt.Errorf("survey %s: %w; start it again with the same name to go on", name, err)
}

var errSurveyEnded = errors.New("the survey has ended")

func (fl *surveyFlags) guide(cmd *cobra.Command, name, socket string, ask func(context.Context, surveyor.Request) error) error {
	ctx, w := cmd.Context(), cmd.OutOrStdout()
	p := &roundPrompt{cmd: cmd, yes: fl.yes}
	said, answered, made := 0, 0, -1
	tick := time.NewTicker(surveyLook)
	defer tick.Stop()
	for {
		v, err := surveyNow(ctx, socket)
		switch {
		case err != nil:
			return err
		case v == nil || v.Name != name:
			return fmt.Errorf("survey %s: %w: the agent makes another", name, errSurveyEnded)
		}
		if v.Made > made && made >= 0 {
			fmt.Fprintln(w, v.LastRound)
		}
		made = v.Made
		if v.Round > said {
			said = v.Round
			p.say(v.Round, v.Of, v.Arrangement, v.ArrangementName)
		}
		switch {
		case v.State == status.SurveyDone:
			fmt.Fprintf(w, "all rounds are made: candlemark survey compare %s\n", name)
			return nil
		case v.State == status.SurveyStopped:
			return fmt.Errorf("survey %s: %w: %s", name, errSurveyEnded, v.Text)
		case v.State == status.SurveyWaits && v.Round > answered:
			answered = v.Round
			changed, err := p.wait(ctx)
			if err != nil {
				return err
			}
			if changed == "" {
				changed = fl.changed
			}
			if err := ask(ctx, surveyor.Request{Do: surveyor.Continue, Changed: changed}); err != nil && !errors.Is(err, control.ErrRefused) {
				return err // a refusal: somebody else said it first
			}
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-tick.C:
		}
	}
}

func surveyNow(ctx context.Context, socket string) (v *status.Survey, err error) {
	err = talk(ctx, socket, func(ctx context.Context, c *control.Client) error {
		s, err := c.Snapshot(ctx)
		v = s.Survey
		return err
	})
	return v, err
}

func newSurveyContinue() *cobra.Command {
	var changed string
	cmd := surveyWord("continue", "Say that the arrangement the agent's survey asked for stands", func() surveyor.Request {
		return surveyor.Request{Do: surveyor.Continue, Changed: changed}
	})
	cmd.Flags().StringVar(&changed, "changed", "", "`WORDS` for what was changed, kept with the round")
	return cmd
}

func newSurveyStop() *cobra.Command {
	return surveyWord("stop", "Stop the agent's survey; started again under its name it goes on", func() surveyor.Request {
		return surveyor.Request{Do: surveyor.Stop}
	})
}

// surveyWord is a command that says one thing to the agent's survey.
func surveyWord(use, short string, request func() surveyor.Request) *cobra.Command {
	cmd := &cobra.Command{Use: use, Short: short, Example: "  candlemark survey " + use, Args: noArgs}
	socket := socketFlag(cmd)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		return talk(cmd.Context(), *socket, func(ctx context.Context, c *control.Client) error {
			words, err := c.Survey(ctx, request())
			if err == nil {
				fmt.Fprintln(cmd.OutOrStdout(), words)
			}
			return err
		})
	}
	return cmd
}
