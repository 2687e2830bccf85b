package dashboards

import (
	"maps"
	"slices"
	"strings"
)

// Dashboard is one dashboard as plain data.
type Dashboard struct {
	UID, File, Title, About string
	From                    string // begin of the time that is shown at first, such as "now-6h"
	Variables               []Variable
	Marks                   []Mark
	Link                    Link // to the other dashboard
	Sections                []Section
}

// Variable is a choice at the top of a dashboard.
type Variable struct {
	Name, Label, Query string
	Several            bool // several values, or all of them, may be chosen
}

// Mark is what is marked on every graph when it happens.
type Mark struct {
	Name, Colour, Expr, Title, Text string
}

// Link leads to another dashboard.
type Link struct{ Title, URL, Hint string }

// Query is one PromQL expression of a panel.
type Query struct {
	Ref    string // "A", "B", ...
	Expr   string // with Grafana's variables: $relay, $pack, $__rate_interval
	Legend string // in a table the heading of its column
}

// Panel is one panel: what it shows and what to do about it.
type Panel struct {
	Title, Help string
	Unit        string // Grafana's name of the unit
	Now         bool   // large figures as of now; otherwise a graph over time
	Names       bool   // show each series' name instead of its value
	Empty       string // what is said when there is no series
	Words       map[string]string
	Band        [2]string // the legends of the low and the high line; the space between is filled
	Steps       []Step    // where a figure asks for somebody
	Width       uint32    // of 24
	Queries     []Query
	Table       *Table // a table as of now instead of a graph
}

// Step is a threshold: from this value up, this colour. What it means stands in
// the panel's help, for those who do not see the colour.
type Step struct {
	Value  float64
	Colour string
}

// The colours of steps.
const (
	calm   = "text"
	warn   = "orange"
	urgent = "red"
)

// Table is how a panel's queries become the columns of one table, a row for each
// set of labels. Each row leads to the dashboard of its relay.
type Table struct {
	Units  map[string]string // by Ref, where it is not the panel's
	Steps  map[string][]Step // by Ref
	SortBy string            // Ref
	Desc   bool
}

// Section is a row of panels.
type Section struct {
	Title  string
	Panels []Panel
}

// Expand puts values in the place of Grafana's variables, for whoever evaluates
// an expression without Grafana. Keys are names without the dollar sign.
func Expand(expr string, values map[string]string) string {
	var pairs []string
	// Longer names first, so that $site does not end a $site_name.
	for _, name := range slices.SortedFunc(maps.Keys(values), func(a, b string) int { return len(b) - len(a) }) {
		pairs = append(pairs, "$"+name, values[name])
	}
	return strings.NewReplacer(pairs...).Replace(expr)
}
