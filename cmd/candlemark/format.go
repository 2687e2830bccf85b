package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"
)

// format is how a command prints data: for people, or for programs.
type format string

const (
	formatText   format = "text"
	formatJSON   format = "json"
	formatNDJSON format = "ndjson" // one JSON object a line
)

// formatFlag adds --format with the formats a command knows, the first being the default.
func formatFlag(cmd *cobra.Command, known ...format) *format {
	f := known[0]
	names := make([]string, len(known))
	for i, k := range known {
		names[i] = string(k)
	}
	v := &formatValue{f: &f, known: known}
	cmd.Flags().Var(v, "format", "how to print: "+strings.Join(names, ", "))
	_ = cmd.RegisterFlagCompletionFunc("format", cobra.FixedCompletions(names, cobra.ShellCompDirectiveNoFileComp))
	return &f
}

type formatValue struct {
	f     *format
	known []format
}

func (v *formatValue) String() string { return string(*v.f) }
func (v *formatValue) Type() string   { return "FORMAT" }
func (v *formatValue) Set(s string) error {
	if !slices.Contains(v.known, format(s)) {
		return fmt.Errorf("format %q is not one of %v", s, v.known)
	}
	*v.f = format(s)
	return nil
}

// printJSON writes v for programs: indented as one document, or on one line.
func printJSON(w io.Writer, f format, v any) error {
	enc := json.NewEncoder(w)
	if f == formatJSON {
		enc.SetIndent("", "  ")
	}
	return enc.Encode(v)
}
