package main

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"candlemark/agent/config"
	"candlemark/agent/handover"
	"candlemark/agent/journal"
)

// emptyJournal makes a journal that no agent holds.
func emptyJournal(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "journal.db")
	made, err := journal.Open(path, journal.Options{Boot: "before"}) // offline makes none
	if err != nil {
		t.Fatal(err)
	}
	if err := made.Close(); err != nil {
		t.Fatal(err)
	}
	if err := offline(path, func(j *journal.Journal) error {
		_, err := j.AppendNow(journal.Record{Wall: time.Now().Add(-time.Hour), Kind: journal.KindAgent, Text: "before the incident"})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return path
}

// onJournal runs one command line on the journal at path, without an agent.
func onJournal(t *testing.T, path string, args ...string) (out string, code int) {
	t.Helper()
	args = append(args, "--journal", path, "--socket", filepath.Join(t.TempDir(), "none.sock"))
	var stdout, stderr bytes.Buffer
	code = execute(t.Context(), args, &stdout, &stderr)
	return stdout.String() + stderr.String(), code
}

func mustSay(t *testing.T, path string, args ...string) string {
	t.Helper()
	out, code := onJournal(t, path, args...)
	if code != 0 {
		t.Fatalf("%q ended with %d: %s", args, code, out)
	}
	return out
}

func TestAnIncidentFromOpeningToAVerifiedExport(t *testing.T) {
	path := emptyJournal(t)
	dir := t.TempDir()
	survey := filepath.Join(dir, "monday.json")
	if err := os.WriteFile(survey, []byte(`{"rounds": 4}`), 0o600); err != nil {
		t.Fatal(err)
	}
	mustSay(t, path, "incident", "open", "--name", "Alder Ford flood", "--from", "2026-05-04 06:00", "--to", "18:00", "--people", "40")
	if out, code := onJournal(t, path, "incident", "open", "--name", "another"); code == 0 || !strings.Contains(out, "close it first") {
		t.Errorf("a second one was opened: %d %s", code, out)
	}
	mustSay(t, path, "incident", "change", "--alternate", "cellular router")
	mustSay(t, path, "note", "=1+1 looks like a formula")
	if out := mustSay(t, path, "incident", "show"); !strings.Contains(out, "cellular router") || !strings.Contains(out, "2026-05-04 06:00 to 18:00") {
		t.Error(out)
	}
	export := filepath.Join(dir, "out.zip")
	out := mustSay(t, path, "incident", "close", "--out", export, "--survey", survey, "--keep-secrets")
	_, digest, _ := strings.Cut(out, "manifest SHA-256 ")
	digest, _, _ = strings.Cut(digest, "\n")
	var b bytes.Buffer
	if code := execute(t.Context(), []string{"incident", "verify", export, "--digest", digest}, &b, &b); code != 0 || !strings.Contains(b.String(), "9 files match") {
		t.Errorf("verify: %d %s", code, b.String())
	}
	files := unzip(t, export)
	if !strings.HasPrefix(files["log.csv"], "record,wall_utc,") || !strings.Contains(files["log.csv"], "'=1+1") {
		t.Errorf("log.csv: %s", files["log.csv"])
	}
	if rows, err := csv.NewReader(strings.NewReader(files["log.csv"])).ReadAll(); err != nil || len(rows) != 5 {
		t.Errorf("log.csv has %d rows (%v), want a head and four records", len(rows), err)
	}
	if log := files["log.ndjson"]; strings.Contains(log, "before the incident") || strings.Count(log, "\n") != 4 || !strings.Contains(log, "closed: Alder Ford flood") {
		t.Errorf("log.ndjson is not the incident's record: %s", log)
	}
	var i handover.Incident
	if err := json.Unmarshal([]byte(files["incident.json"]), &i); err != nil || i.IsOpen() || i.People != 40 {
		t.Errorf("%+v, %v", i, err)
	}
	if files["surveys/01-monday.json"] != `{"rounds": 4}` || !strings.Contains(files["handover.html"], "CLOSED") {
		t.Error("the survey or the page is not in the export")
	}
	if out, code := onJournal(t, path, "incident", "close", "--out", filepath.Join(dir, "again.zip")); code == 0 || !strings.Contains(out, "incident export") {
		t.Errorf("closed twice: %d %s", code, out)
	}
	if _, err := os.Stat(filepath.Join(dir, "again.zip")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a refused close left a file: %v", err)
	}
	if out, code := onJournal(t, path, "incident", "export", "--out", export); code == 0 {
		t.Errorf("an export was overwritten: %s", out)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, ".candlemark-export-*")); len(left) != 0 {
		t.Errorf("left behind: %q", left)
	}
}

