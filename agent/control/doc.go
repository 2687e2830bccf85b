// Package control lets commands talk to the running agent over a local Unix
// socket: HTTP with JSON bodies.
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
	"errors"
	"time"

	"candlemark/agent/feed"
	"candlemark/agent/handover"
	"candlemark/agent/journal"
	"candlemark/agent/status"
)

const (
	fileMode       = 0o660
	maxConnections = 16
	maxBody        = 64 << 10
	maxAnswer      = 64 << 20 // what a client takes
	maxText        = 4 << 10  // of a note
	maxMark        = 64       // of what is written on a pack
	maxRecords     = 10_000   // in one answer

	headerTime  = 2 * time.Second
	requestTime = 10 * time.Second
	stopTime    = 2 * time.Second // for requests under way when the agent stops
)

const (
	pathSnapshot = "/snapshot"
	pathSwap     = "/swap"
	pathNote     = "/note"
	pathRecords  = "/records"
	pathIncident = "/incident"
	pathFeed     = "/feed"
)

// Handler is what the running agent answers with. Its methods are called from
// many goroutines at once.
type Handler interface {
	// Snapshot is the agent as it is now.
	Snapshot() status.Snapshot
	// Packs are the configured packs' names.
	Packs() []string
	// Swap records that another pack now stands where pack is configured; mark is
	// what is written on it, "" when it is unmarked. who names the person as the
	// kernel knows him: "uid 1000".
	Swap(pack, mark, who string) error
	// Note adds an operator's words to the record.
	Note(text, who string) error
	// Records reads the activity record.
	Records(f journal.Filter) ([]journal.Record, error)
	// Feed asks something of the terminal's feed, and returns in words what follows.
	Feed(r feed.Request, who string) (string, error)
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

// The bodies that are not types of other packages.
type (
	swapBody struct {
		Pack string `json:"pack"`
		Mark string `json:"mark,omitempty"`
	}
	noteBody struct {
		Text string `json:"text"`
	}
	incidentBody struct {
		Do    handover.Action   `json:"do"`
		Given handover.Incident `json:"given"`
	}
	wordsBody struct {
		Words string `json:"words"`
	}
	errorBody struct {
		Error string `json:"error"`
	}
)
