package pagetest

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"testing"
)

// axe-core 4.14.1 (MPL-2.0) judges pages by the rules of WCAG 2. It is not part of
// this repository; .ci/axe gets it.
const axeSum = "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c" // SHA-256 of axe.min.js

// axe reads the checker.
func axe(t *testing.T) string {
	t.Helper()
	cache, err := os.UserCacheDir()
	if err != nil {
		missing(t, "no folder for axe-core: "+err.Error())
	}
	path := filepath.Join(cache, "candlemark", "axe-core-4.14.1", "axe.min.js")
	b, err := os.ReadFile(path)
	if err != nil {
		missing(t, "axe-core is not there; .ci/axe gets it: "+err.Error())
	}
	if sum := sha256.Sum256(b); hex.EncodeToString(sum[:]) != axeSum {
		t.Fatalf("%s is not axe-core 4.14.1 as published", path)
	}
	return string(b)
}

// finding is one rule that the page breaks.
type finding struct {
	ID     string   `json:"id"`
	Impact string   `json:"impact"` // minor, moderate, serious, critical
	Help   string   `json:"help"`
	Where  []string `json:"where"`
}

// judge has axe-core look at the page as it is.
func (s *screen) judge(checker, when string) {
	s.t.Helper()
	if checker == "" {
		return
	}
	eval[any](s, checker+"; true")
	found := eval[struct {
		Passes   int       `json:"passes"`
		Findings []finding `json:"findings"`
	}](s, `axe.run().then((r) => ({passes: r.passes.length, findings: r.violations.map((v) => ({id: v.id, impact: v.impact, help: v.help,
		where: v.nodes.map((n) => n.target.join(" ") + ": " + n.failureSummary)}))}))`)
	if found.Passes < 20 {
		s.t.Errorf("%s: only %d rules passed: axe-core did not see the page", when, found.Passes)
	}
	for _, f := range found.Findings {
		if f.Impact == "serious" || f.Impact == "critical" {
			s.t.Errorf("%s: %s: %s (%s): %q", when, f.Impact, f.Help, f.ID, f.Where)
		} else {
			s.t.Logf("%s: %s: %s (%s): %q", when, f.Impact, f.Help, f.ID, f.Where)
		}
	}
}
