package forward

import (
	"errors"
	"strings"
	"unicode/utf8"
)

// A series in the backlog is its type's letter, then names and values of its
// labels in order of name, each ended by a byte that no UTF-8 text holds.
const end = "\xff"

// Types of series.
const (
	typeUnknown   = 'u'
	typeCounter   = 'c'
	typeGauge     = 'g'
	typeHistogram = 'h'
	typeSummary   = 's'
)

const nameLabel = "__name__"

type label struct{ name, value string }

// join makes a series of labels, which are sorted.
func join(kind byte, labels []label) string {
	var b strings.Builder
	b.WriteByte(kind)
	for _, l := range labels {
		b.WriteString(l.name + end + l.value + end)
	}
	return b.String()
}

// split takes a series apart. It comes from a file: anything may stand there.
func split(series string) (kind byte, labels []label, err error) {
	if series == "" {
		return 0, nil, errors.New("an empty series")
	}
	kind, rest := series[0], series[1:]
	for rest != "" {
		name, more, ok := strings.Cut(rest, end)
		value, after, ok2 := strings.Cut(more, end)
		if !ok || !ok2 {
			return 0, nil, errors.New("a series that is cut short")
		}
		l := label{name, value}
		if err := l.check(); err != nil {
			return 0, nil, err
		}
		if n := len(labels); n > 0 && labels[n-1].name >= name {
			return 0, nil, errors.New("labels that are not in order")
		}
		labels = append(labels, l)
		rest = after
	}
	if len(labels) == 0 {
		return 0, nil, errors.New("a series without labels")
	}
	return kind, labels, nil
}

const mostValue = 1024 // bytes of a label's value

// check refuses what a receiver would, and with it the whole request.
func (l label) check() error {
	switch {
	case l.name == nameLabel:
		if !validName(l.value, true) {
			return errors.New("metric name " + l.value + " is not [a-zA-Z_:][a-zA-Z0-9_:]*")
		}
	case !validName(l.name, false):
		return errors.New("label name " + l.name + " is not [a-zA-Z_][a-zA-Z0-9_]*")
	case l.value == "" || len(l.value) > mostValue || !utf8.ValidString(l.value):
		return errors.New("the value of label " + l.name + " is empty, too long or not UTF-8")
	}
	return nil
}

// validName is the data model's rule that every version of every receiver takes.
func validName(s string, colon bool) bool {
	for i, c := range []byte(s) {
		switch {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c == '_', colon && c == ':', i > 0 && c >= '0' && c <= '9':
		default:
			return false
		}
	}
	return s != ""
}
