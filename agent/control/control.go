// Package control lets commands talk to the running agent. (Package comment follows with the code.)
package control

import (
	"context"
	"errors"

	"candlemark/agent/journal"
	"candlemark/agent/status"
)

// Handler is what the running agent answers with. Its methods are called from
// many goroutines at once.
type Handler interface {
	// Snapshot is the agent as it is now.
	Snapshot() status.Snapshot
	// Packs are the configured packs' names.
	Packs() []string
	// Swap records that the pack was swapped for another. who names the person
	// as the kernel knows him: "uid 1000".
	Swap(pack, note, who string) error
	// Note adds an operator's words to the record.
	Note(text, who string) error
	// Records reads the activity record.
	Records(f journal.Filter) ([]journal.Record, error)
}

// ErrNoAgent says that nobody listens on the socket.
var ErrNoAgent = errors.New("no agent is running")

// Server answers on the socket.
type Server struct{}

func New(path string, h Handler) *Server        { return &Server{} }
func (s *Server) Run(ctx context.Context) error { return nil }

// Client talks to a running agent.
type Client struct{}

func Dial(path string) (*Client, error) { return nil, ErrNoAgent }
func (c *Client) Snapshot(ctx context.Context) (status.Snapshot, error) {
	return status.Snapshot{}, nil
}
func (c *Client) Packs(ctx context.Context) ([]string, error)       { return nil, nil }
func (c *Client) Swap(ctx context.Context, pack, note string) error { return nil }
func (c *Client) Note(ctx context.Context, text string) error       { return nil }
func (c *Client) Records(ctx context.Context, f journal.Filter) ([]journal.Record, error) {
	return nil, nil
}
func (c *Client) Close() error { return nil }
