package handover

import (
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Stamp is a wall-clock time and whether the clock could be believed.
type Stamp struct {
	At      time.Time `json:"at,omitzero"`
	Trusted bool      `json:"clock_trusted"`
}

// Incident is the frame of an operation. An empty field was not recorded.
type Incident struct {
	Name        string    `json:"name"`
	Number      string    `json:"number"`
	Site        string    `json:"site"`
	Requester   string    `json:"requester"`
	Contact     string    `json:"contact"` // on site
	From        time.Time `json:"period_from,omitzero"`
	To          time.Time `json:"period_to,omitzero"`
	Need        string    `json:"need"`   // what people must do
	People      int       `json:"people"` // how many; 0 not recorded
	Arrangement string    `json:"arrangement"`
	Fed         string    `json:"fed"` // how it is fed
	Primary     string    `json:"primary"`
	Alternate   string    `json:"alternate"`
	Contingency string    `json:"contingency"`
	Emergency   string    `json:"emergency"`

	Opened Stamp `json:"opened"`
	Closed Stamp `json:"closed"`
	// FirstSeq is the record that opened it; the journal keeps the record from
	// there on.
	FirstSeq uint64 `json:"first_record,omitempty"`
}

// Bounds of what is taken for an incident.
const (
	mostField  = 500 // bytes of one field
	mostPeople = 1_000_000
	mostPeriod = 31 * 24 * time.Hour
)

// IsOpen says whether the incident is going on.
func (i Incident) IsOpen() bool { return !i.Opened.At.IsZero() && i.Closed.At.IsZero() }

// Recorded says whether there is an incident, open or closed.
func (i Incident) Recorded() bool { return !i.Opened.At.IsZero() }

// field is one text field with its name for people.
type field struct {
	name string
	text *string
}

func (i *Incident) fields() []field {
	return []field{
		{"name", &i.Name}, {"number", &i.Number}, {"site", &i.Site}, {"requester", &i.Requester}, {"contact", &i.Contact},
		{"need", &i.Need}, {"arrangement", &i.Arrangement}, {"fed", &i.Fed},
		{"primary", &i.Primary}, {"alternate", &i.Alternate}, {"contingency", &i.Contingency}, {"emergency", &i.Emergency},
	}
}

// Check says what is wrong with the fields.
func (i Incident) Check() error {
	for _, f := range i.fields() {
		switch {
		case len(*f.text) > mostField:
			return fmt.Errorf("incident: %s is %d bytes long; %d are taken", f.name, len(*f.text), mostField)
		case !utf8.ValidString(*f.text):
			return fmt.Errorf("incident: %s is not UTF-8 text", f.name)
		case strings.ContainsFunc(*f.text, unicode.IsControl):
			return fmt.Errorf("incident: %s holds control characters; write it on one line", f.name)
		}
	}
	switch {
	case i.People < 0 || i.People > mostPeople:
		return fmt.Errorf("incident: %d people; give a number from 1 to %d", i.People, mostPeople)
	case i.From.IsZero() != i.To.IsZero():
		return errors.New("incident: the operational period has one end only; give from and to")
	case !i.From.IsZero() && !i.To.After(i.From):
		return errors.New("incident: the operational period ends before it begins")
	case i.To.Sub(i.From) > mostPeriod:
		return fmt.Errorf("incident: the operational period is longer than %d days; give one shift or day", mostPeriod/(24*time.Hour))
	}
	return nil
}

// Action is what is done to the incident.
type Action string

const (
	Open   Action = "open"
	Change Action = "change"
	Close  Action = "close"
)

// Refusals of Apply.
var (
	ErrOpen    = errors.New("an incident is open")
	ErrNotOpen = errors.New("no incident is open")
)

// Apply does an action to the incident as it is: given is the new one (Open), or
// holds what changes in its non-empty fields (Change). said is the line for the
// record. The caller sets FirstSeq to the number of that record on Open.
func (i Incident) Apply(do Action, given Incident, at Stamp) (next Incident, said string, err error) {
	switch do {
	case Open:
		if i.IsOpen() {
			return i, "", fmt.Errorf("%w: %s; close it first, or change it", ErrOpen, i.Name)
		}
		next = given
		next.Opened, next.Closed, next.FirstSeq = at, Stamp{}, 0
		if strings.TrimSpace(next.Name) == "" {
			return i, "", errors.New("incident: give it a name")
		}
		said = "opened: " + next.Name
	case Change:
		if !i.IsOpen() {
			return i, "", ErrNotOpen
		}
		var changed []string
		next, changed = i.merge(given)
		if len(changed) == 0 {
			return i, "", errors.New("incident: nothing changes")
		}
		said = "changed: " + strings.Join(changed, "; ")
	case Close:
		if !i.IsOpen() {
			return i, "", ErrNotOpen
		}
		next = i
		next.Closed = at
		said = "closed: " + i.Name
	default:
		return i, "", fmt.Errorf("incident: unknown action %q", do)
	}
	if err := next.Check(); err != nil {
		return i, "", err
	}
	return next, said, nil
}

func (i Incident) merge(given Incident) (next Incident, changed []string) {
	next = i
	theirs := given.fields()
	for k, f := range next.fields() {
		if text := *theirs[k].text; text != "" && text != *f.text {
			*f.text = text
			changed = append(changed, f.name+" is now "+text)
		}
	}
	if given.People != 0 && given.People != i.People {
		next.People = given.People
		changed = append(changed, fmt.Sprintf("people is now %d", given.People))
	}
	if !given.From.IsZero() || !given.To.IsZero() {
		if !given.From.IsZero() {
			next.From = given.From
		}
		if !given.To.IsZero() {
			next.To = given.To
		}
		if !next.From.Equal(i.From) || !next.To.Equal(i.To) {
			changed = append(changed, fmt.Sprintf("operational period is now %s to %s", next.From.Format(time.RFC3339), next.To.Format(time.RFC3339)))
		}
	}
	return next, changed
}
