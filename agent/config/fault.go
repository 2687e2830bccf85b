package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Fault is one thing wrong with a configuration file.
type Fault struct {
	File   string `json:"file"`
	Line   int    `json:"line"`   // from 1
	Column int    `json:"column"` // from 1
	Key    string `json:"key"`    // path of the key: packs[0].sensor.shunt; "" for the file
	What   string `json:"what"`
	Remedy string `json:"remedy"`
}

func (f Fault) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d:%d: ", f.File, f.Line, f.Column)
	if f.Key != "" {
		b.WriteString(f.Key + ": ")
	}
	b.WriteString(f.What)
	if f.Remedy != "" {
		b.WriteString("; " + f.Remedy)
	}
	return b.String()
}

// Faults is everything wrong with a configuration file, in the order of the file.
type Faults struct {
	List []Fault `json:"faults"`
}

// Error gives one line for each fault.
func (f *Faults) Error() string {
	lines := make([]string, len(f.List))
	for i, fault := range f.List {
		lines[i] = fault.Error()
	}
	return strings.Join(lines, "\n")
}

func (f *Faults) sort() {
	slices.SortStableFunc(f.List, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}

// touches says whether a fault is already known at key, or in what lies below it.
func (f *Faults) touches(key string) bool {
	return slices.ContainsFunc(f.List, func(fault Fault) bool {
		rest, found := strings.CutPrefix(fault.Key, key)
		return found && (rest == "" || rest[0] == '.' || rest[0] == '[')
	})
}

// position is a place in the file, from 1.
type position struct{ line, column int }

// positions finds the place of a key by its path.
type positions map[string]position

// of is the place of key or, where the file does not have it, of the nearest
// key above it.
func (p positions) of(key string) position {
	for {
		if at, ok := p[key]; ok {
			return at
		}
		cut := max(strings.LastIndexByte(key, '.'), strings.LastIndexByte(key, '['))
		if cut < 0 {
			return position{1, 1}
		}
		key = key[:cut]
	}
}
