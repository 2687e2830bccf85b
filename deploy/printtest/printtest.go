// Package printtest prints a page in headless Chromium, as a person would, and counts
// the sheets. For tests only.
package printtest

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// sheet is a page object of a PDF file (ISO 32000-1, 7.7.3.3), and not the tree of them.
var sheet = regexp.MustCompile(`/Type\s*/Page\b[^s]`)

// Browser is the path of Chromium; without it the test is skipped, or fails where
// CANDLEMARK_NO_SKIP is set.
func Browser(t *testing.T) string {
	t.Helper()
	browser, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("CANDLEMARK_NO_SKIP") != "" {
			t.Fatal("chromium is not installed")
		}
		t.Skip("chromium is not installed")
	}
	return browser
}

// Sheets prints page, a whole HTML document with an @page rule, on paper ("A4",
// "Letter") and gives the number of sheets.
func Sheets(t *testing.T, browser, page, paper string) int {
	t.Helper()
	dir := t.TempDir()
	file, pdf := filepath.Join(dir, "page.html"), filepath.Join(dir, "page.pdf")
	sized := strings.Replace(page, "@page { ", "@page { size: "+paper+"; ", 1)
	if sized == page {
		t.Fatal("the page has no @page rule to set the paper in")
	}
	if err := os.WriteFile(file, []byte(sized), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), browser, "--headless", "--no-sandbox", "--disable-gpu", "--user-data-dir="+filepath.Join(dir, "profile"), "--no-pdf-header-footer", "--print-to-pdf="+pdf, file)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	data, err := os.ReadFile(pdf)
	if err != nil {
		t.Fatal(err)
	}
	return len(sheet.FindAll(data, -1))
}
