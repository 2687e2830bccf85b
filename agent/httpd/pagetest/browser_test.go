package pagetest

import (
	"bufio"
	"cmp"
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// missing skips a test for want of something, or fails it where nothing may be skipped.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("CANDLEMARK_NO_SKIP") != "" {
		t.Fatal(what)
	}
	t.Skip(what)
}

// demo runs candlemark demo until the test ends.
type demo struct {
	url  string
	cmd  *exec.Cmd
	gone chan struct{}
}

// programDir names the environment variable that holds the directory of the program.
const programDir = "CANDLEMARK_PAGETEST_PROGRAM"

// program builds the command once.
var program = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "candlemark-pagetest-")
	if err != nil {
		return "", err
	}
	if err := os.Setenv(programDir, dir); err != nil {
		return "", err
	}
	path := filepath.Join(dir, "candlemark")
	cmd := exec.Command("go", "build", "-o", path, "candlemark/cmd/candlemark")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("go build: %w: %s", err, out)
	}
	return path, nil
})

func TestMain(m *testing.M) {
	code := m.Run()
	if dir := os.Getenv(programDir); dir != "" { // nothing is built where every test was skipped
		os.RemoveAll(dir)
	}
	os.Exit(code)
}

func startDemo(t *testing.T, args ...string) *demo {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	temp, err := os.MkdirTemp("", "p") // the path of a socket may have 107 bytes only
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(temp) })
	cmd := exec.Command(path, append([]string{"demo"}, args...)...)
	cmd.Env = append(os.Environ(), "TMPDIR="+temp, "TZ=Europe/Oslo")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	d := &demo{cmd: cmd, gone: make(chan struct{})}
	said := make(chan string, 1)
	go func() {
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			if m := regexp.MustCompile(`status page\s+(http://\S+/)$`).FindStringSubmatch(lines.Text()); m != nil {
				said <- m[1]
			}
		}
		_ = cmd.Wait() // how it ends does not matter here
		close(d.gone)
	}()
	t.Cleanup(d.stop)
	select {
	case d.url = <-said:
	case <-time.After(30 * time.Second):
		t.Fatal("the demo says no address")
	}
	return d
}

func (d *demo) stop() {
	_ = d.cmd.Process.Signal(syscall.SIGINT) // gone already is as good
	<-d.gone
}

// screen is one tab of the browser.
type screen struct {
	t   *testing.T
	ctx context.Context

	mu     sync.Mutex
	hosts  map[string]bool // that something was asked of
	faults []string        // what the console says
	bytes  float64         // of finished requests, compressed
}

// chromium starts a browser.
func chromium(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		missing(t, "chromium is not installed")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-component-update", true), chromedp.UserDataDir(t.TempDir()))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	return ctx
}

// A view is what a page is looked at with.
type view struct {
	name          string
	width, height int64
	scale         float64 // device pixels in a CSS pixel; 0 is 2
	mobile, dark  bool
}

func open(t *testing.T, browser context.Context, v view, url string) *screen {
	t.Helper()
	ctx, cancel := chromedp.NewContext(browser)
	t.Cleanup(cancel)
	s := &screen{t: t, ctx: ctx, hosts: map[string]bool{}}
	if err := chromedp.Listen(ctx, s.hear); err != nil {
		t.Fatal(err)
	}
	scheme := "light"
	if v.dark {
		scheme = "dark"
	}
	call(s, network.Enable, network.EnableParams{})
	call(s, log.Enable, cdp.Empty{})
	call(s, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: v.width, Height: v.height, DeviceScaleFactor: cmp.Or(v.scale, 2), Mobile: v.mobile})
	call(s, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: v.mobile})
	call(s, emulation.SetTimezoneOverride, emulation.SetTimezoneOverrideParams{TimezoneID: "Europe/Oslo"})
	call(s, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
	s.visit(url)
	return s
}

// visit goes to a page.
func (s *screen) visit(url string) {
	s.t.Helper()
	run(s, chromedp.Navigate(url))
}

func (s *screen) hear(ev any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch ev := ev.(type) {
	case *network.EventRequestWillBeSent:
		if u, err := url.Parse(ev.Request.URL); err == nil && u.Scheme != "data" && u.Scheme != "blob" {
			s.hosts[u.Host] = true
		}
	case *network.EventLoadingFinished:
		s.bytes += ev.EncodedDataLength
	case *runtime.EventExceptionThrown:
		s.faults = append(s.faults, exception(ev.ExceptionDetails))
	case *log.EventEntryAdded:
		if ev.Entry.Level == log.EntryLevelError || ev.Entry.Source == log.EntrySourceSecurity {
			s.faults = append(s.faults, ev.Entry.Text+" "+ev.Entry.URL)
		}
	}
}

func exception(d *runtime.ExceptionDetails) string {
	if d.Exception != nil && d.Exception.Description != "" {
		return d.Exception.Description
	}
	return d.Text
}

