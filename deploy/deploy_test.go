package deploy_test

import (
	"bytes"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"

	"candlemark/agent/metrics"
	"candlemark/deploy/promtest"
)

// check runs a checking program and fails the test where it finds a fault.
func check(t *testing.T, program string, args ...string) {
	t.Helper()
	if out, err := exec.Command(program, args...).CombinedOutput(); err != nil {
		t.Errorf("%s %s: %v\n%s", filepath.Base(program), strings.Join(args, " "), err, out)
	}
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestRulesFireWhenTheyShouldAndNotOtherwise(t *testing.T) {
	promtool := promtest.Need(t, "promtool", "prometheus")
	check(t, promtool, "check", "rules", "prometheus/rules.yaml")
	check(t, promtool, "test", "rules", "prometheus/rules_test.yaml")
}

type rules struct {
	Groups []struct {
		Rules []struct {
			Alert, Record, Expr, For string
			Labels                   struct{ Severity string }
			Annotations              struct{ Summary, Action string }
		}
	}
}

type ruleCases struct {
	Tests []struct {
		Cases []struct {
			Alert  string `yaml:"alertname"`
			Alerts []any  `yaml:"exp_alerts"`
		} `yaml:"alert_rule_test"`
		Figures []struct {
			Expr    string
			Samples []any `yaml:"exp_samples"`
		} `yaml:"promql_expr_test"`
	}
}

func TestEveryRuleHasWordsAndCasesForAndAgainst(t *testing.T) {
	var r rules
	var c ruleCases
	if err := yaml.Unmarshal(read(t, "prometheus/rules.yaml"), &r); err != nil {
		t.Fatal(err)
	}
	if err := yaml.Unmarshal(read(t, "prometheus/rules_test.yaml"), &c); err != nil {
		t.Fatal(err)
	}
	fires, quiet, recorded := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for _, test := range c.Tests {
		for _, f := range test.Figures {
			recorded[f.Expr] = recorded[f.Expr] || len(f.Samples) > 0
		}
		for _, k := range test.Cases {
			if len(k.Alerts) > 0 {
				fires[k.Alert] = true
			} else {
				quiet[k.Alert] = true
			}
		}
	}
	n := 0
	for _, g := range r.Groups {
		for _, rule := range g.Rules {
			n++
			if rule.Record != "" {
				if !recorded[rule.Record] {
					t.Errorf("%s: no case says what it is", rule.Record)
				}
				continue
			}
			if !fires[rule.Alert] || !quiet[rule.Alert] {
				t.Errorf("%s: a case in which it fires: %v; one in which it must not: %v", rule.Alert, fires[rule.Alert], quiet[rule.Alert])
			}
			if rule.For == "" || rule.Labels.Severity == "" || rule.Annotations.Summary == "" || rule.Annotations.Action == "" {
				t.Errorf("%s lacks a hold time, a severity or words", rule.Alert)
			}
		}
	}
	if n == 0 {
		t.Error("no rules were read")
	}
}

// What the agent says itself, an alert must not say again.
func TestAlertsDoNotRepeatTheAgentsAlarms(t *testing.T) {
	var r rules
	if err := yaml.Unmarshal(read(t, "prometheus/rules.yaml"), &r); err != nil {
		t.Fatal(err)
	}
	for _, g := range r.Groups {
		for _, rule := range g.Rules {
			if rule.Alert != "" && (strings.Contains(rule.Expr, "candlemark_alarm_active") || strings.Contains(rule.Expr, "_runtime_")) {
				t.Errorf("%s repeats an alarm of the agent", rule.Alert)
			}
		}
	}
}

func TestMetricNamesExist(t *testing.T) {
	word := regexp.MustCompile(`\bcandlemark_\w+`)
	names, found := metrics.Names(), 0
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasSuffix(path, ".go") {
			return err
		}
		b, err := os.ReadFile(path)
		for _, n := range word.FindAllString(string(b), -1) {
			found++
			if !names[n] {
				t.Errorf("%s names %s, which the agent does not export", path, n)
			}
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if found < 10 {
		t.Errorf("only %d metric names found", found)
	}
}

func TestPrometheusExample(t *testing.T) {
	check(t, promtest.Need(t, "promtool", "prometheus"), "check", "config", "--syntax-only", "prometheus/prometheus.yaml")
	if !bytes.Contains(read(t, "prometheus/prometheus.yaml"), []byte("job_name: candlemark ")) {
		t.Error("the example's job is not named candlemark, which the rules go by")
	}
}

func TestAlertmanagerExample(t *testing.T) {
	amtool := promtest.Need(t, "amtool", "prometheus-alertmanager")
	check(t, amtool, "check-config", "alertmanager/alertmanager.yaml")
	for labels, receiver := range map[string]string{
		"alertname=shut_terminal_down severity=critical relay=gym": "call-out",
		"alertname=CandlemarkSilent severity=critical relay=gym":   "call-out",
		"alertname=bring_next_pack severity=warning relay=gym":     "watch",
		"alertname=relay_alive severity=notice relay=gym":          "alive",
		"alertname=alarm_test severity=notice relay=gym":           "watch",
		"alertname=clock_not_set severity=notice relay=gym":        "watch",
	} {
		args := append([]string{"config", "routes", "test", "--config.file=alertmanager/alertmanager.yaml", "--verify.receivers=" + receiver}, strings.Fields(labels)...)
		check(t, amtool, args...)
	}
}

func TestUnit(t *testing.T) {
	analyze := promtest.Need(t, "systemd-analyze", "systemd")
	dir := t.TempDir()
	program := filepath.Join(dir, "candlemark")
	if err := os.WriteFile(program, nil, 0o755); err != nil {
		t.Fatal(err)
	}
	// verify wants the program to be there.
	// A panic and the watchdog's SIGABRT end a Go program with 2: it must come back.
	if want := []byte("\nRestartPreventExitStatus=78\n"); !bytes.Contains(read(t, "systemd/candlemark.service"), want) {
		t.Errorf("the unit has no line %q", want)
	}
	unit := bytes.ReplaceAll(read(t, "systemd/candlemark.service"), []byte("/usr/bin/candlemark"), []byte(program))
	path := filepath.Join(dir, "candlemark.service")
	if err := os.WriteFile(path, unit, 0o644); err != nil {
		t.Fatal(err)
	}
	check(t, analyze, "verify", "--man=no", path)
	// Exposure 2.4 of 10 as shipped; what is left is the network and the I2C bus.
	check(t, analyze, "security", "--offline=yes", "--threshold=25", path)
}
