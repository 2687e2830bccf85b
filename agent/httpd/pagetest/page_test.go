package pagetest

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

var (
	phone     = view{name: "phone", width: 390, height: 844, mobile: true}
	phoneDark = view{name: "dark phone", width: 390, height: 844, mobile: true, dark: true}
	desk      = view{name: "desktop", width: 1280, height: 900}
	deskDark  = view{name: "dark desktop", width: 1280, height: 900, dark: true}
)

// notShort is for the race detector's run: it sees nothing of the program and the
// browser, where all of these tests' work is done.
func notShort(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("takes a minute, outside this process")
	}
}

const anyPort = "127.0.0.1:0"

// demoToken is what the demo's page takes; the demo says it.
const demoToken = "tarnbeck-mill-demo"

// A whole discharge, from full to the cut-off, on a phone and on a desktop.
func TestADischargeIsWatchedToTheCutOff(t *testing.T) {
	notShort(t)
	t.Parallel()
	checker := axe(t)
	browser := chromium(t)
	// The tabs are there before the discharge begins.
	p, w := open(t, browser, phone, "about:blank"), open(t, browser, deskDark, "about:blank")
	d := startDemo(t, "--listen", anyPort)
	p.visit(d.url)
	w.visit(d.url)
	both := func(what string, within time.Duration, expr string) {
		t.Helper()
		p.until(what+" on the phone", within, expr)
		w.until(what+" on the desktop", within, expr)
	}

	both("a reading", 20*time.Second, has("#left", " V · "))
	// What the page told, so that a busy computer misses nothing of the story.
	for _, s := range []*screen{p, w} {
		eval[any](s, `window.told = new Set(); new MutationObserver(() => told.add(["#do", "#left", "#alarms"].map((x) => document.querySelector(x).innerText).join(" ")))
			.observe(document.querySelector(".sheet"), {subtree: true, childList: true, characterData: true}); true`)
	}
	told := func(words string) string { return fmt.Sprintf("[...told].some((x) => x.includes(%q))", words) }
	p.shoot("phone-well", false)

	both("the first warning", 40*time.Second, has("#do", "ACT SOON"))
	both("by when", 5*time.Second, has("#do", "Be ready to swap by "))
	p.oneScreen()
	p.shoot("phone-soon", false)

	// Acknowledged on the phone, seen on the desktop.
	p.opens("#do .ask")
	p.fill("who", "Ida")
	p.fill("token", demoToken)
	p.shoot("phone-acknowledge", false)
	p.judge(checker, "phone, dialog")
	p.click("dialog[open] .main")
	both("the acknowledgement", 10*time.Second, told("Acknowledged by Ida"))

	// The feed: neither name nor token is asked for again.
	p.opens("#actions [data-open=feed-do]")
	if eval[bool](p, `document.querySelector("dialog[open] [data-once]").checkVisibility()`) {
		t.Error("the token is asked for twice")
	}
	p.click("dialog[open] [value=off]")
	p.click("dialog[open] .main")
	both("the feed off", 10*time.Second, has("#feed", "OFF"))
	p.shoot("phone-feed-off", false)
	p.opens("#actions [data-open=feed-do]")
	p.click("dialog[open] [value=on]")
	p.click("dialog[open] .main")
	both("the feed on", 10*time.Second, has("#feed h2", "ON"))
	if kept := eval[string](p, `localStorage.length + " " + document.cookie + " " + Object.keys(sessionStorage).sort()`); kept != "0  candlemark.token,candlemark.who" {
		t.Errorf("the browser keeps %q", kept)
	}

	p.judge(checker, "phone, warned")
	w.judge(checker, "dark desktop, warned")
	both("the last warning", 60*time.Second, told("Shut the terminal down now."))
	p.shoot("phone-now", false)
	p.shoot("phone-now-whole", true)
	w.shoot("desktop-now", true)
	both("the cut-off", 60*time.Second, told("Take the pack off its load"))
	both("nothing left", 10*time.Second, told("the pack is at its cut-off"))
	p.shoot("phone-cut-off", false)
	p.clean(d.url)
	w.clean(d.url)
}

// oneScreen checks that what is needed at arm's length needs no scrolling, and
// that a glove can hit it: 48 CSS pixels, about 9 mm (common practice, no source).
func (s *screen) oneScreen() {
	s.t.Helper()
	for _, part := range []string{"#do", "#left", "#feed", "#good", "#way", "#alarms h2"} {
		if over := eval[float64](s, fmt.Sprintf(`document.querySelector(%q).getBoundingClientRect().bottom - document.getElementById("actions").getBoundingClientRect().top`, part)); over > 1 {
			s.t.Errorf("%s ends %.0f px below the first screen", part, over)
		}
	}
	for _, small := range eval[[]string](s, `[...document.querySelectorAll("button")].filter((b) => b.checkVisibility()).filter((b) => b.getBoundingClientRect().height < 48 || b.getBoundingClientRect().width < 48).map((b) => b.innerText)`) {
		s.t.Errorf("the button %q is too small for a glove", small)
	}
	if wide := eval[float64](s, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); wide > 0 {
		s.t.Errorf("the page is %.0f px wider than the phone", wide)
	}
}

