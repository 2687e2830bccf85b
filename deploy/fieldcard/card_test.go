package main

import (
	"bytes"
	"html"
	"os"
	"regexp"
	"strings"
	"testing"

	"candlemark/agent/alarm"
	"candlemark/agent/signal"
	"candlemark/deploy/printtest"
)

const published = "../field-card.html"

func TestThePublishedCardIsTheOneThatIsMade(t *testing.T) {
	want, err := card()
	if err != nil {
		t.Fatal(err)
	}
	if got, err := os.ReadFile(published); err != nil || !bytes.Equal(got, want) {
		t.Errorf("%s is out of date (%v): go generate ./deploy", published, err)
	}
}

// Whatever the template became: every alarm stands on the card once, with its
// beeps and all that is to be done.
func TestTheCardTellsEveryAlarm(t *testing.T) {
	page, err := card()
	if err != nil {
		t.Fatal(err)
	}
	rows := regexp.MustCompile(`(?s)<tr>.*?</tr>`).FindAllString(string(page), -1)
	if len(rows) != len(alarm.Catalogue()) {
		t.Errorf("%d rows for %d alarms", len(rows), len(alarm.Catalogue()))
	}
	for _, e := range alarm.Catalogue() {
		found := 0
		for _, r := range rows {
			if !strings.Contains(r, "<small>"+string(e.Name)+"</small>") {
				continue
			}
			found++
			words := html.UnescapeString(r)
			heard := signal.Heard(e.Name, e.Severity)
			if !strings.Contains(words, e.Action[1:]) || heard != "" && !strings.Contains(words, heard) || strings.Contains(words, "{") {
				t.Errorf("%s: %s", e.Name, r)
			}
			if beeps := strings.Count(r, "<rect"); beeps != len(strings.Fields(heard)) {
				t.Errorf("%s: %d beeps are drawn of %q", e.Name, beeps, heard)
			}
		}
		if found != 1 {
			t.Errorf("%s stands on the card %d times", e.Name, found)
		}
	}
}

func TestTheCardFetchesNothing(t *testing.T) {
	page, err := card()
	if err != nil {
		t.Fatal(err)
	}
	if bad := regexp.MustCompile(`(?i)<(script|link|img|iframe|object|a)\b|url\(|@import|src=|href=`).FindString(string(page)); bad != "" {
		t.Errorf("the card has %q", bad)
	}
}

// A browser prints the card on one sheet. That two would be seen shows the same
// count in agent/handover.
func TestTheCardPrintsOnOneSheet(t *testing.T) {
	browser := printtest.Browser(t)
	page, err := card()
	if err != nil {
		t.Fatal(err)
	}
	for _, paper := range []string{"A4", "Letter"} {
		t.Run(paper, func(t *testing.T) {
			if n := printtest.Sheets(t, browser, string(page), paper); n != 1 {
				t.Errorf("%d sheets", n)
			}
		})
	}
}
