package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/handover"
)

// exporting are the flags of the commands that write an export.
type exporting struct {
	out     string
	surveys []string
	by      handover.Preparer
	reach   reach
}

func (x *exporting) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&x.out, "out", "", "write the export to `FILE`, a new .zip")
	cmd.Flags().StringArrayVar(&x.surveys, "survey", nil, "put this survey `FILE` into it; may be given again")
	cmd.Flags().StringVar(&x.by.Name, "prepared-by", "", "`NAME` of who prepared it")
	cmd.Flags().StringVar(&x.by.Position, "position", "", "his or her `POSITION`")
	cmd.Flags().StringVar(&x.by.Agency, "agency", "", "his or her home `AGENCY`")
	_ = cmd.MarkFlagRequired("out")
	x.reach = reachFlags(cmd)
}

func newIncidentClose() *cobra.Command {
	var x exporting
	var config string
	var wipe, keep bool
	cmd := &cobra.Command{
		Use:   "close --out FILE.zip",
		Short: "End the incident with a frozen export, and wipe secrets",
		Long: `close ends the incident and writes a frozen export: the record, the packs'
condition for the cache, the data used, surveys, the handover page, and a SHA-256
manifest. Check it later with candlemark incident verify.

Then it lists the secret files that the configuration names and asks whether to
overwrite and remove them. Flash media may still hold old copies in worn-out or
spare blocks that no program reaches: change the passwords and tokens all the same.`,
		Example: `  candlemark incident close --out alder-ford.zip --survey monday.json
  candlemark incident close --out alder-ford.zip --wipe-secrets`,
		Args: noArgs,
	}
	x.flags(cmd)
	cmd.Flags().StringVar(&config, "config", "/etc/candlemark/candlemark.yaml", "configuration `FILE` that names the secret files")
	cmd.Flags().BoolVar(&wipe, "wipe-secrets", false, "overwrite and remove the secret files without asking")
	cmd.Flags().BoolVar(&keep, "keep-secrets", false, "leave the secret files without asking")
	cmd.MarkFlagsMutuallyExclusive("wipe-secrets", "keep-secrets")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		// What can be refused is refused before the incident is closed.
		surveys, file, err := x.prepare()
		if err != nil {
			return err
		}
		if _, err := x.reach.set(cmd.Context(), handover.Close, handover.Incident{}); err != nil {
			if errors.Is(err, handover.ErrNotOpen) || strings.Contains(err.Error(), handover.ErrNotOpen.Error()) {
				err = fmt.Errorf("%w; candlemark incident export writes the export of the last one again", err)
			}
			return errors.Join(err, file.drop())
		}
		if err := x.write(cmd, surveys, file); err != nil {
			return fmt.Errorf("the incident is closed, but its export is not written: %w; try candlemark incident export", err)
		}
		return offerWipe(cmd, config, wipe, keep)
	}
	return cmd
}

func newIncidentExport() *cobra.Command {
	var x exporting
	var config string
	var ifOpen bool
	cmd := &cobra.Command{
		Use:   "export --out FILE.zip",
		Short: "Write the export of the incident as it stands, open or closed",
		Example: `  candlemark incident export --out so-far.zip
  candlemark incident export --if-open --config /etc/candlemark/candlemark.yaml --out so-far.zip`,
		Args: noArgs,
	}
	x.flags(cmd)
	cmd.Flags().StringVar(&config, "config", "", "take socket and journal from this configuration `FILE`")
	cmd.Flags().BoolVar(&ifOpen, "if-open", false, "write nothing, and succeed, when no incident is open")
	cmd.MarkFlagsMutuallyExclusive("config", "journal")
	cmd.MarkFlagsMutuallyExclusive("config", "socket")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if config != "" {
			cfg, err := load(config)
			if err != nil {
				return err
			}
			*x.reach.socket, *x.reach.journal = cfg.ControlSocket, cfg.Journal
		}
		if ifOpen {
			i, err := x.reach.show(cmd.Context())
			if errors.Is(err, fs.ErrNotExist) && config != "" {
				return nil // a configured agent that never ran
			}
			if err != nil || !i.IsOpen() {
				return err
			}
		}
		surveys, file, err := x.prepare()
		if err != nil {
			return err
		}
		return x.write(cmd, surveys, file)
	}
	return cmd
}

// newFile is a file that appears under its name only when it is whole.
type newFile struct {
	*os.File
	name string
}

func (f newFile) drop() error { return errors.Join(f.Close(), os.Remove(f.File.Name())) }

// keep puts the file, synchronised, under its name. Link refuses a name that is
// taken, which Rename would replace.
func (f newFile) keep() error {
	err := f.Sync()
	if err == nil {
		err = os.Link(f.File.Name(), f.name)
	}
	if errors.Is(err, errors.ErrUnsupported) || errors.Is(err, fs.ErrPermission) { // a file system without links, as many sticks have
		if _, stat := os.Lstat(f.name); errors.Is(stat, fs.ErrNotExist) {
			return errors.Join(f.Close(), os.Rename(f.File.Name(), f.name))
		}
	}
	return errors.Join(err, f.drop())
}

// prepare reads the surveys and opens the file, so that both are known to work.
func (x *exporting) prepare() (surveys []part, file newFile, err error) {
	for _, path := range x.surveys {
		data, err := readBounded(path, mostSurvey)
		if err != nil {
			return nil, file, fmt.Errorf("survey: %w", err)
		}
		surveys = append(surveys, part{"surveys/" + fmt.Sprintf("%02d-", len(surveys)+1) + filepath.Base(path), data})
	}
	if _, err := os.Lstat(x.out); err == nil {
		return nil, file, fmt.Errorf("export %s: the file is there already; give a new name", x.out)
	}
	f, err := os.CreateTemp(filepath.Dir(x.out), ".candlemark-export-*")
	if err != nil {
		return nil, file, fmt.Errorf("export: %w", err)
	}
	return surveys, newFile{f, x.out}, nil
}

// write gathers, writes, reads back and notes the export.
func (x *exporting) write(cmd *cobra.Command, surveys []part, file newFile) error {
	p, err := x.reach.picture(cmd.Context(), true)
	if err != nil {
		return errors.Join(err, file.drop())
	}
	if !p.incident.Recorded() {
		return errors.Join(errors.New("no incident was opened"), file.drop())
	}
	parts, err := exportParts(p, x.by, time.Now())
	if err != nil {
		return errors.Join(err, file.drop())
	}
	digest, err := writeExport(file, append(parts, surveys...), time.Now())
	if err != nil {
		return errors.Join(fmt.Errorf("export: %w", err), file.drop())
	}
	if err := file.keep(); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	seen, err := verifyExport(x.out)
	if err != nil {
		return err
	}
	if seen.digest != digest {
		return fmt.Errorf("export %s: reads back other than it was written", x.out)
	}
	fmt.Fprintf(cmd.OutOrStdout(), "written to %s: %s, %s\nmanifest SHA-256 %s\nKeep that number apart from the file: candlemark incident verify --digest compares it.\n",
		x.out, count(len(seen.files), "file"), count(len(p.records), "record"), digest)
	return nil
}
