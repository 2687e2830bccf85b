package deploy_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// buildPackage builds this machine's package with the command that the documents name.
func buildPackage(ctx context.Context, dir, version string) (path string, err error) {
	arch, err := exec.Command("dpkg", "--print-architecture").Output()
	if err != nil {
		return "", err
	}
	machine := strings.TrimSpace(string(arch))
	cmd := exec.CommandContext(ctx, "go", "-C", "../.ci/tools", "run", "./package", "--arch", machine, "--version", version, "--out", dir)
	cmd.Env = append(os.Environ(), "SOURCE_DATE_EPOCH=1700000000")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w\n%s", err, out)
	}
	return filepath.Join(dir, "candlemark_"+version+"_"+machine+".deb"), nil
}

// buildAgain builds first once more while the test goes on, and compares.
func buildAgain(t *testing.T, first string) {
	t.Helper()
	dir, want := t.TempDir(), sha256.Sum256(read(t, first))
	ctx, stop := context.WithCancel(context.Background()) // the test's own has ended when it cleans up
	built := make(chan error, 1)
	var again string
	go func() {
		var err error
		again, err = buildPackage(ctx, dir, "1.0.0")
		built <- err
	}()
	t.Cleanup(func() {
		if t.Failed() {
			stop() // nobody waits for it
		}
		defer stop()
		switch err := <-built; {
		case t.Failed():
		case err != nil:
			t.Error(err)
		case sha256.Sum256(read(t, again)) != want:
			t.Error("the same source gave two different packages")
		}
	})
}

// later makes a package of another version out of one, and with another file where one is given.
func later(t *testing.T, deb, version, file, text string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "tree")
	tool := func(args ...string) {
		if out, err := exec.Command("dpkg-deb", args...).CombinedOutput(); err != nil {
			t.Fatalf("dpkg-deb %q: %v\n%s", args, err, out)
		}
	}
	tool("-R", deb, dir)
	control := filepath.Join(dir, "DEBIAN/control")
	write(t, control, regexp.MustCompile(`(?m)^Version: .*`).ReplaceAll(read(t, control), []byte("Version: "+version)))
	if file != "" {
		if err := os.WriteFile(filepath.Join(dir, file), []byte(text), 0o640); err != nil {
			t.Fatal(err)
		}
	}
	out := filepath.Join(t.TempDir(), "candlemark_"+version+".deb")
	tool("-Znone", "-b", dir, out)
	return out
}

func mustContain(t *testing.T, when, said string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(said, w) {
			t.Errorf("%s: %q is not said:\n%s", when, w, said)
		}
	}
}

const configFile = "/etc/candlemark/candlemark.yaml"

