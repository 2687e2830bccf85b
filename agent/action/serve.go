package action

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
)

// Serve carries the action called name out, as r's body says, for who.
func Serve(w http.ResponseWriter, r *http.Request, h Handler, name, who string) {
	do := find(name)
	if do == nil {
		Fail(w, http.StatusNotFound, fmt.Errorf("%q is nothing the agent can do; it can: %s", name, strings.Join([]string{Swap, Note, Feed, Ack, Time, Probe, Survey}, ", ")))
		return
	}
	malformed := error(nil)
	words, err := do(h, who, func(v any) error {
		malformed = decode(http.MaxBytesReader(w, r.Body, maxBody), v)
		return malformed
	})
	switch {
	case malformed != nil:
		unreadable(w, malformed)
	case errors.Is(err, ErrNotKept):
		Fail(w, http.StatusInternalServerError, err)
	case err != nil:
		Refuse(w, err)
	default:
		Reply(w, Answer{Words: words})
	}
}

// Read takes a request's body, at most so many bytes, into v, or answers what is
// wrong with it.
func Read(w http.ResponseWriter, r *http.Request, most int64, v any) bool {
	err := decode(http.MaxBytesReader(w, r.Body, most), v)
	if err != nil {
		unreadable(w, err)
	}
	return err == nil
}

// decode reads the one JSON value that body holds.
func decode(body io.Reader, v any) error {
	d := json.NewDecoder(body)
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return fmt.Errorf("request: %w", err)
	}
	switch _, err := d.Token(); {
	case errors.Is(err, io.EOF):
		return nil
	case err != nil:
		return fmt.Errorf("request: %w", err)
	}
	return errors.New("request: there is more than one JSON value")
}

func unreadable(w http.ResponseWriter, err error) {
	code := http.StatusBadRequest
	if large := (*http.MaxBytesError)(nil); errors.As(err, &large) {
		code = http.StatusRequestEntityTooLarge
	}
	Fail(w, code, err)
}

// Refuse answers that the request was understood and is not carried out.
func Refuse(w http.ResponseWriter, err error) { Fail(w, http.StatusUnprocessableEntity, err) }

// Fail answers with an error.
func Fail(w http.ResponseWriter, code int, err error) {
	body, _ := json.Marshal(Answer{Error: err.Error()}) // a string always has JSON
	write(w, code, body)
}

// Reply encodes before it writes, so that a value that has no JSON becomes an
// error and not half an answer.
func Reply(w http.ResponseWriter, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		Fail(w, http.StatusInternalServerError, err)
		return
	}
	write(w, http.StatusOK, body)
}

func write(w http.ResponseWriter, code int, body []byte) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_, _ = w.Write(body) // a client that went away has nobody to tell
}
