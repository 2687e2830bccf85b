package main

import (
	"fmt"

	"github.com/spf13/cobra"
)

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
			if _, err := probers(cfg); err != nil {
				return err
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%s is good: relay %s, %d packs, %d targets, %d throughput probes, %d receivers\n",
				args[0], cfg.Relay, len(cfg.Packs), len(cfg.Targets), len(cfg.Throughput), len(cfg.Receivers))
			return nil
		},
	}
}
