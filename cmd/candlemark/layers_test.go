package main

import (
	"encoding/json"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// A ban forbids packages to import others, and says why.
type ban struct {
	of   string   // import paths that begin with this
	but  []string // and not with one of these
	may  []string // although it falls under from
	from []string // may not import what begins with one of these
	why  string
}

var bans = []ban{
	{of: "candlemark/sensors", from: []string{"candlemark/agent", "candlemark/probes", "github.com/rs/zerolog", "github.com/prometheus/client_golang"},
		why: "a sensor must be usable and testable without the agent, and a simulated pack that shared the estimator's model would prove nothing"},
	{of: "candlemark/probes", from: []string{"candlemark/agent", "candlemark/sensors", "github.com/rs/zerolog", "github.com/prometheus/client_golang"},
		why: "a probe must be usable and testable without the agent"},
	{of: "candlemark/agent/", from: []string{"candlemark/agent$"},
		why: "the agent joins its children; a child that knew it would make a circle"},
	{of: "candlemark/agent/pack", from: pureBans, why: pureWhy},
	{of: "candlemark/agent/alarm", from: pureBans, why: pureWhy},
	{of: "candlemark/agent/schedule", from: pureBans, why: pureWhy},
	{of: "candlemark/agent/feed", but: []string{"candlemark/agent/feed/"}, from: pureBans, why: pureWhy},
	{of: "candlemark/agent/plan", but: []string{"candlemark/agent/plan/"}, from: pureBans, why: pureWhy},
	{of: "candlemark/probes/quality", may: []string{"candlemark/probes/distribution"}, from: pureBans, why: pureWhy},
	{of: "candlemark/probes/distribution", from: pureBans, why: pureWhy},
	{of: "candlemark/agent/status", from: []string{"os$", "net", "log", "sync", "candlemark/agent/journal", "candlemark/agent/notify"}, why: "it is plain data that everybody shows"},
	{of: "candlemark/", but: []string{"candlemark/dashboards"}, from: []string{"github.com/grafana/"},
		why: "the dashboard library is for the generator; it would double the agent's binary"},
	{of: "candlemark/", from: []string{"candlemark/cmd"}, why: "wiring is the last step; nothing builds on it"},
}

var pureBans = []string{"context$", "os$", "io$", "net", "log", "sync", "syscall", "github.com/rs/zerolog", "github.com/prometheus/", "candlemark/agent/journal", "candlemark/agent/notify", "candlemark/sensors/", "candlemark/probes/"}

const pureWhy = "it decides; what it decides must follow from its inputs alone, so that a replay shows what the agent would have done"

func TestImportsGoDownwardOnly(t *testing.T) {
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports", "candlemark/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	dec := json.NewDecoder(strings.NewReader(string(out)))
	seen := 0
	for {
		var p struct {
			ImportPath string
			Imports    []string
		}
		if err := dec.Decode(&p); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		seen++
		for _, b := range bans {
			if !strings.HasPrefix(p.ImportPath, b.of) || slices.ContainsFunc(b.but, func(x string) bool { return strings.HasPrefix(p.ImportPath, x) }) {
				continue
			}
			for _, imp := range p.Imports {
				if !slices.Contains(b.may, imp) && slices.ContainsFunc(b.from, func(x string) bool { return imports(imp, x) }) {
					t.Errorf("%s imports %s: not allowed, since %s", p.ImportPath, imp, b.why)
				}
			}
		}
	}
	if seen < 20 {
		t.Errorf("only %d packages were looked at", seen)
	}
}

// imports says whether a path falls under a ban: "net" covers net and net/http,
// "io$" only io itself.
func imports(path, banned string) bool {
	if exact, ok := strings.CutSuffix(banned, "$"); ok {
		return path == exact
	}
	return path == banned || strings.HasPrefix(path, strings.TrimSuffix(banned, "/")+"/")
}

// What only tests need must not weigh on a small board.
func TestTheProgramHoldsNothingOfItsTests(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", "candlemark/cmd/candlemark").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	deps := strings.Fields(string(out))
	if !slices.Contains(deps, "candlemark/agent/httpd") {
		t.Fatal("go list does not name what the program is made of")
	}
	for _, d := range deps {
		if strings.HasPrefix(d, "github.com/chromedp/") || strings.HasPrefix(d, "github.com/go-json-experiment/") || d == "testing" {
			t.Errorf("the program holds %s", d)
		}
	}
}
