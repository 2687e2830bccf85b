// Package control lets commands talk to the running agent over a local Unix
// socket: HTTP with JSON bodies. What changes something is package action's.
//
// The socket's file permissions (0660) are the whole authority: whoever may write
// to the file may command the agent, and whoever may not is kept out by the
// kernel. For the record the kernel also says who he is (SO_PEERCRED, unix(7)).
//
// Everything a client can do is bounded: the size of a body, the time of a
// request, the number of connections. A socket that a crash left behind is
// removed, but only when nobody answers on it.
package control

import (
	"context"
	"errors"
	"time"

	"candlemark/agent/action"
	"candlemark/agent/handover"
	"candlemark/agent/journal"
	"candlemark/agent/status"
	"candlemark/probes/survey"
)

const (
	fileMode       = 0o660
	maxConnections = 16
	maxBody        = 64 << 10
	maxAnswer      = 64 << 20 // what a client takes
	maxRecords     = 10_000   // in one answer

	headerTime  = 2 * time.Second
	requestTime = 10 * time.Second
	testTime    = 75 * time.Second // of a test of the alarms; a receiver may take a minute
	stopTime    = 2 * time.Second  // for requests under way when the agent stops
)

const (
	pathSnapshot = "/snapshot"
	pathRecords  = "/records"
	pathIncident = "/incident"
	pathSurveys  = "/surveys"
	pathTest     = "/alarm-test"
	pathActions  = "/actions/" // and the action's name
)

// Handler is what the running agent answers with. Its methods are called from
// many goroutines at once. who, here and in the actions, is the person as the
// kernel knows him: "uid 1000".
type Handler interface {
	action.Handler
	// Snapshot is the agent as it is now.
	Snapshot() status.Snapshot
	// Records reads the activity record.
	Records(f journal.Filter) ([]journal.Record, error)
	// Surveys are all that is kept of surveys.
	Surveys() ([]survey.Record, error)
	// TestAlarms sends a test through every receiver, and says what each answered.
	TestAlarms(ctx context.Context, who string) ([]status.Trial, error)
	// Incident is the incident last opened; the zero one when there is none.
	Incident() (handover.Incident, error)
	// SetIncident opens, changes or closes it, and returns it as it then is.
	SetIncident(do handover.Action, given handover.Incident, who string) (handover.Incident, error)
}

var (
	// ErrNoAgent says that nobody listens on the socket.
	ErrNoAgent = errors.New("no agent is running")
	// ErrInUse says that another agent answers on the socket.
	ErrInUse = errors.New("another agent answers there")
	// ErrRefused says that the agent understood and did not do it; the error's text says why.
	ErrRefused = errors.New("refused")
)

// incidentBody is the request that changes the incident.
type incidentBody struct {
	Do    handover.Action   `json:"do"`
	Given handover.Incident `json:"given"`
}