// One after another and in one browser, so that a small machine keeps up.
func TestThePage(t *testing.T) {
	notShort(t)
	t.Parallel()
	browser := chromium(t)
	for _, c := range []struct {
		name string
		test func(*testing.T, context.Context)
	}{
		{"no finding of axe-core in light and dark", noFinding},
		{"a refused token is forgotten, and a wrong request explained", refusals},
		{"offline and back", offlineAndBack},
		{"a survey is begun, goes on, is stopped and shows what it has", surveyed},
		{"without events the page asks", withoutEvents},
		{"focus and what is open stay as the page goes on", keyboard},
		{"without JavaScript the page is whole", withoutJavaScript},
	} {
		t.Run(c.name, func(t *testing.T) { c.test(t, browser) })
	}
}

func noFinding(t *testing.T, browser context.Context) {
	checker := axe(t)
	d := startDemo(t, "--listen", anyPort)
	for _, v := range []view{phone, phoneDark, desk} { // the dark desktop is judged while it is warned
		s := open(t, browser, v, d.url)
		s.until("a plot", 20*time.Second, `document.querySelectorAll(".plot canvas").length === 2`)
		s.judge(checker, v.name)
		s.clean(d.url)
	}
}

func refusals(t *testing.T, browser context.Context) {
	d := startDemo(t, "--listen", anyPort)
	s := open(t, browser, phone, d.url)
	s.opens("#actions [data-open=note]")
	s.fill("text", "moved the relay to the <stairwell>")
	s.fill("who", "Ida")
	s.fill("token", "not the token at all")
	s.click("dialog[open] .main")
	s.until("the refusal", 10*time.Second, has("dialog[open] .answer", "missing or wrong"))
	if kept := eval[bool](s, `sessionStorage.getItem("candlemark.token") !== null`); kept {
		t.Error("a wrong token is kept")
	}
	s.set("token", demoToken)
	s.click("dialog[open] .main")
	s.until("the note on record", 10*time.Second, has("#done", "noted"))

	s.opens("#actions [data-open=feed-do]")
	s.click("dialog[open] [value=off]")
	s.set("minutes", "9000")
	s.click("dialog[open] .main")
	s.until("the reason", 10*time.Second, has("dialog[open] .answer", "longer than the limit of"))
	s.click("dialog[open] [data-close]")

	s.opens("#actions [data-open=swap]")
	s.fill("mark", "B3")
	s.click("dialog[open] .main")
	s.until("the new pack", 10*time.Second, has("#left h2", "marked B3"))
	s.forgive() // 401 and 422 are told by the console
	s.clean(d.url)
}

func surveyed(t *testing.T, browser context.Context) {
	d := startDemo(t, "--listen", anyPort)
	s := open(t, browser, phone, d.url)
	s.until("both plots", 20*time.Second, `document.querySelectorAll(".plot canvas").length === 2`)
	s.opens("#survey [data-open=survey-new]")
	s.fill("name", "window or stair")
	s.fill("a", "relay at the window")
	s.fill("b", "relay on the stair")
	s.fill("who", "Ida")
	s.fill("token", demoToken)
	s.shoot("phone-survey-new", false)
	s.click("dialog[open] .main")
	s.until("the first arrangement asked for", 20*time.Second, has("#survey", "waits for arrangement A, relay at the window"))
	s.opens("#survey [data-open=survey-go]")
	s.click("dialog[open] .main")
	s.until("a round", 60*time.Second, has("#survey h2", "1 of 12 rounds"))
	s.opens("#survey [data-open=survey-stop]")
	s.click("dialog[open] .main")
	s.until("the end", 20*time.Second, has("#survey h2", "stopped"))
	s.until("the comparison", 20*time.Second, has("#survey summary", "What survey window or stair shows after 1 round"))
	if got := eval[string](s, `document.querySelector("#survey pre").textContent`); !strings.Contains(got, "CANNOT TELL") {
		t.Errorf("one round is judged: %s", got)
	}
	s.shoot("phone-survey", true)
	s.clean(d.url)
}

