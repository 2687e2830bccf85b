package main

import (
	"fmt"
	"os"

	"github.com/prometheus/exporter-toolkit/web"
	"github.com/spf13/cobra"

	"candlemark/agent/config"
)

// checkWeb has the web configuration judged by the library that will use it.
func checkWeb(cfg *config.Config) error {
	if err := web.Validate(cfg.WebConfig); err != nil {
		return configError{fmt.Errorf("web_config %s: %w", cfg.WebConfig, err)}
	}
	return nil
}

// count words a number of things.
func count(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

func newCheckConfig() *cobra.Command {
	return &cobra.Command{
		Use:   "check-config FILE",
		Short: "Say everything that is wrong with a configuration file",
		Long: `check-config reads a configuration file as run would, and reports all faults at
once with line, column and remedy. It touches no sensor and no network.`,
		Example: "  candlemark check-config /etc/candlemark/candlemark.yaml",
		Args:    exactArg("the configuration file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			cfg, err := load(args[0])
			if err != nil {
				return err
			}
			if _, err := os.Stat(cfg.WebConfig); cfg.WebConfig != "" && err == nil { // the file may be for another board
				if err := checkWeb(cfg); err != nil {
					return err
				}
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%s is good: relay %s, %s, %s, %s, %s, %s\n", args[0], cfg.Relay,
				count(len(cfg.Packs), "pack"), count(len(cfg.Targets), "target"), count(len(cfg.Throughput), "throughput probe"), count(len(cfg.Services), "service"), count(len(cfg.Receivers), "receiver"))
			return nil
		},
	}
}
