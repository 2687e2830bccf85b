package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// runPlan runs "candlemark plan ARGS" and gives exit code, output and messages.
func runPlan(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	code = execute(context.Background(), append([]string{"plan"}, args...), &out, &err)
	return code, out.String(), err.String()
}

func examplePlan(t *testing.T) string {
	t.Helper()
	code, out, _ := runPlan(t, "example")
	if code != 0 {
		t.Fatalf("plan example: exit %d", code)
	}
	path := filepath.Join(t.TempDir(), "plan.yaml")
	if err := os.WriteFile(path, []byte(out), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestPlanFromExampleToEveryFormat(t *testing.T) {
	path := examplePlan(t)
	code, text, _ := runPlan(t, path, "--from", "09:00")
	if code != 0 || !strings.HasPrefix(text, "runs: ") || !strings.Contains(text, "09:") {
		t.Errorf("text: exit %d\n%s", code, text)
	}
	code, page, _ := runPlan(t, path, "--format", "html")
	if code != 0 || !strings.HasPrefix(page, "<!doctype html>") {
		t.Errorf("html: exit %d", code)
	}
	code, out, _ := runPlan(t, path, "--format", "json")
	var r struct {
		Answer       string `json:"answer"`
		Arrangements []struct {
			Verdict   string `json:"verdict"`
			Endurance struct {
				Low      int `json:"low_s"`
				Expected int `json:"expected_s"`
				High     int `json:"high_s"`
			} `json:"endurance"`
		} `json:"arrangements"`
		Rotation struct {
			Answer string `json:"answer"`
		} `json:"rotation"`
	}
	if err := json.Unmarshal([]byte(out), &r); code != 0 || err != nil {
		t.Fatalf("json: exit %d, %v", code, err)
	}
	if len(r.Arrangements) == 0 || r.Answer == "" || !strings.HasPrefix(r.Rotation.Answer, "link stays up until") {
		t.Errorf("%+v", r)
	}
	for _, a := range r.Arrangements {
		if e := a.Endurance; a.Verdict != "runs" || !(0 < e.Low && e.Low < e.Expected && e.Expected < e.High) {
			t.Errorf("%+v", a)
		}
	}
}

func TestPlanRefusesABareNumberWithItsPlaceAndRemedy(t *testing.T) {
	path := examplePlan(t)
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, bytes.Replace(data, []byte("length: 30m"), []byte("length: 30"), 1), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, msg := runPlan(t, path)
	if code != exitConfig || out != "" || !strings.Contains(msg, "length: 30 has no unit; write 30m or 30ft") || !strings.Contains(msg, path+":") {
		t.Errorf("exit %d, %q, %q", code, out, msg)
	}
}

func TestPlanUsage(t *testing.T) {
	for what, args := range map[string][]string{"no file": {}, "two files": {"a", "b"}, "no such format": {"a", "--format", "xml"}, "no such time": {"a", "--from", "25:99"}} {
		if code, _, msg := runPlan(t, args...); code != exitUsage || msg == "" {
			t.Errorf("%s: exit %d, %q", what, code, msg)
		}
	}
	if code, _, msg := runPlan(t, filepath.Join(t.TempDir(), "none.yaml")); code != exitFailure || !strings.Contains(msg, "none.yaml") {
		t.Errorf("no such file: exit %d, %q", code, msg)
	}
}
