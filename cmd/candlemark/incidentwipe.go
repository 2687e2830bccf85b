package main

import (
	"bufio"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	values "reflect" // reflect is a command here
	"regexp"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"candlemark/agent/config"
)

// flashWords is what overwriting cannot promise.
const flashWords = "Flash media (SD cards, sticks, SSDs) may still hold old copies in spare or worn-out blocks that no program reaches, and so may backups: change these passwords and tokens all the same."

// offerWipe lists the secret files and wipes them where that is wanted.
func offerWipe(cmd *cobra.Command, path string, wipe, keep bool) error {
	w := cmd.OutOrStdout()
	if keep {
		fmt.Fprintln(w, "secrets are kept")
		return nil
	}
	cfg, err := load(path)
	if err != nil {
		err = fmt.Errorf("the export is written; which secret files there are is not known: %w; name the configuration with --config, or give --keep-secrets", err)
		if wipe {
			return err
		}
		fmt.Fprintln(cmd.ErrOrStderr(), "candlemark:", err)
		return nil
	}
	files := secretFiles(cfg)
	if len(files) == 0 {
		fmt.Fprintln(w, "the configuration names no secret file")
		return nil
	}
	fmt.Fprintln(w, "secret files named in the configuration:")
	for _, f := range files {
		fmt.Fprintln(w, "  "+f)
	}
	if !wipe && !yes(cmd.InOrStdin(), w, "Overwrite and remove them? What uses them stops working. Type yes: ") {
		fmt.Fprintln(w, "secrets are kept; --wipe-secrets wipes them")
		return nil
	}
	var faults []error
	for _, f := range files {
		if err := wipeFile(f); err != nil {
			faults = append(faults, fmt.Errorf("wipe %s: %w", f, err))
			continue
		}
		fmt.Fprintln(w, "wiped "+f)
	}
	fmt.Fprintln(w, flashWords)
	return errors.Join(faults...)
}

func yes(r io.Reader, w io.Writer, question string) bool {
	fmt.Fprint(w, question)
	line, _ := bufio.NewReader(io.LimitReader(r, 100)).ReadString('\n')
	fmt.Fprintln(w)
	return strings.EqualFold(strings.TrimSpace(line), "yes")
}

// secretFiles are the files of the configuration that hold a secret: every field
// whose key ends in _file, and the web configuration with the key it names.
func secretFiles(cfg *config.Config) []string {
	var out []string
	add := func(name string) {
		if name != "" && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	namedFiles(values.ValueOf(*cfg), add)
	if cfg.WebConfig != "" {
		add(cfg.WebConfig) // it holds password hashes
		data, err := readBounded(cfg.WebConfig, 1<<20)
		if m := regexp.MustCompile(`(?m)^\s*key_file:\s*["']?([^"'\s#]+)`).FindSubmatch(data); err == nil && m != nil {
			key := string(m[1])
			if !filepath.IsAbs(key) { // relative to the web configuration, as its form says
				key = filepath.Join(filepath.Dir(cfg.WebConfig), key)
			}
			add(key)
		}
	}
	return out
}

func namedFiles(v values.Value, add func(string)) {
	switch v.Kind() {
	case values.Pointer:
		if !v.IsNil() {
			namedFiles(v.Elem(), add)
		}
	case values.Slice:
		for i := range v.Len() {
			namedFiles(v.Index(i), add)
		}
	case values.Struct:
		for i := range v.NumField() {
			field := v.Type().Field(i)
			if !field.IsExported() {
				continue
			}
			if v.Field(i).Kind() == values.String && strings.HasSuffix(field.Tag.Get("key"), "_file") {
				add(v.Field(i).String())
			}
			namedFiles(v.Field(i), add)
		}
	}
}

// wipeFile overwrites a plain file in place, synchronises and removes it. A link is
// left alone: what it points to was not named.
func wipeFile(name string) error {
	f, err := os.OpenFile(name, os.O_WRONLY|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return nil // gone already
	}
	if errors.Is(err, unix.ELOOP) {
		return errors.New("is a symbolic link; remove what it points to by hand")
	}
	if err != nil {
		return err
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = errors.New("is not a plain file")
	}
	if err == nil {
		_, err = io.CopyN(f, rand.Reader, info.Size())
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	return os.Remove(name)
}
