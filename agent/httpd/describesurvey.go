package httpd

import (
	"bytes"
	"fmt"
	"sync"

	"candlemark/agent/status"
	"candlemark/probes/survey"
)

// surveyView is the survey under way, or the last one, and what it shows so far.
type surveyView struct {
	Title, Text, Last  string
	Result, ResultFrom string // the comparison in words; "" before there is one
	Waits, Runs        bool   // for "it stands"; at all
}

func describeSurvey(s *status.Survey) surveyView {
	if s == nil {
		return surveyView{Title: "none under way"}
	}
	v := surveyView{Title: fmt.Sprintf("%s, %d of %d rounds", s.Name, s.Made, s.Of), Text: sentence(s.Text), Last: sentence(s.LastRound)}
	switch s.State {
	case status.SurveyWaits:
		v.Waits, v.Runs = true, true
		v.Title += fmt.Sprintf(": waits for arrangement %s, %s", s.Arrangement, s.ArrangementName)
	case status.SurveyBegins, status.SurveyMeasures:
		v.Runs = true
		v.Title += fmt.Sprintf(": measures arrangement %s, %s", s.Arrangement, s.ArrangementName)
	case status.SurveyDone:
		v.Title += ": all made"
	case status.SurveyStopped:
		v.Title += ": stopped"
	}
	return v
}

// compared keeps the newest comparison, which reads the journal and is worth a
// second's work on a small board.
type compared struct {
	mu           sync.Mutex
	have         bool
	name         string
	made         int
	result, from string
}

// of gives the comparison of the survey that the snapshot tells of, or else of the
// newest that is kept.
func (c *compared) of(now *status.Survey, records func() ([]survey.Record, error)) (result, from string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	name, made := "", 0
	if now != nil {
		name, made = now.Name, now.Made
	}
	if c.have && c.name == name && c.made == made {
		return c.result, c.from
	}
	c.have, c.name, c.made, c.result, c.from = true, name, made, "", ""
	all, err := records()
	if err != nil {
		c.from = "The surveys cannot be read: " + err.Error()
		return c.result, c.from
	}
	for _, s := range survey.All(all) {
		if len(s.Rounds) == 0 || name != "" && s.Plan.Name != name {
			continue
		}
		var b bytes.Buffer
		if err := survey.WriteText(&b, survey.Compare(s)); err == nil { // memory takes everything
			c.result, c.from = b.String(), fmt.Sprintf("What survey %s shows after %s", s.Plan.Name, rounds(len(s.Rounds)))
		}
	}
	return c.result, c.from
}

func rounds(n int) string {
	if n == 1 {
		return "1 round"
	}
	return fmt.Sprintf("%d rounds", n)
}
