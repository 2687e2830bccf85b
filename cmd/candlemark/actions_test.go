package main

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"candlemark/agent/config"
)

// A command over HTTP goes the whole way: guarded, carried out, on the disk when it
// is answered, and told in the activity record with who gave it.
func TestCommandsOverHTTP(t *testing.T) {
	token := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(token, []byte("0123456789abcdef\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	p := runProgram(t, feedConfig+"actions: {token_file: "+token+"}\n", nil)
	post := func(name, body, token string) (int, string) {
		r, err := http.NewRequest(http.MethodPost, p.url+"/actions/"+name, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Candlemark-Token", token)
		r.Header.Set("Candlemark-Who", "Ana")
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		text, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(text)
	}
	for _, c := range []struct {
		name, body, token string
		code              int
		says              string
	}{
		{"note", `{"text":"rain"}`, "0123456789abcdeF", 401, "missing or wrong"},
		{"feed", `{"do":"off","for":"10s"}`, "0123456789abcdef", 422, "is shorter than"},
		{"feed", `{"do":"off"}`, "0123456789abcdef", 422, "off needs a return time"},
		{"feed", `{"do":"off","for":"45m"}`, "0123456789abcdef", 200, "the terminal's feed should be off"},
		{"swap", `{"pack":"a","mark":"B3"}`, "0123456789abcdef", 200, "pack B3 is now at a"},
		{"note", `{"text":"rain has begun"}`, "0123456789abcdef", 200, "noted"},
	} {
		if code, text := post(c.name, c.body, c.token); code != c.code || !strings.Contains(text, c.says) {
			t.Errorf("%s %s: %d %s, want %d with %q", c.name, c.body, code, text, c.code, c.says)
		}
	}
	// What was answered survives a kill at once.
	if err := p.signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-p.ended
	var said bytes.Buffer
	if code := execute(t.Context(), []string{"log", "--socket", p.socket, "--journal", filepath.Join(filepath.Dir(p.socket), "journal.db")}, &said, &said); code != 0 {
		t.Fatalf("log: exit code %d: %s", code, said.String())
	}
	out := said.String()
	for _, want := range []string{"feed", "off for 45 min asked for by Ana (http, 127.0.0.1)", "B3 in place; declared by Ana", "Ana (http, 127.0.0.1)    rain has begun"} {
		if !strings.Contains(out, want) {
			t.Errorf("the record does not say %q:\n%s", want, out)
		}
	}
	if strings.Contains(out+p.out.String(), "0123456789abcde") {
		t.Error("the token was shown")
	}
}

func TestSelfCheckSaysWhoCanUseTheToken(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	good, short, none := write("good", "0123456789abcdef"), write("short", "0123"), filepath.Join(dir, "none")
	// The bcrypt hash of "password" at cost 4, made with bcrypt.GenerateFromPassword.
	plain := write("plain.yaml", "basic_auth_users:\n  remote: $2a$04$6ZDQxvNIaUKzK.z0ZzGpH.MFmpRwC1Ln3Dxbwq9OR1X3AgtO08k6.\n")
	for i, c := range []struct{ token, listen, web, result, says string }{
		{good, "127.0.0.1:1", "", isGood, "from this board only"},
		{good, "[::1]:1", plain, isGood, "from this board only"},
		{good, "0.0.0.0:1", plain, isUnknown, "would show the token to everybody"},
		{good, ":1", "", isUnknown, "would show the token to everybody"},
		{good, ":1", none, isFault, "no such file"},
		{short, "127.0.0.1:1", "", isFault, "16 are the least"},
		{none, "127.0.0.1:1", "", isFault, "no such file"},
	} {
		f := checkActions(&config.Config{Listen: c.listen, WebConfig: c.web, Actions: &config.Actions{TokenFile: c.token}})
		if f.Result != c.result || !strings.Contains(f.Detail, c.says) || (f.Result != isGood) != (f.Remedy != "") {
			t.Errorf("case %d: %s", i, fmt.Sprint(f))
		}
	}
}