// From the first installation to the purge, by dpkg itself. systemd is not running
// in the root, so that starting and stopping the service is not seen here.
func TestPackageFromInstallationToPurge(t *testing.T) {
	if testing.Short() {
		t.Skip("builds packages: not with -short")
	}
	root := newDebianRoot(t)
	first, err := buildPackage(t.Context(), t.TempDir(), "1.0.0")
	if err != nil {
		t.Fatal(err)
	}
	buildAgain(t, first)
	root.put(t, "/tmp/1.deb", read(t, first))
	root.put(t, "/tmp/2.deb", read(t, later(t, first, "1.1.0", "", "")))
	const newDefault = "# candlemark: not set up yet.\nrelay: another-default\ntargets: [{name: b, section: hop, address: 127.0.0.1}]\n"
	root.put(t, "/tmp/3.deb", read(t, later(t, first, "1.2.0", configFile, newDefault)))

	mustContain(t, "installation", root.must(t, "dpkg", "-i", "/tmp/1.deb"), "not started", "candlemark setup --out "+configFile)
	isInstalledWhole(t, root)

	// The agent as the unit runs it, on the configuration that came with it; an incident opens.
	stop := startAgent(t, root)
	root.must(t, asAgent("candlemark", "incident", "open", "--name", "Alder Ford flood")...)
	stop()
	mustContain(t, "journal", strings.Join(root.find("/var/lib/candlemark/*"), " "), "/var/lib/candlemark/journal.db")

	// Upgrades: nothing of the owner's changes, not even where the default did.
	mine := root.read(t, configFile) + "# mine\n"
	root.put(t, configFile, []byte(mine))
	root.put(t, "/etc/candlemark/operator.token", []byte("secret"))
	root.must(t, "dpkg", "-i", "/tmp/2.deb")
	if got := root.find("/etc/candlemark/*"); len(got) != 2 {
		t.Errorf("an upgrade with the same default left %q", got)
	}
	root.must(t, "dpkg", "--force-confdef", "-i", "/tmp/3.deb")
	if got := root.read(t, configFile); got != mine {
		t.Errorf("the changed configuration was not kept: %q", got)
	}
	if got := root.read(t, configFile+".dpkg-dist"); got != newDefault {
		t.Errorf("the new default was not laid beside it: %q", got)
	}
	incident := []string{"candlemark", "incident", "show", "--journal", "/var/lib/candlemark/journal.db"}
	mustContain(t, "incident after the upgrades", root.must(t, asAgent(incident...)...), "Alder Ford flood")

	// Removal: the owner's files stay, and the open incident is sealed.
	said := root.must(t, "dpkg", "-r", "candlemark")
	mustContain(t, "removal", said, "an incident is open", "manifest SHA-256", "These are kept", configFile+", ", "/var/lib/candlemark/journal.db, ", "operator.token")
	if _, there := root.there("/usr/bin/candlemark"); there || root.read(t, configFile) != mine {
		t.Error("the program stayed or the configuration changed")
	}
	sealed := root.find("/var/backups/candlemark/incident-*.zip")
	if len(sealed) != 1 {
		t.Fatalf("exports: %q", sealed)
	}

	// Installed again it goes on where it was; then everything goes, and it is said first.
	root.must(t, "dpkg", "--force-confdef", "-i", "/tmp/3.deb")
	if got := root.read(t, configFile); got != mine {
		t.Errorf("the configuration after installing again: %q", got)
	}
	mustContain(t, "incident after installing again", root.must(t, asAgent(incident...)...), "Alder Ford flood")
	time.Sleep(time.Until(time.Now().Truncate(time.Second).Add(time.Second))) // exports are named by the second
	said = root.must(t, "dpkg", "-P", "candlemark")
	mustContain(t, "purge", said, "a purge removes them for good", "a purge removes for good", "journal.db", "operator.token", "the export of an incident stays: "+sealed[0])
	if left := append(root.find("/etc/candlemark"), root.find("/var/lib/candlemark")...); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
	exports := root.find("/var/backups/candlemark/*")
	if len(exports) != 2 {
		t.Errorf("exports: %q", exports)
	}

	// What was sealed is whole, by the program that comes with the next installation.
	root.must(t, "dpkg", "-i", "/tmp/1.deb")
	for _, e := range exports {
		mustContain(t, e, root.must(t, "candlemark", "incident", "verify", e), "whole: ")
		if is, _ := root.there(e); is != "rw------- 0:0" {
			t.Errorf("%s is %s: not for root alone", e, is)
		}
	}

	// Where no export can be made, a purge leaves the journal and says so.
	root.put(t, configFile, []byte("relay: ["))
	root.put(t, "/var/lib/candlemark/journal.db", []byte("something"))
	said = root.must(t, "dpkg", "-P", "candlemark")
	mustContain(t, "purge without an export", said, "a purge will keep the journal", "/var/lib/candlemark is KEPT")
	if got := root.read(t, "/var/lib/candlemark/journal.db"); got != "something" {
		t.Errorf("the journal is now %q", got)
	}
}

