package promtest

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"
)

// Range evaluates expr over a time, as a graph does, and returns how many series and points came back.
func (s *Server) Range(t testing.TB, expr string, from, to time.Time, step time.Duration) (series, points int) {
	t.Helper()
	var data struct {
		Result []struct{ Values [][2]any }
	}
	s.get(t, fmt.Sprintf("/api/v1/query_range?start=%d&end=%d&step=%g&query=%s", from.Unix(), to.Unix(), step.Seconds(), url.QueryEscape(expr)), &data)
	for _, r := range data.Result {
		points += len(r.Values)
	}
	return len(data.Result), points
}

// RuleTime is how long the last evaluation of one rule took.
type RuleTime struct {
	Name string
	Took time.Duration
}

// RuleTimes lists the rules that were evaluated.
func (s *Server) RuleTimes(t testing.TB) []RuleTime {
	t.Helper()
	var data struct {
		Groups []struct {
			Rules []struct {
				Name           string
				Health         string
				EvaluationTime float64
			}
		}
	}
	s.get(t, "/api/v1/rules", &data)
	var all []RuleTime
	for _, g := range data.Groups {
		for _, r := range g.Rules {
			if r.Health == "err" {
				t.Errorf("rule %s cannot be evaluated", r.Name)
			}
			if r.EvaluationTime > 0 {
				all = append(all, RuleTime{r.Name, time.Duration(r.EvaluationTime * float64(time.Second))})
			}
		}
	}
	return all
}

// Own is the value of one of Prometheus' own metrics, one without labels.
func (s *Server) Own(t testing.TB, name string) float64 {
	t.Helper()
	resp, err := http.Get(s.URL + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`(?m)^` + name + ` (\S+)$`).FindSubmatch(b)
	if m == nil {
		t.Fatalf("prometheus has no metric %s", name)
	}
	v, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Snapshot writes all that is stored as blocks, as it would lie on the disk, and
// returns the bytes of its samples and of its index. It needs Config.Admin.
func (s *Server) Snapshot(t testing.TB) (sampleBytes, indexBytes int64) {
	t.Helper()
	resp, err := http.Post(s.URL+"/api/v1/admin/tsdb/snapshot", "", nil)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		t.Fatalf("snapshot: %s", resp.Status)
	}
	sum := func(pattern string) (bytes int64) {
		files, err := filepath.Glob(filepath.Join(s.dir, "tsdb", "snapshots", "*", "*", pattern))
		if err != nil || len(files) == 0 {
			t.Fatalf("snapshot: no %s, %v", pattern, err)
		}
		for _, f := range files {
			info, err := os.Stat(f)
			if err != nil {
				t.Fatal(err)
			}
			bytes += info.Size()
		}
		return bytes
	}
	return sum("chunks/*"), sum("index")
}