func unzip(t *testing.T, name string) map[string]string {
	t.Helper()
	z, err := zip.OpenReader(name)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	out := map[string]string{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		r.Close()
		out[f.Name] = string(data)
	}
	return out
}

func packed(t *testing.T, change func(map[string]string, *[]string)) *zip.Reader {
	t.Helper()
	var b bytes.Buffer
	if _, err := writeExport(&b, []part{{"log.ndjson", []byte("one\n")}, {"incident.json", []byte("{}")}}, time.Unix(0, 0)); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "x.zip")
	if err := os.WriteFile(name, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	files := unzip(t, name)
	order := []string{"incident.json", "log.ndjson", manifestName}
	change(files, &order)
	var again bytes.Buffer
	z := zip.NewWriter(&again)
	for _, n := range order {
		w, err := z.Create(n)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(w, files[n]); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := zip.NewReader(bytes.NewReader(again.Bytes()), int64(again.Len()))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestAnExportThatWasTouchedIsFoundOut(t *testing.T) {
	for name, c := range map[string]struct {
		change func(map[string]string, *[]string)
		want   string
	}{
		"as it was":      {func(map[string]string, *[]string) {}, ""},
		"changed":        {func(f map[string]string, _ *[]string) { f["log.ndjson"] = "two\n" }, "was changed"},
		"taken out":      {func(_ map[string]string, o *[]string) { *o = (*o)[1:] }, "missing"},
		"added":          {func(f map[string]string, o *[]string) { f["x"] = "y"; *o = append(*o, "x") }, "was added"},
		"twice":          {func(_ map[string]string, o *[]string) { *o = append(*o, "log.ndjson") }, "twice"},
		"no manifest":    {func(_ map[string]string, o *[]string) { *o = (*o)[:2] }, "no export"},
		"climbing":       {func(f map[string]string, o *[]string) { f["../x"] = "y"; *o = append(*o, "../x") }, "not a name"},
		"empty manifest": {func(f map[string]string, o *[]string) { f[manifestName] = ""; *o = []string{manifestName} }, "holds no"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := verifyZip(packed(t, c.change))
			if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
				t.Errorf("%v, want %q", err, c.want)
			}
		})
	}
}

