//lint:file-ignore SA1019 the classic form is the one that every Grafana in the field imports

package dashboards_test

import (
	"bytes"
	"os"
	"regexp"
	"testing"

	"github.com/grafana/grafana-foundation-sdk/go/cog/plugins"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"

	"candlemark/agent/metrics"
	"candlemark/dashboards"
)

func TestCommittedFileIsWhatTheContentGives(t *testing.T) {
	want, err := dashboards.JSON()
	if err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile("relay.json")
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("relay.json is not what the content gives: run go generate ./dashboards")
	}
}

func TestFileIsAStrictDashboard(t *testing.T) {
	b, err := os.ReadFile("relay.json")
	if err != nil {
		t.Fatal(err)
	}
	plugins.RegisterDefaultPlugins()
	var d dashboard.Dashboard
	// The SDK returns an error of a type whose nil and empty values are no
	// faults, so it is what it says that counts.
	if err := d.UnmarshalJSONStrict(b); err != nil && err.Error() != "" {
		t.Errorf("strict decode: %v", err)
	}
	if err := d.Validate(); err != nil && err.Error() != "" {
		t.Errorf("validate: %v", err)
	}
	if len(d.Panels) == 0 {
		t.Error("no panels were decoded")
	}
	// (Field defaults are the one place where the SDK lets unknown keys pass.)
	broken := bytes.Replace(b, []byte(`"legendFormat"`), []byte(`"noSuchKey"`), 1)
	if err := d.UnmarshalJSONStrict(broken); err == nil || err.Error() == "" {
		t.Error("strict decode accepts a key that Grafana does not have")
	}
}

func TestQueriesNameMetricsThatExist(t *testing.T) {
	word := regexp.MustCompile(`candlemark_\w+`)
	names := metrics.Names()
	b, err := os.ReadFile("relay.json")
	if err != nil {
		t.Fatal(err)
	}
	found := word.FindAllString(string(b), -1)
	if len(found) < 20 {
		t.Errorf("only %d metric names found", len(found))
	}
	for _, n := range found {
		if !names[n] {
			t.Errorf("relay.json names %s, which the agent does not export", n)
		}
	}
}

func TestEveryPanelSaysWhatItMeans(t *testing.T) {
	titles := map[string]bool{}
	for _, s := range dashboards.Sections() {
		width := uint32(0)
		for _, p := range s.Panels {
			width += p.Width
			if p.Help == "" || p.Empty == "" || p.Unit == "" || len(p.Queries) == 0 {
				t.Errorf("panel %q lacks help, unit, queries or words for no value", p.Title)
			}
			if titles[p.Title] {
				t.Errorf("two panels are called %q", p.Title)
			}
			titles[p.Title] = true
		}
		if width%24 != 0 {
			t.Errorf("the panels of %q do not fill their rows: %d of 24 columns", s.Title, width%24)
		}
	}
}
