package main

import (
	"fmt"
	"net"
	"os"

	"github.com/prometheus/exporter-toolkit/web"
	"go.yaml.in/yaml/v2"

	"candlemark/agent/config"
)

// checkActions looks at the token, and whether anybody can use it.
func checkActions(cfg *config.Config) finding {
	const what = "commands over HTTP"
	if err := webActions(cfg.Actions, nil).Check(); err != nil {
		return finding{what, isFault, err.Error(), "write a token of 16 characters at least into the file, owner root, group candlemark, mode 640"}
	}
	host, _, err := net.SplitHostPort(cfg.Listen)
	if err != nil {
		return finding{what, isFault, err.Error(), "correct listen"}
	}
	local := host == "localhost" || net.ParseIP(host).IsLoopback()
	switch encrypted, err := servesTLS(cfg.WebConfig); {
	case err != nil:
		return finding{what, isFault, err.Error(), "correct web_config"}
	case encrypted:
		return finding{what, isGood, "taken over TLS, with the token", ""}
	case !local:
		return finding{what, isUnknown, "taken from this board only: " + cfg.Listen + " is plain HTTP, which would show the token to everybody", "set web_config with tls_server_config"}
	}
	return finding{what, isGood, "taken from this board only, with the token", ""}
}

// servesTLS says whether a web configuration, which must be good, turns TLS on. It is
// parsed with the library that web reads it with, which is in the program already.
func servesTLS(path string) (bool, error) {
	if path == "" {
		return false, nil
	}
	if err := web.Validate(path); err != nil {
		return false, err
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return false, err
	}
	var form struct {
		TLS map[string]any `yaml:"tls_server_config"`
	}
	if err := yaml.Unmarshal(text, &form); err != nil {
		return false, fmt.Errorf("%s: %w", path, err)
	}
	return len(form.TLS) > 0, nil
}
