package httpd_test

import (
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"time"

	"candlemark/agent/httpd"
	"candlemark/agent/status"
	"candlemark/probes"
	"candlemark/probes/survey"
)

func TestPageShowsTheSurvey(t *testing.T) {
	at := time.Date(2026, 3, 14, 18, 0, 0, 0, time.UTC)
	plan := survey.Plan{Name: "stair", Made: at, Arrangements: []string{"window", "stair"}, Rounds: 6, Order: survey.Counterbalanced, Primary: survey.Down, Section: probes.Uplink, Threshold: 0.2, LossShare: 0.01}
	kept := []survey.Record{{Plan: &plan}, {Round: &survey.Round{Survey: "stair", Start: at}}}
	for name, c := range map[string]struct {
		now  *status.Survey
		kept []survey.Record
		err  error
		says []string
		not  []string
	}{
		"none yet": {says: []string{"Survey: none under way", `data-open="survey-new"`}, not: []string{"<pre>", `data-open="survey-stop"`}},
		"none under way, an earlier one kept": {kept: kept,
			says: []string{"Survey: none under way", "What survey stair shows after 1 round", "<pre>Survey stair"}},
		"waits": {now: &status.Survey{Name: "stair", State: status.SurveyWaits, Of: 12, Made: 1, Arrangement: "B", ArrangementName: "stair", Text: "put it on the stair"}, kept: kept,
			says: []string{"Survey: stair, 1 of 12 rounds: waits for arrangement B, stair", "Put it on the stair.", `data-open="survey-go"`, `data-open="survey-stop"`}, not: []string{`data-open="survey-new"`}},
		"measures": {now: &status.Survey{Name: "stair", State: status.SurveyMeasures, Of: 12}, says: []string{`data-open="survey-stop"`}, not: []string{`data-open="survey-go"`, `data-open="survey-new"`}},
		"stopped, and another one kept": {now: &status.Survey{Name: "mast", State: status.SurveyStopped, Of: 12, Text: "the data budget is spent"}, kept: kept,
			says: []string{"Survey: mast, 0 of 12 rounds: stopped", "The data budget is spent."}, not: []string{"<pre>"}},
		"cannot be read": {err: errors.New("disk"), says: []string{"The surveys cannot be read: disk"}},
	} {
		t.Run(name, func(t *testing.T) {
			snap, reads := example(), 0
			snap.Survey = c.now
			s := httpd.New(httpd.Config{Surveys: func() ([]survey.Record, error) { reads++; return c.kept, c.err }}, noMetrics,
				func() status.Snapshot { return snap })
			var part string
			for range 3 {
				var f struct{ Parts map[string]string }
				if err := json.Unmarshal(get(s, "/now").Body.Bytes(), &f); err != nil {
					t.Fatal(err)
				}
				part = f.Parts["survey"]
				get(s, "/")
			}
			for _, words := range c.says {
				if !strings.Contains(part, words) {
					t.Errorf("does not say %q: %s", words, part)
				}
			}
			for _, words := range c.not {
				if strings.Contains(part, words) {
					t.Errorf("says %q: %s", words, part)
				}
			}
			if reads != 1 {
				t.Errorf("the surveys were read %d times for one picture", reads)
			}
		})
	}
	if body := get(serverOf(example()), "/").Body.String(); strings.Contains(body, "Survey: ") {
		t.Error("offers a survey where none is made")
	}
}
