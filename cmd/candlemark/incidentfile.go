package main

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candlemark/agent/handover"
	"candlemark/agent/journal"
	"candlemark/agent/status"
)

// part is one file of an export.
type part struct {
	name string
	data []byte
}

const (
	manifestName = "manifest.sha256" // as sha256sum -c reads it
	mostSurvey   = 64 << 20
	mostExport   = 1 << 30 // unpacked, of one that is verified
	mostParts    = 1000
)

// exportParts is the export of the incident: all of its record, no trimming.
func exportParts(p picture, by handover.Preparer, now time.Time) ([]part, error) {
	in := p.input(now)
	in.Since, in.SinceWhy, in.Full, in.Preparer = p.incident.Opened.At, "the incident", true, by
	in.Cautions = equipment(p.snapshot).Evaluate().Cautions
	page := handover.Build(in)
	var ndjson, page1, page2 bytes.Buffer
	for _, r := range p.records {
		if err := printJSON(&ndjson, formatNDJSON, r); err != nil {
			return nil, err
		}
	}
	if err := errors.Join(handover.HTML(&page1, page), handover.Markdown(&page2, page)); err != nil {
		return nil, err
	}
	logCSV, err := recordsCSV(p.records)
	if err != nil {
		return nil, err
	}
	out := []part{{"log.ndjson", ndjson.Bytes()}, {"log.csv", logCSV}, {"handover.html", page1.Bytes()}, {"handover.md", page2.Bytes()}}
	for _, x := range []struct {
		name string
		v    any
	}{
		{"incident.json", p.incident}, {"packs.json", packCondition{p.snapshot.Known, p.snapshot.Packs}}, {"data.json", dataUsed(p)}, {"handover.json", page},
	} {
		data, err := json.MarshalIndent(x.v, "", "  ")
		if err != nil {
			return nil, fmt.Errorf("%s: %w", x.name, err)
		}
		out = append(out, part{x.name, append(data, '\n')})
	}
	return out, nil
}

// packCondition is what the cache wants to know of the packs.
type packCondition struct {
	Known []status.KnownPack `json:"known"`
	InUse []status.Pack      `json:"in_use"`
}

// data is what measuring cost. The counters are the agent's, which begin anew when it does.
type dataOf struct {
	Since        time.Time         `json:"counted_since,omitzero"`
	Known        bool              `json:"known"` // false: no agent ran
	UsedToday    int64             `json:"used_today_bytes"`
	BudgetPerDay int64             `json:"budget_per_day_bytes"`
	UsedMonth    int64             `json:"used_this_month_bytes"`
	PerMonth     int64             `json:"budget_per_month_bytes"`
	EnergyWh     float64           `json:"probe_energy_today_wh"`
	ByTarget     map[string]uint64 `json:"by_target_bytes"`
}

func dataUsed(p picture) dataOf {
	s := p.snapshot
	d := dataOf{Since: s.Started, Known: p.live, UsedToday: s.Data.UsedToday, BudgetPerDay: s.Data.BudgetPerDay, UsedMonth: s.Data.UsedMonth, PerMonth: s.Data.BudgetPerMonth, EnergyWh: s.Energy.TodayWh, ByTarget: map[string]uint64{}}
	for _, t := range s.Targets {
		d.ByTarget[t.Name] = t.Bytes
	}
	return d
}

func recordsCSV(records []journal.Record) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write([]string{"record", "wall_utc", "boot", "up_s", "kind", "subject", "who", "text", "data"})
	for _, r := range records {
		_ = w.Write([]string{strconv.FormatUint(r.Seq, 10), r.Wall.UTC().Format(time.RFC3339Nano), r.Boot, fmt.Sprintf("%.3f", r.Up.Seconds()),
			cell(string(r.Kind)), cell(r.Subject), cell(r.Who), cell(r.Text), cell(string(r.Data))})
	}
	w.Flush()
	return b.Bytes(), w.Error() // carries the errors of every Write
}

// cell keeps a spreadsheet from taking somebody's words for a formula; log.ndjson
// has them as they are.
func cell(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r", rune(text[0])) {
		return "'" + text
	}
	return text
}

// writeExport writes the parts and their manifest, and returns the manifest's SHA-256.
func writeExport(w io.Writer, parts []part, at time.Time) (digest string, err error) {
	slices.SortFunc(parts, func(a, b part) int { return strings.Compare(a.name, b.name) })
	var manifest bytes.Buffer
	for _, p := range parts {
		fmt.Fprintf(&manifest, "%x  %s\n", sha256.Sum256(p.data), p.name)
	}
	z := zip.NewWriter(w)
	for _, p := range append(parts, part{manifestName, manifest.Bytes()}) {
		f, err := z.CreateHeader(&zip.FileHeader{Name: p.name, Method: zip.Deflate, Modified: at.UTC()})
		if err != nil {
			return "", err
		}
		if _, err := f.Write(p.data); err != nil {
			return "", err
		}
	}
	return fmt.Sprintf("%x", sha256.Sum256(manifest.Bytes())), z.Close()
}

