package deploy_test

import (
	"bytes"
	"path/filepath"
	"regexp"
	"testing"

	"github.com/goccy/go-yaml"

	"candlemark/dashboards"
)

// The keys that Grafana documents for its provisioning files ("Provision Grafana",
// from memory), as far as the examples need them.
type datasourceFile struct {
	APIVersion  int `yaml:"apiVersion"`
	Datasources []struct {
		Name, UID, Type, Access, URL string
		IsDefault                    bool `yaml:"isDefault"`
		Editable                     bool
		JSONData                     struct {
			HTTPMethod   string `yaml:"httpMethod"`
			TimeInterval string `yaml:"timeInterval"`
		} `yaml:"jsonData"`
	}
}

type providerFile struct {
	APIVersion int `yaml:"apiVersion"`
	Providers  []struct {
		Name, Folder, Type    string
		DisableDeletion       bool `yaml:"disableDeletion"`
		AllowUIUpdates        bool `yaml:"allowUiUpdates"`
		UpdateIntervalSeconds int  `yaml:"updateIntervalSeconds"`
		Options               struct{ Path string }
	}
}

func strict(t *testing.T, path string, into any) []byte {
	t.Helper()
	b := read(t, path)
	if err := yaml.UnmarshalWithOptions(b, into, yaml.Strict()); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	broken := append(bytes.Clone(b), "noSuchKey: 1\n"...)
	if err := yaml.UnmarshalWithOptions(broken, into, yaml.Strict()); err == nil {
		t.Errorf("%s: a key that Grafana does not have is accepted", path)
	}
	return b
}

func TestGrafanaProvisioning(t *testing.T) {
	var d datasourceFile
	var p providerFile
	strict(t, "grafana/datasource.yaml", &d)
	text := strict(t, "grafana/dashboards.yaml", &p)
	if d.APIVersion != 1 || len(d.Datasources) != 1 || p.APIVersion != 1 || len(p.Providers) != 1 {
		t.Fatalf("datasource %+v, provider %+v", d, p)
	}
	source, provider := d.Datasources[0], p.Providers[0]
	if source.Type != "prometheus" || source.Name == "" || source.UID == "" || source.URL == "" || source.Access != "proxy" {
		t.Errorf("datasource %+v", source)
	}
	if m := regexp.MustCompile(`(?m)^  scrape_interval: (\S+)$`).FindSubmatch(read(t, "prometheus/prometheus.yaml")); m == nil || string(m[1]) != source.JSONData.TimeInterval {
		t.Errorf("rates go by %s, scrapes by %s", source.JSONData.TimeInterval, m)
	}
	if provider.Type != "file" || !filepath.IsAbs(provider.Options.Path) || provider.AllowUIUpdates {
		t.Errorf("provider %+v", provider)
	}
	for _, board := range dashboards.All() {
		if !bytes.Contains(text, []byte("dashboards/"+board.File)) {
			t.Errorf("the provider's file does not say where %s goes", board.File)
		}
	}
}
