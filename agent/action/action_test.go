package action

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"candlemark/agent/feed"
	"candlemark/agent/surveyor"
	"candlemark/probes"
	"candlemark/probes/survey"
)

// strictAgent fails a test that lets something through that is not fit for the record.
type strictAgent struct {
	t    testing.TB
	did  string
	fail error
}

func (a *strictAgent) Packs() []string { return []string{"router", "terminal"} }
func (a *strictAgent) Swap(pack, mark string, sure bool, who string) error {
	if pack != "router" && pack != "terminal" || len(mark) > maxMark || strings.ContainsRune(mark, 0x1b) {
		a.t.Errorf("swap %q %q", pack, mark)
	}
	a.did = fmt.Sprintf("swap %s %s by %s", pack, mark, who)
	return a.fail
}
func (a *strictAgent) Note(text, who string) error {
	if text == "" || len(text) > maxText || strings.ContainsRune(text, 0x1b) {
		a.t.Errorf("note %q", text)
	}
	a.did = fmt.Sprintf("note %s by %s", text, who)
	return a.fail
}
func (a *strictAgent) Feed(r feed.Request, who string) (string, error) {
	a.did = fmt.Sprintf("feed %+v by %s", r, who)
	return "done", a.fail
}

func (a *strictAgent) Probe(name, who string) (string, error) {
	if name == "" || len(name) > maxMark || strings.ContainsRune(name, 0x1b) {
		a.t.Errorf("probe %q", name)
	}
	a.did = fmt.Sprintf("probe %s by %s", name, who)
	return "next", a.fail
}
func (a *strictAgent) Survey(r surveyor.Request, who string) (string, error) {
	a.did = fmt.Sprintf("survey %+v by %s", r, who)
	return "round 1", a.fail
}
func (a *strictAgent) Acknowledge(name, subject string, quiet time.Duration, who string) (string, error) {
	a.did = fmt.Sprintf("ack %s %s for %s by %s", name, subject, quiet, who)
	return "quiet", a.fail
}

func (a *strictAgent) SetTime(now time.Time, who string) (string, error) {
	if now.IsZero() {
		a.t.Error("a time that nobody gave")
	}
	a.did = fmt.Sprintf("time %s by %s", now.Format(time.RFC3339), who)
	return "done", a.fail
}

func serve(h Handler, name, body string) (int, Answer, error) {
	w := httptest.NewRecorder()
	Serve(w, httptest.NewRequest(http.MethodPost, "/actions", strings.NewReader(body)), h, name, "ana")
	var a Answer
	err := json.Unmarshal(w.Body.Bytes(), &a)
	return w.Code, a, err
}

func TestASurveyRequestArrivesAsItWasSent(t *testing.T) {
	h := &strictAgent{t: t}
	sent := surveyor.Request{Do: surveyor.Begin, Settle: 20 * time.Second, Changed: "x", Wanted: survey.Wanted{
		Name: "stairwell", Arrangements: []string{"A: wireless hop", "B: wired hop"}, Rounds: 6, More: 1, Order: survey.InRuns, Primary: survey.Loss,
		Section: probes.Hop, Threshold: 0.2, Place: "second floor",
	}}
	body, err := json.Marshal(SurveyRequestOf(sent))
	if err != nil {
		t.Fatal(err)
	}
	if code, a, err := serve(h, Survey, string(body)); code != http.StatusOK || err != nil || a.Words != "round 1" || h.did != fmt.Sprintf("survey %+v by ana", sent) {
		t.Errorf("%s: %d %+v %v, did %q", body, code, a, err, h.did)
	}
	for _, bad := range []string{`{"do":"begin","name":"\u001b[2J"}`, `{"do":"begin","name":"x","arrangements":[""]}`, `{"do":"begin","settle":"2h"}`, `{"do":"begin","place":"` + strings.Repeat("x", 500) + `"}`} {
		if code, _, _ := serve(h, Survey, bad); code != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", bad, code)
		}
	}
}

func TestARequestArrivesAsItWasSent(t *testing.T) {
	h := &strictAgent{t: t}
	sent := feed.Request{Do: feed.AskSchedule, For: 90 * time.Second, Schedule: feed.Schedule{On: 10 * time.Minute, Every: time.Hour}}
	body, err := json.Marshal(FeedRequestOf(sent))
	if err != nil {
		t.Fatal(err)
	}
	if code, a, err := serve(h, Feed, string(body)); code != http.StatusOK || err != nil || a.Words != "done" || h.did != fmt.Sprintf("feed %+v by ana", sent) {
		t.Errorf("%s: %d %+v %v, did %q", body, code, a, err, h.did)
	}
	if code, a, err := serve(h, Probe, `{"name":"wide-area"}`); code != http.StatusOK || err != nil || a.Words != "next" || h.did != "probe wide-area by ana" {
		t.Errorf("probe: %d %+v %v, did %q", code, a, err, h.did)
	}
	if code, a, _ := serve(h, Probe, `{"name":""}`); code != http.StatusUnprocessableEntity || a.Error != "the name is empty" {
		t.Errorf("a probe without a name: %d %+v", code, a)
	}
	if code, a, err := serve(h, Ack, `{"alarm":"link_down","for":"10m"}`); code != http.StatusOK || err != nil || a.Words != "quiet" || h.did != "ack link_down  for 10m0s by ana" {
		t.Errorf("ack: %d %+v %v, did %q", code, a, err, h.did)
	}
	h.fail = errors.New("the pack is flat")
	if code, a, err := serve(h, Feed, string(body)); code != http.StatusUnprocessableEntity || err != nil || a != (Answer{Error: "the pack is flat"}) {
		t.Errorf("refused: %d %+v %v", code, a, err)
	}
}

// Whatever comes in: one of the two is answered, as JSON, and nothing that is not
// fit for the record gets through.
func FuzzServe(f *testing.F) {
	f.Add("swap", `{"pack":"router","mark":"B3"}`)
	f.Add("note", `{"text":"x\u001b[2J"}`)
	f.Add("feed", `{"do":"off","for":"45m"}`)
	f.Add("feed", `{"do":"off","for":45}`)
	f.Add("time", `{"now":"2026-03-14T18:30:00Z"}`)
	f.Add("time", `{}`)
	f.Add("ack", `{"alarm":"link_down","for":"-1s"}`)
	f.Fuzz(func(t *testing.T, name, body string) {
		h := &strictAgent{t: t}
		code, a, err := serve(h, name, body)
		if err != nil || (a.Words == "") == (a.Error == "") || (code == http.StatusOK) != (a.Words != "") || (h.did != "") != (code == http.StatusOK) {
			t.Errorf("%d %+v %v, did %q", code, a, err, h.did)
		}
	})
}
