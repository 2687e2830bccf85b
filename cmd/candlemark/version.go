package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"candlemark/agent/metrics"
)

// version is set by the release build: -ldflags "-X main.version=1.2.3".
var version string

// build says which build this is, from the linker or from what the go command recorded.
func build() metrics.BuildInfo {
	b := metrics.BuildInfo{Version: version, GoVersion: runtime.Version(), Platform: runtime.GOOS + "/" + runtime.GOARCH}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return b
	}
	if b.Version == "" {
		b.Version = info.Main.Version
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			b.Revision = s.Value
		}
	}
	return b
}

func newVersion() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "version",
		Short:   "Say which build this is",
		Example: "  candlemark version --format json",
		Args:    noArgs,
	}
	f := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		b := build()
		if *f == formatJSON {
			return printJSON(cmd.OutOrStdout(), *f, b)
		}
		fmt.Fprintf(cmd.OutOrStdout(), "candlemark %s, revision %s, %s, %s\n", b.Version, orUnknown(b.Revision), b.GoVersion, b.Platform)
		return nil
	}
	return cmd
}

func orUnknown(s string) string {
	if s == "" {
		return "unknown"
	}
	return s
}
