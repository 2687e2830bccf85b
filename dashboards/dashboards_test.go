//lint:file-ignore SA1019 the classic form is the one that every Grafana in the field imports

package dashboards_test

import (
	"bytes"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/grafana/grafana-foundation-sdk/go/cog/plugins"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"

	"candlemark/agent/metrics"
	"candlemark/dashboards"
)

// each runs a test for each dashboard with its committed file.
func each(t *testing.T, f func(t *testing.T, d dashboards.Dashboard, file []byte)) {
	t.Helper()
	for _, d := range dashboards.All() {
		t.Run(d.File, func(t *testing.T) {
			b, err := os.ReadFile(d.File)
			if err != nil {
				t.Fatal(err)
			}
			f(t, d, b)
		})
	}
}

func TestCommittedFileIsWhatTheContentGives(t *testing.T) {
	each(t, func(t *testing.T, d dashboards.Dashboard, file []byte) {
		want, err := d.JSON()
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(file, want) {
			t.Error("the file is not what the content gives: run go generate ./dashboards")
		}
	})
}

func TestFileIsAStrictDashboard(t *testing.T) {
	plugins.RegisterDefaultPlugins()
	each(t, func(t *testing.T, _ dashboards.Dashboard, file []byte) {
		var d dashboard.Dashboard
		// The SDK returns an error of a type whose nil and empty values are no
		// faults, so it is what it says that counts.
		if err := d.UnmarshalJSONStrict(file); err != nil && err.Error() != "" {
			t.Errorf("strict decode: %v", err)
		}
		if err := d.Validate(); err != nil && err.Error() != "" {
			t.Errorf("validate: %v", err)
		}
		if len(d.Panels) == 0 {
			t.Error("no panels were decoded")
		}
		// (Field defaults are the one place where the SDK lets unknown keys pass.)
		for _, key := range []string{`"legendFormat"`, `"titleFormat"`, `"keepTime"`} {
			broken := bytes.Replace(file, []byte(key), []byte(`"noSuchKey"`), 1)
			if err := d.UnmarshalJSONStrict(broken); bytes.Equal(broken, file) || err == nil || err.Error() == "" {
				t.Errorf("strict decode accepts a key that Grafana does not have in the place of %s", key)
			}
		}
	})
}

func TestQueriesNameMetricsThatExist(t *testing.T) {
	word := regexp.MustCompile(`candlemark_\w+`)
	names := metrics.Names()
	each(t, func(t *testing.T, _ dashboards.Dashboard, file []byte) {
		found := word.FindAllString(string(file), -1)
		if len(found) < 20 {
			t.Errorf("only %d metric names found", len(found))
		}
		for _, n := range found {
			if !names[n] {
				t.Errorf("names %s, which the agent does not export", n)
			}
		}
	})
}

func TestRecordedFiguresHaveTheirRule(t *testing.T) {
	rules, err := os.ReadFile("../deploy/prometheus/rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.ReadFile("all-relays.json")
	if err != nil {
		t.Fatal(err)
	}
	found := regexp.MustCompile(`(?:relay|site):\w+:\w+`).FindAllString(string(file), -1)
	if len(found) == 0 {
		t.Error("no recorded figure is used")
	}
	for _, n := range found {
		if !bytes.Contains(rules, []byte("- record: "+n+"\n")) {
			t.Errorf("%s is recorded by no rule", n)
		}
	}
}

func TestEveryPanelSaysWhatItMeans(t *testing.T) {
	each(t, func(t *testing.T, d dashboards.Dashboard, _ []byte) {
		titles := map[string]bool{}
		for _, s := range d.Sections {
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
	})
}

// Links and rows lead to dashboards that exist, with a variable that exists.
func TestLinksLeadSomewhere(t *testing.T) {
	uids := map[string]bool{}
	for _, d := range dashboards.All() {
		uids[d.UID] = true
	}
	each(t, func(t *testing.T, d dashboards.Dashboard, file []byte) {
		found := regexp.MustCompile(`"url": "/d/([\w-]+)`).FindAllSubmatch(file, -1)
		if len(found) == 0 {
			t.Error("leads nowhere")
		}
		for _, m := range found {
			if uid := string(m[1]); !uids[uid] || uid == d.UID {
				t.Errorf("a link leads to %s", uid)
			}
		}
		for _, m := range regexp.MustCompile(`[?&]var-(\w+)=`).FindAllSubmatch(file, -1) {
			if name := string(m[1]); name != "datasource" && !slices.ContainsFunc(dashboards.Relay().Variables, func(v dashboards.Variable) bool { return v.Name == name }) {
				t.Errorf("a link sets %s, which the dashboard of one relay does not have", name)
			}
		}
	})
	for _, s := range dashboards.Fleet().Sections {
		for _, p := range s.Panels {
			if p.Table != nil && !strings.Contains(p.Queries[0].Expr, "relay") {
				t.Errorf("the rows of %q are of no relay", p.Title)
			}
		}
	}
}