// within bounds one step, which a healthy browser takes in a fraction of it.
func (s *screen) within() (context.Context, context.CancelFunc) {
	return context.WithTimeout(s.ctx, 30*time.Second)
}

// run performs an action and gives its value.
func run[T any](s *screen, a chromedp.Action[T]) T {
	s.t.Helper()
	ctx, cancel := s.within()
	defer cancel()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		s.t.Fatal(err)
	}
	return v
}

// call gives the browser a command of its protocol.
func call[P, R any](s *screen, cmd cdp.Command[P, R], params P) {
	s.t.Helper()
	ctx, cancel := s.within()
	defer cancel()
	if _, err := chromedp.Call(ctx, cmd, params); err != nil {
		s.t.Fatal(err)
	}
}

// eval gives the value of an expression in the page.
func eval[T any](s *screen, expr string) T {
	s.t.Helper()
	return run(s, chromedp.Evaluate[T](expr, chromedp.EvalAwaitPromise))
}

// text is what the page shows of an element.
func (s *screen) text(selector string) string {
	s.t.Helper()
	return eval[string](s, fmt.Sprintf("(document.querySelector(%q) || {innerText: ''}).innerText", selector))
}

// until waits for an expression to become true.
func (s *screen) until(what string, within time.Duration, expr string) {
	s.t.Helper()
	for end := time.Now().Add(within); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if eval[bool](s, expr) {
			return
		}
	}
	s.t.Fatalf("not within %s: %s\n%s", within, what, s.text("body"))
}

// has is the expression for an element's showing words.
func has(selector, words string) string {
	return fmt.Sprintf("(document.querySelector(%q) || {innerText: ''}).innerText.includes(%q)", selector, words)
}

// click presses where a finger would: the middle of what is there and not covered.
func (s *screen) click(selector string) {
	s.t.Helper()
	const find = `(() => {
		const e = document.querySelector(%q);
		if (!e || !e.checkVisibility()) return [];
		e.scrollIntoView({block: "center", behavior: "instant"});
		const r = e.getBoundingClientRect(), x = r.x + r.width / 2, y = r.y + r.height / 2;
		const hit = document.elementFromPoint(x, y);
		return hit && (e === hit || e.contains(hit)) ? [x, y] : [];
	})()`
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if at := eval[[]float64](s, fmt.Sprintf(find, selector)); len(at) == 2 {
			run(s, chromedp.MouseClickXY(at[0], at[1]))
			return
		}
	}
	s.t.Fatalf("nobody can press %s\n%s", selector, s.text("body"))
}

// opens presses what opens a dialog. While the page is being laid out, a button may
// move from under the finger, which then presses again.
func (s *screen) opens(selector string) {
	s.t.Helper()
	for range 5 {
		s.click(selector)
		if eval[bool](s, `document.querySelector("dialog[open]") !== null`) {
			return
		}
	}
	s.t.Fatalf("%s opens nothing\n%s", selector, s.text("body"))
}

// fill types into a field of the open dialog.
func (s *screen) fill(name, text string) {
	s.t.Helper()
	s.click(fmt.Sprintf("dialog[open] [name=%s]", name))
	run(s, chromedp.KeyEvent(text))
}

// set puts other words into a field of the open dialog.
func (s *screen) set(name, text string) {
	s.t.Helper()
	eval[any](s, fmt.Sprintf("document.querySelector('dialog[open] [name=%s]').value = %q", name, text))
}

// offline takes the network from the tab, or gives it back.
func (s *screen) offline(away bool) {
	s.t.Helper()
	var rules []*network.Conditions
	if away {
		rules = []*network.Conditions{{Offline: true, DownloadThroughput: -1, UploadThroughput: -1}}
	}
	call(s, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: rules})
	call(s, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: away, DownloadThroughput: -1, UploadThroughput: -1})
}

// clean checks that the console says nothing and that nothing was asked of anybody
// but the agent.
func (s *screen) clean(own string) {
	s.t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, f := range s.faults {
		s.t.Errorf("the console says: %s", f)
	}
	for h := range s.hosts {
		if u, err := url.Parse(own); err != nil || h != u.Host {
			s.t.Errorf("something was asked of %s", h)
		}
	}
	if len(s.hosts) == 0 {
		s.t.Error("no request was seen at all")
	}
}

// forgive forgets what the console said: a browser reports every request that
// fails, also where a test lets it fail.
func (s *screen) forgive() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = nil
}

// shoot writes a picture into the folder that CANDLEMARK_PICTURES names, to be
// looked at.
func (s *screen) shoot(name string, whole bool) {
	s.t.Helper()
	dir := os.Getenv("CANDLEMARK_PICTURES")
	if dir == "" {
		return
	}
	s.picture(filepath.Join(dir, name+".png"), whole)
}

func (s *screen) picture(path string, whole bool) {
	s.t.Helper()
	take := chromedp.CaptureScreenshot()
	if whole {
		take = chromedp.FullScreenshot(100)
	}
	if err := os.WriteFile(path, run(s, take), 0o644); err != nil {
		s.t.Fatal(err)
	}
}
