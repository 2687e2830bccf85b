// Command package builds the Debian packages of candlemark, one for each
// architecture, from what is committed and nothing else:
//
//	go -C .ci/tools run ./package
//
// The list of what goes where is deploy/package/nfpm.yaml; the scripts that dpkg
// runs stand beside it. The same source, version and SOURCE_DATE_EPOCH (the
// commit's time where it is not set) give the same bytes.
//
// nfpm is used as a library and not as its command: of its formats only this one
// is needed, and the command would compile all of them. It lives in this module,
// whose requirements the agent's own go.mod does not see.
package main

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goreleaser/nfpm/v2"
	"github.com/goreleaser/nfpm/v2/deb"
)

// A target is one package. Debian's armhf is built for ARMv6, so that the boards
// that call themselves armhf and have an older core run it too.
type target struct {
	debian, goarch, goarm string
}

func targets() []target {
	return []target{{"amd64", "amd64", ""}, {"arm64", "arm64", ""}, {"armhf", "arm", "6"}}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx); err != nil {
		fmt.Fprintln(os.Stderr, "package:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context) error {
	var names []string
	for _, t := range targets() {
		names = append(names, t.debian)
	}
	out := flag.String("out", "dist", "write the packages into this `DIRECTORY`; a relative one is below the repository's top")
	version := flag.String("version", "", "`VERSION` of the packages; made from the commit when left out")
	arch := flag.String("arch", strings.Join(names, ","), "`ARCHITECTURES` to build, as Debian calls them")
	flag.Parse()
	top, err := output(ctx, "", nil, "git", "rev-parse", "--show-toplevel")
	if err != nil {
		return err
	}
	if !filepath.IsAbs(*out) {
		*out = filepath.Join(top, *out)
	}
	if err := os.MkdirAll(*out, 0o755); err != nil {
		return err
	}
	when, err := sourceDate(ctx, top)
	if err != nil {
		return err
	}
	if *version == "" {
		commit, err := output(ctx, top, nil, "git", "rev-parse", "--short=8", "HEAD")
		if err != nil {
			return err
		}
		// Below every release ("~"), and in the order of time.
		*version = "0~" + when.UTC().Format("20060102150405") + "." + commit
	}
	stage, err := os.MkdirTemp("", "candlemark-package-*")
	if err != nil {
		return err
	}
	defer os.RemoveAll(stage)
	b := builder{top: top, stage: stage, version: *version, when: when}
	if err := b.documents(ctx); err != nil {
		return err
	}
	for name := range strings.SplitSeq(*arch, ",") {
		i := slices.IndexFunc(targets(), func(t target) bool { return t.debian == name })
		if i < 0 {
			return fmt.Errorf("--arch %s: not one of %s", name, strings.Join(names, ", "))
		}
		path := filepath.Join(*out, fmt.Sprintf("candlemark_%s_%s.deb", *version, name))
		if err := b.build(ctx, targets()[i], path); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		info, err := os.Stat(path)
		if err != nil {
			return err
		}
		fmt.Printf("%s  %.1f MB\n", path, float64(info.Size())/1e6)
	}
	return nil
}

// sourceDate is the time that every file of the packages bears:
// https://reproducible-builds.org/specs/source-date-epoch/
func sourceDate(ctx context.Context, top string) (time.Time, error) {
	text := os.Getenv("SOURCE_DATE_EPOCH")
	if text == "" {
		var err error
		if text, err = output(ctx, top, nil, "git", "log", "-1", "--format=%ct"); err != nil {
			return time.Time{}, err
		}
	}
	s, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return time.Time{}, fmt.Errorf("SOURCE_DATE_EPOCH: %w", err)
	}
	return time.Unix(s, 0).UTC(), nil
}

// builder holds what the packages of one run share.
type builder struct {
	top, stage, version string
	when                time.Time
}

// build makes the program for one architecture and packs it.
func (b builder) build(ctx context.Context, t target, path string) (err error) {
	env := []string{"CGO_ENABLED=0", "GOOS=linux", "GOARCH=" + t.goarch, "GOARM=" + t.goarm}
	// Not the state of the checkout: it would make the bytes depend on it.
	if _, err := output(ctx, b.top, env, "go", "build", "-trimpath", "-buildvcs=false",
		"-ldflags", "-s -w -X main.version="+b.version, "-o", filepath.Join(b.stage, "candlemark"), "./cmd/candlemark"); err != nil {
		return err
	}
	if err := b.copyright(ctx, env); err != nil {
		return err
	}
	vars := map[string]string{"STAGE": b.stage, "ARCH": t.debian, "VERSION": b.version}
	config, err := nfpm.ParseFileWithEnvMapping(filepath.Join(b.top, "deploy/package/nfpm.yaml"), func(name string) string { return vars[name] })
	if err != nil {
		return err
	}
	info, err := config.Get("deb")
	if err != nil {
		return err
	}
	info.MTime = b.when
	if err := os.Chdir(b.top); err != nil { // what the list's sources are relative to
		return err
	}
	var pack bytes.Buffer
	if err := deb.Default.Package(nfpm.WithDefaults(info), &pack); err != nil {
		return err
	}
	return os.WriteFile(path, pack.Bytes(), 0o644)
}

// output runs a program and returns what it prints, without the last line's end.
func output(ctx context.Context, dir string, env []string, name string, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Dir, cmd.Env = dir, append(os.Environ(), env...)
	var said bytes.Buffer
	cmd.Stderr = &said
	text, err := cmd.Output()
	if err != nil {
		return "", fmt.Errorf("%s: %w\n%s%s", strings.Join(cmd.Args, " "), err, text, said.Bytes())
	}
	return strings.TrimSpace(string(text)), nil
}