func offlineAndBack(t *testing.T, browser context.Context) {
	d := startDemo(t, "--listen", anyPort)
	s := open(t, browser, phone, d.url)
	s.until("a reading", 20*time.Second, has("#left", " V · "))
	s.offline(true)
	s.until("the loss of contact", 20*time.Second, has("#contact", "No contact since "))
	s.shoot("phone-no-contact", false)
	s.offline(false)
	s.until("contact again", 20*time.Second, `document.getElementById("contact").innerText === ""`)

	// The agent itself goes, and another comes in its place.
	at := strings.TrimSuffix(strings.TrimPrefix(d.url, "http://"), "/")
	d.stop()
	s.until("the agent's end", 20*time.Second, has("#contact", "No contact since "))
	if c := s.text("#contact"); !strings.Contains(c, "UTC") || !strings.Contains(c, "What stands below is from then.") {
		t.Errorf("says %q", c)
	}
	startDemo(t, "--listen", at)
	s.until("contact with the next agent", 40*time.Second, `document.getElementById("contact").innerText === ""`)
	was := s.text(".asof")
	s.until("the page going on", 20*time.Second, fmt.Sprintf("document.querySelector('.asof').innerText !== %q", was))
	s.forgive()
	s.clean(d.url)
}

func withoutEvents(t *testing.T, browser context.Context) {
	d := startDemo(t, "--listen", anyPort)
	s := open(t, browser, desk, "about:blank")
	call(s, network.SetBlockedURLs, network.SetBlockedURLsParams{URLPatterns: []*network.BlockPattern{{URLPattern: d.url + "live", Block: true}}})
	s.visit(d.url)
	for range 3 {
		was := s.text(".asof")
		s.until("another time of day", 20*time.Second, fmt.Sprintf("document.querySelector('.asof').innerText !== %q", was))
	}
	if c := s.text("#contact"); c != "" {
		t.Errorf("says %q though the agent answers", c)
	}
}

func keyboard(t *testing.T, browser context.Context) {
	d := startDemo(t, "--listen", anyPort)
	s := open(t, browser, phone, d.url)
	s.until("a table", 20*time.Second, `document.querySelector("#curve-0 summary") !== null`)
	eval[any](s, `document.querySelector("#curve-0 details").open = true; document.querySelector("#curve-0 summary").focus(); true`)
	was := s.text("#curve-0")
	s.until("another curve", 20*time.Second, fmt.Sprintf("document.getElementById('curve-0').innerText !== %q", was))
	if !eval[bool](s, `document.activeElement === document.querySelector("#curve-0 summary") && document.querySelector("#curve-0 details").open`) {
		t.Error("the page takes the focus away, or closes what was opened")
	}
	// The keyboard reaches the actions first, and what has the focus shows it.
	eval[any](s, `document.activeElement.blur(); window.scrollTo(0, 0); true`)
	s2 := open(t, browser, desk, d.url)
	run(s2, chromedp.KeyEvent("\t"))
	if got := eval[string](s2, "document.activeElement.innerText"); got != "To the actions" {
		t.Errorf("the first stop of the keyboard is %q", got)
	}
	if got := eval[string](s2, "getComputedStyle(document.activeElement).outlineStyle"); got == "none" {
		t.Error("the focus does not show")
	}
	run(s2, chromedp.KeyEvent("\r"))
	run(s2, chromedp.KeyEvent("\t"))
	if got := eval[string](s2, "document.activeElement.innerText"); got != "Pack swapped" {
		t.Errorf("the keyboard goes on to %q", got)
	}
	run(s2, chromedp.KeyEvent("\r"))
	if !eval[bool](s2, `document.getElementById("swap").open`) {
		t.Error("the keyboard opens nothing")
	}
}

func withoutJavaScript(t *testing.T, browser context.Context) {
	d := startDemo(t, "--listen", anyPort)
	s := open(t, browser, phone, "about:blank")
	call(s, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	body := ""
	for end := time.Now().Add(30 * time.Second); !strings.Contains(body, "plan on") && time.Now().Before(end); time.Sleep(500 * time.Millisecond) {
		s.visit(d.url) // until there is a forecast
		body = run(s, chromedp.Text("body"))
	}
	for _, words := range []string{"Time left, pack terminal", " V · ", "plan on", "Hop or uplink", "Without JavaScript the page reloads every 5 seconds"} {
		if !strings.Contains(body, words) {
			t.Errorf("does not say %q:\n%s", words, body)
		}
	}
	for _, words := range []string{"Pack swapped", "Acknowledge"} {
		if strings.Contains(body, words) {
			t.Errorf("offers %q, which would do nothing", words)
		}
	}
	// It reloads by itself.
	was := run(s, chromedp.Text(".asof"))
	for end := time.Now().Add(20 * time.Second); run(s, chromedp.Text(".asof")) == was; time.Sleep(200 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the page stands still")
		}
	}
	s.clean(d.url)
}