// isInstalledWhole looks at what dpkg and the scripts made of the package.
func isInstalledWhole(t *testing.T, root *debianRoot) {
	t.Helper()
	mustContain(t, "program", root.must(t, "candlemark", "version"), "candlemark 1.0.0,")
	if out, err := root.run("dpkg", "-V", "candlemark"); err != nil || out != "" {
		t.Errorf("dpkg finds other files than were packed: %v\n%s", err, out)
	}
	group := strings.TrimSpace(root.must(t, "id", "-g", "candlemark"))
	user := strings.TrimSpace(root.must(t, "id", "-u", "candlemark"))
	for name, want := range map[string]string{
		"/etc/candlemark":     "rwxr-x--- 0:" + group,
		configFile:            "rw-r----- 0:" + group,
		"/var/lib/candlemark": "rwxr-x--- " + user + ":" + group,
		"/usr/bin/candlemark": "rwxr-xr-x 0:0",
	} {
		if is, there := root.there(name); !there || is != want {
			t.Errorf("%s is %s (%v), want %s", name, is, there, want)
		}
	}
	mustContain(t, "groups", root.must(t, "id", "-nG", "candlemark"), "i2c", "gpio")
	mustContain(t, "conffiles", root.must(t, "dpkg", "-s", "candlemark"), "Conffiles:\n "+configFile+" ")
	root.must(t, asAgent("candlemark", "check-config", configFile)...)
	root.must(t, "systemd-analyze", "verify", "--man=no", "/usr/lib/systemd/system/candlemark.service")
	unit := root.read(t, "/usr/lib/systemd/system/candlemark.service")
	for _, m := range regexp.MustCompile(`man:(\S+)\((\d)\)`).FindAllStringSubmatch(unit, -1) {
		if page := fmt.Sprintf("/usr/share/man/man%s/%s.%[1]s.gz", m[2], m[1]); len(root.find(page)) != 1 {
			t.Errorf("the unit names %s, which is not installed", page)
		}
	}
	for _, name := range []string{"/usr/lib/udev/rules.d/60-candlemark.rules", "/usr/lib/modules-load.d/candlemark.conf",
		"/usr/share/man/man1/candlemark-setup.1.gz", "/usr/share/doc/candlemark/copyright", "/usr/share/doc/candlemark/README.md",
		"/usr/share/zsh/vendor-completions/_candlemark", "/usr/share/fish/vendor_completions.d/candlemark.fish"} {
		if len(root.find(name)) != 1 {
			t.Errorf("%s is not installed", name)
		}
	}
	// The documents can be read where they are: what they name was installed with them.
	const docs = "/usr/share/doc/candlemark/"
	for _, doc := range append(root.find(docs+"deploy/doc/*.md"), docs+"README.md") {
		for _, m := range regexp.MustCompile(`\]\(([^)#\s]+)\)`).FindAllStringSubmatch(root.read(t, doc), -1) {
			if name := filepath.Join(filepath.Dir(doc), m[1]); m[1] != "DEVELOPERS.md" && !strings.Contains(m[1], "://") && len(root.find(name)) != 1 {
				t.Errorf("%s names %s, which is not installed", doc, m[1])
			}
		}
	}
	mustContain(t, "completion", root.must(t, "bash", "-c", ". /usr/share/bash-completion/completions/candlemark && complete -p candlemark"), "candlemark")
}

// startAgent runs the agent in the root until the function it returns is called.
func startAgent(t *testing.T, root *debianRoot) (stop func()) {
	t.Helper()
	root.must(t, "chown", "candlemark:candlemark", "/run/candlemark") // the unit's RuntimeDirectory
	var out bytes.Buffer
	cmd := root.command(&out, asAgent("candlemark", "run", "--config", configFile)...)
	var err error
	root.in(func() { err = cmd.Start() })
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	t.Cleanup(func() { _ = cmd.Process.Kill() }) // it has ended already, if all was well
	for deadline := time.Now().Add(20 * time.Second); len(root.find("/run/candlemark/control.sock")) == 0; time.Sleep(50 * time.Millisecond) {
		select {
		case err := <-ended:
			t.Fatalf("the agent ended: %v\n%s", err, out.String())
		default:
		}
		if time.Now().After(deadline) {
			t.Fatal("the agent did not start in 20 s")
		}
	}
	return func() {
		t.Helper()
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Error(err)
		}
		if err := <-ended; err != nil {
			t.Errorf("the agent ended with %v\n%s", err, out.String())
		}
	}
}