// verified is an export that is whole.
type verified struct {
	files  []string
	digest string // SHA-256 of the manifest
}

// verifyExport reads the export at path, written here or anywhere.
func verifyExport(name string) (verified, error) {
	z, err := zip.OpenReader(name)
	if errors.Is(err, zip.ErrFormat) {
		return verified{}, fmt.Errorf("export %s: %w: it is no export, or was cut short; take it from where it was kept first", name, err)
	}
	if err != nil {
		return verified{}, fmt.Errorf("export %s: %w", name, err)
	}
	defer z.Close()
	v, err := verifyZip(&z.Reader)
	if err != nil {
		return v, fmt.Errorf("export %s: %w", name, err)
	}
	return v, nil
}

func verifyZip(z *zip.Reader) (verified, error) {
	if len(z.File) > mostParts {
		return verified{}, fmt.Errorf("holds %d files; %d are looked at", len(z.File), mostParts)
	}
	left := int64(mostExport)
	sums := map[string]string{}
	var manifest []byte
	for _, f := range z.File {
		if _, twice := sums[f.Name]; twice || f.Name == manifestName && manifest != nil {
			return verified{}, fmt.Errorf("holds %q twice", f.Name)
		}
		data, err := unpack(f, left)
		if err != nil {
			return verified{}, fmt.Errorf("%q: %w", f.Name, err)
		}
		left -= int64(len(data))
		if f.Name == manifestName {
			manifest = append([]byte{}, data...)
			continue
		}
		sums[f.Name] = fmt.Sprintf("%x", sha256.Sum256(data))
	}
	if manifest == nil {
		return verified{}, fmt.Errorf("has no %s: it is no export of candlemark", manifestName)
	}
	v := verified{digest: fmt.Sprintf("%x", sha256.Sum256(manifest))}
	for line := range strings.Lines(string(manifest)) {
		sum, name, ok := strings.Cut(strings.TrimSuffix(line, "\n"), "  ")
		switch got, there := sums[name]; {
		case !ok:
			return v, fmt.Errorf("%s: not a line of a manifest: %q", manifestName, line)
		case !there:
			return v, fmt.Errorf("%q is missing, or is listed twice", name)
		case got != sum:
			return v, fmt.Errorf("%q was changed: its SHA-256 is %s, the manifest says %s", name, got, sum)
		}
		delete(sums, name)
		v.files = append(v.files, name)
	}
	for name := range sums {
		return v, fmt.Errorf("%q is not in the manifest: it was added", name)
	}
	if !slices.Contains(v.files, "log.ndjson") || !slices.Contains(v.files, "incident.json") {
		return v, errors.New("holds no incident.json or no log.ndjson")
	}
	return v, nil
}

func unpack(f *zip.File, most int64) ([]byte, error) {
	if f.Name != path.Clean(f.Name) || path.IsAbs(f.Name) || strings.HasPrefix(f.Name, "..") {
		return nil, errors.New("not a name of an export")
	}
	r, err := f.Open()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	data, err := io.ReadAll(io.LimitReader(r, most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(data)) > most {
		return nil, fmt.Errorf("unpacks to more than %d bytes", int64(mostExport))
	}
	return data, nil
}

func newIncidentVerify() *cobra.Command {
	var digest string
	cmd := &cobra.Command{
		Use:   "verify FILE.zip",
		Short: "Check an export against its checksums",
		Long: `verify compares every file of an export with its SHA-256 manifest. Whoever can
change the files can change the manifest too: give --digest, the number that close
printed, to know that the manifest is the one written then.`,
		Example: "  candlemark incident verify alder-ford.zip",
		Args:    exactArg("the export"),
	}
	cmd.Flags().StringVar(&digest, "digest", "", "SHA-256 of the manifest as close printed it, in `HEX`")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if _, err := hex.DecodeString(digest); err != nil || digest != "" && len(digest) != 2*sha256.Size {
			return usageError{fmt.Errorf("--digest %s: not a SHA-256 number", digest)}
		}
		v, err := verifyExport(args[0])
		if err != nil {
			return err
		}
		if digest != "" && !strings.EqualFold(digest, v.digest) {
			return fmt.Errorf("export %s: its manifest is another one: SHA-256 %s", args[0], v.digest)
		}
		fmt.Fprintf(cmd.OutOrStdout(), "whole: %s match the manifest, SHA-256 %s\n", count(len(v.files), "file"), v.digest)
		if digest == "" {
			fmt.Fprintln(cmd.OutOrStdout(), "That the manifest itself is the one written then, only --digest can tell.")
		}
		return nil
	}
	return cmd
}

func readBounded(name string, most int64) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(data)) > most {
		err = fmt.Errorf("%s is larger than %d bytes", name, most)
	}
	return data, err
}
