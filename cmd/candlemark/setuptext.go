package main

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"text/template"

	"candlemark/agent/config"
)

// setupFile is the configuration that setup writes.
var setupFile = template.Must(template.New("").Parse(`# Written by candlemark setup. Check changes with: candlemark check-config FILE
# Every key is explained in candlemark.yaml(5).
relay: {{.relay}}
{{- if .site}}
site: {{.site}}
{{- end}}
packs:
  - name: pack-1
    chemistry: {{.chemistry}}
    series_cells: {{index . "series-cells"}}
    capacity: {{.capacity}}
{{- if .cutoff}}
    cutoff: {{.cutoff}}
{{- end}}
{{- if .lockout}}
    lockout: {{.lockout}}
{{- else}}
    # lockout: the voltage at which the converter switches off. Where it is above
    # the cut-off and not given here, the time left is shown too long.
{{- end}}
    sensor:
      bus: i2c-{{.bus}}
      address: {{.address}}
      shunt: {{.shunt}}
      shunt_rating: {{index . "shunt-rating"}}
      largest_load: {{index . "largest-load"}}
{{- if or .hop .uplink}}
targets:
{{- if .hop}}
  - name: near
    section: hop
    address: {{.hop}}
{{- end}}
{{- if .uplink}}
  - name: far
    section: uplink
    address: {{.uplink}}
    port: 443
{{- end}}
{{- end}}
{{- if .webhook}}
receivers:
  - name: webhook
    kind: webhook
    url: {{.webhook}}
{{- end}}
`))

func setupText(answers map[string]*string, at place) ([]byte, error) {
	values := map[string]string{"bus": strconv.Itoa(at.bus), "address": fmt.Sprintf("0x%02x", at.address)}
	for k, v := range answers {
		values[k] = yamlScalar(*v)
	}
	var b bytes.Buffer
	if err := setupFile.Execute(&b, values); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// yamlScalar quotes an answer where plain YAML would take it for something else.
func yamlScalar(s string) string {
	if strings.ContainsAny(s, ":#{}[]&*!|>'\"%@`,\n") || strings.TrimSpace(s) != s {
		return strconv.Quote(s)
	}
	return s
}

// answerFaults names the flags of the answers that do not hold. The file is not
// written, so that its lines would tell nobody anything.
func answerFaults(err error, answers map[string]*string) error {
	var faults *config.Faults
	if !errors.As(err, &faults) {
		return fmt.Errorf("these answers do not fit together: %w", err)
	}
	lines := make([]string, len(faults.List))
	for i, f := range faults.List {
		where := f.Key
		if flag := flagOf(f.Key, answers); flag != "" {
			where = "--" + flag
			if given, ok := answers[flag]; ok && *given != "" {
				where += " " + strconv.Quote(*given)
			}
		}
		lines[i] = where + ": " + f.What
		if f.Remedy != "" {
			lines[i] += "; " + f.Remedy
		}
	}
	return usageError{errors.New(strings.Join(lines, "\n"))}
}

// flagOf is the flag whose answer stands at a key of the file; "" for none.
func flagOf(key string, answers map[string]*string) string {
	near := "hop"
	if *answers["hop"] == "" {
		near = "uplink"
	}
	return map[string]string{
		"relay": "relay", "site": "site",
		"packs[0].chemistry": "chemistry", "packs[0].series_cells": "series-cells", "packs[0].capacity": "capacity",
		"packs[0].cutoff": "cutoff", "packs[0].lockout": "lockout",
		"packs[0].sensor.shunt": "shunt", "packs[0].sensor.shunt_rating": "shunt-rating", "packs[0].sensor.largest_load": "largest-load",
		"packs[0].sensor.address": "address", "packs[0].sensor.bus": "bus",
		"targets[0].address": near, "targets[1].address": "uplink",
		"receivers[0].url": "webhook",
	}[key]
}