func TestOnlyNamedPlainFilesAreWiped(t *testing.T) {
	dir := t.TempDir()
	token, other, link := filepath.Join(dir, "token"), filepath.Join(dir, "other"), filepath.Join(dir, "link")
	second := filepath.Join(dir, "second name") // shows what the file held when it was removed
	for _, f := range []string{token, other} {
		if err := os.WriteFile(f, []byte("hunter2 hunter2"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(os.Link(token, second), os.Symlink(other, link)); err != nil {
		t.Fatal(err)
	}
	if err := wipeFile(token); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(token); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("not removed: %v", err)
	}
	if data, err := os.ReadFile(second); err != nil || bytes.Contains(data, []byte("hunter")) || len(data) != 15 {
		t.Errorf("not overwritten in place: %q, %v", data, err)
	}
	if err := wipeFile(link); err == nil {
		t.Error("a symbolic link was wiped")
	}
	if err := wipeFile(dir); err == nil {
		t.Error("a directory was wiped")
	}
	if data, _ := os.ReadFile(other); string(data) != "hunter2 hunter2" {
		t.Errorf("another file was touched: %q", data)
	}
}

func TestSecretFilesAreThoseTheConfigurationNames(t *testing.T) {
	dir := t.TempDir()
	web := filepath.Join(dir, "web.yaml")
	if err := os.WriteFile(web, []byte("tls_server_config:\n  cert_file: a.crt\n  key_file: \"a.key\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg := &config.Config{WebConfig: web, Receivers: []config.Receiver{{TokenFile: "/s/token"}, {PasswordFile: "/s/pw"}, {TokenFile: "/s/token"}},
		Packs: []config.Pack{{Temperature: &config.Temperature{File: "/sys/temp"}}}}
	got := strings.Join(secretFiles(cfg), " ")
	if want := "/s/token /s/pw " + web + " " + filepath.Join(dir, "a.key"); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestSecretsAreKeptUnlessSomebodySaysYes(t *testing.T) {
	dir := t.TempDir()
	token := filepath.Join(dir, "token")
	cfg := filepath.Join(dir, "c.yaml")
	text, err := os.ReadFile("../../deploy/candlemark.example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text = append(text, "\n"...)
	head, _, ok := bytes.Cut(text, []byte("\nreceivers:")) // the last part of the example
	if !ok {
		t.Fatal("the example has no receivers")
	}
	text = append(head, "\nreceivers:\n  - name: far\n    kind: webhook\n    url: http://127.0.0.1:9/\n    token_file: "+token+"\n"...)
	if err := errors.Join(os.WriteFile(token, []byte("hunter2"), 0o600), os.WriteFile(cfg, text, 0o600)); err != nil {
		t.Fatal(err)
	}
	ask := func(answer string, args ...string) string {
		path := emptyJournal(t)
		mustSay(t, path, "incident", "open", "--name", "n")
		root := newRoot()
		var out bytes.Buffer
		root.SetIn(strings.NewReader(answer))
		root.SetOut(&out)
		root.SetErr(&out)
		root.SetArgs(append([]string{"incident", "close", "--out", filepath.Join(t.TempDir(), "x.zip"), "--config", cfg, "--journal", path, "--socket", filepath.Join(dir, "none")}, args...))
		if err := root.ExecuteContext(t.Context()); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	for _, answer := range []string{"", "\n", "y\n", "no\n"} {
		if out := ask(answer); !strings.Contains(out, token) || !strings.Contains(out, "are kept") {
			t.Errorf("%q: %s", answer, out)
		}
		if _, err := os.Stat(token); err != nil {
			t.Fatalf("%q removed it: %v", answer, err)
		}
	}
	if out := ask("yes\n"); !strings.Contains(out, "Flash media") || !strings.Contains(out, "wiped "+token) {
		t.Error(out)
	}
	if _, err := os.Stat(token); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("not wiped: %v", err)
	}
}

func TestOperationalPeriodReadsTimesOfDay(t *testing.T) {
	now := time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)
	a, b, err := periodOf("18:00", "06:00", now)
	if err != nil || !a.Equal(time.Date(2026, 5, 4, 18, 0, 0, 0, time.UTC)) || b.Sub(a) != 12*time.Hour {
		t.Errorf("%s to %s, %v", a, b, err)
	}
	if _, _, err := periodOf("6pm", "", now); err == nil {
		t.Error("6pm was read")
	}
}

// What the package asks before it is removed.
func TestAnExportOfWhatIsOpenIsWrittenOnlyWhenSomethingIs(t *testing.T) {
	journal := emptyJournal(t)
	dir := t.TempDir()
	file, out := filepath.Join(dir, "c.yaml"), filepath.Join(dir, "out.zip")
	text := "relay: r\njournal: " + journal + "\ncontrol_socket: " + dir + "/none.sock\ntargets: [{name: t, section: hop, address: 127.0.0.1}]\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	export := func() (string, int) {
		var b bytes.Buffer
		code := execute(t.Context(), []string{"incident", "export", "--if-open", "--config", file, "--out", out}, &b, &b)
		return b.String(), code
	}
	written := func() bool {
		_, err := os.Stat(out)
		return err == nil
	}
	if said, code := export(); code != 0 || written() {
		t.Errorf("none was opened: %d, written %v: %s", code, written(), said)
	}
	mustSay(t, journal, "incident", "open", "--name", "Alder Ford flood")
	if said, code := export(); code != 0 || !written() || !strings.Contains(said, "manifest SHA-256") {
		t.Errorf("one is open: %d, written %v: %s", code, written(), said)
	}
	os.Remove(out)
	mustSay(t, journal, "incident", "close", "--out", filepath.Join(dir, "closed.zip"), "--keep-secrets")
	if said, code := export(); code != 0 || written() {
		t.Errorf("it was closed: %d, written %v: %s", code, written(), said)
	}
	os.Remove(journal)
	if said, code := export(); code != 0 || written() {
		t.Errorf("the agent never ran: %d, written %v: %s", code, written(), said)
	}
	if err := os.WriteFile(file, []byte("relay: [\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if said, code := export(); code != exitConfig {
		t.Errorf("a configuration that cannot be read: %d: %s", code, said)
	}
}
