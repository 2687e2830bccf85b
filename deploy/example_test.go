package deploy_test

import (
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"

	"candlemark/agent/config"
)

func TestExampleConfigurationIsTheOneTheProgramCarries(t *testing.T) {
	got, err := os.ReadFile("candlemark.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(config.Example()), string(got)); diff != "" {
		t.Errorf("copy agent/config/example.yaml here again:\n%s", diff)
	}
}
