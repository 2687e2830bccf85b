package control

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"syscall"
	"time"

	"candlemark/agent/action"
	"candlemark/agent/feed"
	"candlemark/agent/handover"
	"candlemark/agent/journal"
	"candlemark/agent/status"
	"candlemark/agent/surveyor"
	"candlemark/probes/survey"
)

// Client talks to a running agent.
type Client struct {
	path string
	http http.Client
}

// Dial finds the agent that listens at path. Its error is ErrNoAgent when nobody does.
func Dial(path string) (*Client, error) {
	dial := func(ctx context.Context) (net.Conn, error) {
		return (&net.Dialer{Timeout: headerTime}).DialContext(ctx, "unix", path)
	}
	conn, err := dial(context.Background())
	if err == nil {
		err = conn.Close()
	}
	if err != nil {
		return nil, explain(path, err)
	}
	return &Client{path: path, http: http.Client{
		Timeout: requestTime,
		Transport: &http.Transport{
			DialContext:       func(ctx context.Context, _, _ string) (net.Conn, error) { return dial(ctx) },
			DisableKeepAlives: true, // one command, one request
		},
	}}, nil
}

// explain says what an error of the socket means for whoever asked.
func explain(path string, err error) error {
	switch {
	case errors.Is(err, syscall.ECONNREFUSED), errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENOTSOCK):
		return fmt.Errorf("control socket %s: %w (%w)", path, ErrNoAgent, err)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("control socket %s: %w: only its owner and group may command the agent", path, err)
	}
	return fmt.Errorf("control socket %s: %w", path, err)
}

// Snapshot is the agent as it is now.
func (c *Client) Snapshot(ctx context.Context) (s status.Snapshot, err error) {
	err = c.ask(ctx, http.MethodGet, pathSnapshot, nil, &s)
	return s, err
}

// Swap tells the agent that another pack now stands where pack is configured;
// mark is what is written on it, "" when it is unmarked; sure that it was changed though
// the readings do not show it. Like Note and Feed it
// returns in words what follows.
func (c *Client) Swap(ctx context.Context, pack, mark string, sure bool) (string, error) {
	return c.act(ctx, action.Swap, action.SwapRequest{Pack: pack, Mark: mark, Sure: sure})
}

// Note adds words to the activity record.
func (c *Client) Note(ctx context.Context, text string) (string, error) {
	return c.act(ctx, action.Note, action.NoteRequest{Text: text})
}

// Feed asks something of the terminal's feed.
func (c *Client) Feed(ctx context.Context, r feed.Request) (string, error) {
	return c.act(ctx, action.Feed, action.FeedRequestOf(r))
}

// SetTime tells the agent the present time of day.
func (c *Client) SetTime(ctx context.Context, now time.Time) (string, error) {
	return c.act(ctx, action.Time, action.TimeRequest{Now: now})
}

// act asks for an action and returns what the agent says of it.
func (c *Client) act(ctx context.Context, name string, request any) (string, error) {
	var got action.Answer
	err := c.ask(ctx, http.MethodPost, pathActions+name, request, &got)
	return got.Words, err
}

// Probe has a configured probe made next, however busy the link.
func (c *Client) Probe(ctx context.Context, name string) (string, error) {
	return c.act(ctx, action.Probe, action.ProbeRequest{Name: name})
}

// Survey asks something of the survey.
func (c *Client) Survey(ctx context.Context, r surveyor.Request) (string, error) {
	return c.act(ctx, action.Survey, action.SurveyRequestOf(r))
}

// Surveys are all that is kept of surveys.
func (c *Client) Surveys(ctx context.Context) (records []survey.Record, err error) {
	err = c.ask(ctx, http.MethodGet, pathSurveys, nil, &records)
	return records, err
}

// Acknowledge quiets an active alarm, of one subject or, with "", of every one, for
// quiet or, with 0, as long as it allows. It returns in words what follows.
func (c *Client) Acknowledge(ctx context.Context, name, subject string, quiet time.Duration) (string, error) {
	return c.act(ctx, action.Ack, action.AckRequest{Alarm: name, Subject: subject, For: action.Span(quiet)})
}

// TestAlarms has a test sent through every receiver, which may take more than a
// minute, and returns what each answered.
func (c *Client) TestAlarms(ctx context.Context) (trials []status.Trial, err error) {
	patient := *c
	patient.http.Timeout = testTime
	err = patient.ask(ctx, http.MethodPost, pathTest, nil, &trials)
	return trials, err
}

// Records reads the activity record, oldest first, the newest 10,000 at most.
func (c *Client) Records(ctx context.Context, f journal.Filter) (records []journal.Record, err error) {
	err = c.ask(ctx, http.MethodPost, pathRecords, f, &records)
	return records, err
}

// Incident is the incident last opened; the zero one when there is none.
func (c *Client) Incident(ctx context.Context) (incident handover.Incident, err error) {
	err = c.ask(ctx, http.MethodGet, pathIncident, nil, &incident)
	return incident, err
}

// SetIncident opens, changes or closes the incident, and returns it as it then is.
func (c *Client) SetIncident(ctx context.Context, do handover.Action, given handover.Incident) (incident handover.Incident, err error) {
	err = c.ask(ctx, http.MethodPost, pathIncident, incidentBody{do, given}, &incident)
	return incident, err
}

// Close frees what the client holds.
func (c *Client) Close() error {
	c.http.CloseIdleConnections()
	return nil
}

func (c *Client) ask(ctx context.Context, method, path string, body, into any) error {
	data, err := json.Marshal(body)
	if err != nil {
		return fmt.Errorf("control socket %s: request: %w", c.path, err)
	}
	request, err := http.NewRequestWithContext(ctx, method, "http://agent"+path, bytes.NewReader(data))
	if err != nil {
		return fmt.Errorf("control socket %s: request: %w", c.path, err)
	}
	response, err := c.http.Do(request)
	if err != nil {
		return explain(c.path, err)
	}
	defer response.Body.Close()
	answer, err := io.ReadAll(io.LimitReader(response.Body, maxAnswer+1))
	switch {
	case err != nil:
		return fmt.Errorf("control socket %s: answer: %w", c.path, err)
	case len(answer) > maxAnswer:
		return fmt.Errorf("control socket %s: the answer is longer than %d bytes", c.path, maxAnswer)
	case response.StatusCode != http.StatusOK:
		return refusal(response, answer)
	}
	if err := json.Unmarshal(answer, into); err != nil {
		return fmt.Errorf("control socket %s: answer: %w", c.path, err)
	}
	return nil
}

// refusal is the agent's own words, or what stands for them.
func refusal(response *http.Response, answer []byte) error {
	var body action.Answer
	if json.Unmarshal(answer, &body) != nil || body.Error == "" {
		return fmt.Errorf("the agent answered %s", response.Status)
	}
	if response.StatusCode == http.StatusUnprocessableEntity {
		return fmt.Errorf("%w: %s", ErrRefused, body.Error)
	}
	return fmt.Errorf("the agent answered: %s", body.Error)
}
