package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// documents has the program's own tests write the manual and the completions, from
// the help and the schema, and compresses the manual as Debian wants it.
func (b builder) documents(ctx context.Context) error {
	env := []string{fmt.Sprintf("SOURCE_DATE_EPOCH=%d", b.when.Unix())}
	if _, err := output(ctx, b.top, env, "go", "test", "-count=1", "-run", "^TestTheManualHasEveryCommandAndKey$", "./cmd/candlemark", "-manual", b.stage); err != nil {
		return err
	}
	pages, err := filepath.Glob(filepath.Join(b.stage, "man", "*.[15]"))
	if err == nil && len(pages) == 0 {
		err = errors.New("no manual page was written")
	}
	if err != nil {
		return err
	}
	for _, page := range pages {
		if err := squeeze(page); err != nil {
			return err
		}
	}
	return nil
}

// squeeze puts FILE.gz in the place of FILE, without name and time in it.
func squeeze(file string) error {
	text, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	var small bytes.Buffer
	z, err := gzip.NewWriterLevel(&small, gzip.BestCompression)
	if err != nil {
		return err
	}
	if _, err := z.Write(text); err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return err
	}
	return errors.Join(os.WriteFile(file+".gz", small.Bytes(), 0o644), os.Remove(file))
}

// copyright gathers the licence of everything that is linked into the program, as
// those licences ask of who hands the program on.
func (b builder) copyright(ctx context.Context, env []string) error {
	list, err := output(ctx, b.top, env, "go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}\t{{.Dir}}{{end}}{{end}}", "./cmd/candlemark")
	if err != nil {
		return err
	}
	root, err := output(ctx, b.top, nil, "go", "env", "GOROOT")
	if err != nil {
		return err
	}
	release, err := output(ctx, b.top, nil, "go", "env", "GOVERSION")
	if err != nil {
		return err
	}
	modules := slices.DeleteFunc(strings.Split(list, "\n"), func(s string) bool { return strings.TrimSpace(s) == "" })
	slices.Sort(modules)
	modules = append([]string{"The Go standard library, " + release + "\t" + root}, slices.Compact(modules)...)

	var text bytes.Buffer
	own, err := licences(b.top)
	if err != nil {
		return err
	}
	text.WriteString("candlemark\n\n")
	if len(own) == 0 {
		text.WriteString("Its source states no licence.\n")
	}
	for _, file := range own {
		if err := appendFile(&text, file); err != nil {
			return err
		}
	}
	// Foreign code that is committed brings its licence along, beside it.
	files, err := output(ctx, b.top, nil, "git", "ls-files", "*/LICENSE*", "*/LICENCE*", "*/NOTICE*")
	if err != nil {
		return err
	}
	for _, file := range strings.Fields(files) {
		fmt.Fprintf(&text, "\n\n---- %s\n\n", filepath.Dir(file))
		if err := appendFile(&text, filepath.Join(b.top, file)); err != nil {
			return err
		}
	}
	for _, m := range modules {
		name, dir, _ := strings.Cut(m, "\t")
		found, err := licences(dir)
		if err != nil {
			return err
		}
		if len(found) == 0 {
			return fmt.Errorf("%s brings no licence, in %s", name, dir)
		}
		fmt.Fprintf(&text, "\n\n---- %s\n\n", name)
		for _, file := range found {
			if err := appendFile(&text, file); err != nil {
				return err
			}
		}
	}
	return os.WriteFile(filepath.Join(b.stage, "copyright"), text.Bytes(), 0o644)
}

// licences are the files of a folder that state its terms.
func licences(dir string) (found []string, err error) {
	for _, name := range []string{"LICEN[CS]E*", "COPYING*", "NOTICE*"} {
		more, err := filepath.Glob(filepath.Join(dir, name))
		if err != nil {
			return nil, err
		}
		found = append(found, more...)
	}
	return found, nil
}

func appendFile(to *bytes.Buffer, file string) error {
	text, err := os.ReadFile(file)
	to.Write(text)
	return err
}
