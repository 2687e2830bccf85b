package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"candlemark/agent/config"
	"candlemark/sensors/ina219"
)

// question is one thing setup wants to know. Its flag answers it beforehand.
type question struct {
	flag, ask, usual string // usual is taken on Enter; where it is empty, somebody must look
	optional         bool
}

// setupQuestions are asked in this order; the sensor's place is found by looking.
func setupQuestions() []question {
	return []question{
		{flag: "relay", ask: "Name of this relay, without spaces", usual: "relay-1"},
		{flag: "site", ask: "Where it stands, in words", optional: true},
		{flag: "chemistry", ask: "Cells of the pack: li-ion, lfp or lead-acid"},
		{flag: "series-cells", ask: "How many cells in series (18 V tool pack 5, 12 V lfp 4, 12 V lead-acid 6)"},
		{flag: "capacity", ask: "Capacity on its label, such as 5Ah (a label in Wh: divide by its volts)"},
		{flag: "cutoff", ask: "Lowest voltage the whole pack may reach (Enter: the usual one for its cells)", optional: true},
		{flag: "lockout", ask: "Voltage at which the converter switches itself off, such as 15.5V (Enter: none or not known)", optional: true},
		{flag: "shunt", ask: "Resistance of the shunt, printed on it (R100 is 100mOhm)"},
		{flag: "shunt-rating", ask: "Watts the shunt may take, such as 2W"},
		{flag: "largest-load", ask: "Most current everything draws with the pack nearly flat, such as 5A (its watts ÷ 0.9 ÷ lowest volts)"},
		{flag: "hop", ask: "Address of something near to probe, the terminal or the relay, such as 192.168.1.1", optional: true},
		{flag: "uplink", ask: "Address of something far to probe, such as a name server", optional: true},
		{flag: "webhook", ask: "Where to post alarms, an http(s) address", optional: true},
	}
}

// notSetUp begins the configuration that the package brings. Nobody's work is in it.
const notSetUp = "# candlemark: not set up yet."

func newSetup() *cobra.Command {
	var out, bus, address string
	var yes, without, force bool
	answers := map[string]*string{}
	cmd := &cobra.Command{
		Use:   "setup",
		Short: "Answer a few questions and get a configuration",
		Long: `setup looks for the sensor on the I2C buses, asks what it can't see, shows a live
reading, and writes a configuration that check-config accepts. Every question can
be answered by a flag; with --yes the usual answer is taken for the rest. It writes
nothing but the file given by --out.`,
		Example: `  candlemark setup --out /etc/candlemark/candlemark.yaml
  candlemark setup --yes --chemistry lfp --series-cells 4 --capacity 20Ah --shunt 20mOhm \
    --shunt-rating 2W --largest-load 6A --out candlemark.yaml`,
		Args: noArgs,
	}
	fl := cmd.Flags()
	for _, q := range setupQuestions() {
		answers[q.flag] = fl.String(q.flag, "", "`ANSWER` to: "+q.ask)
	}
	fl.StringVar(&out, "out", "candlemark.yaml", "configuration `FILE` to write")
	fl.StringVar(&bus, "bus", "", "I2C `BUS` of the sensor, such as 1; all are looked at when left out")
	fl.StringVar(&address, "address", "", "`ADDRESS` of the sensor, such as 0x40, when several answer")
	fl.BoolVar(&yes, "yes", false, "ask nothing: take the flags and the usual answers")
	fl.BoolVar(&without, "without-sensor", false, "write the configuration although no sensor answers yet")
	fl.BoolVar(&force, "force", false, "write over a file that exists")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		switch old, err := os.ReadFile(out); {
		case force || errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return fmt.Errorf("%w; run setup as root, or name another file with --out", err)
		case !bytes.HasPrefix(old, []byte(notSetUp)):
			return fmt.Errorf("%s exists already; name another with --out, or write over it with --force", out)
		}
		p := &prompter{in: bufio.NewReader(cmd.InOrStdin()), out: cmd.OutOrStdout(), quiet: yes}
		where, err := findSensor(p, bus, address)
		if err != nil {
			if !without {
				return fmt.Errorf("%w; or write the configuration now and wire the sensor later with --without-sensor", err)
			}
			fmt.Fprintf(p.out, "no sensor yet: %v\n", err)
		}
		var missing []string
		for _, q := range setupQuestions() {
			if *answers[q.flag] != "" {
				continue
			}
			if yes && q.usual == "" && !q.optional {
				missing = append(missing, "--"+q.flag)
				continue
			}
			if *answers[q.flag], err = p.ask(q); err != nil {
				return err
			}
		}
		if len(missing) > 0 { // a guess about a battery is worse than a question
			return usageError{fmt.Errorf("with --yes these must be given: %s", strings.Join(missing, ", "))}
		}
		text, err := setupText(answers, where)
		if err != nil {
			return err
		}
		cfg, err := config.Parse(text, out, checkSensors, checkFeed)
		if err != nil {
			return answerFaults(err, answers)
		}
		if !without {
			if err := showReading(p.out, cfg.Packs[0]); err != nil {
				return err
			}
		}
		if err := os.WriteFile(out, text, 0o640); err != nil {
			return err
		}
		full, err := filepath.Abs(out)
		if err != nil {
			full = out
		}
		fmt.Fprintf(p.out, "written: %s\nnext:\n  candlemark self-check --config %s\n  candlemark run --config %[2]s      (or as a service: systemctl enable --now candlemark)\n", full, out)
		return offerTest(cmd.Context(), p, cfg)
	}
	return cmd
}

// offerTest has the receivers tried: one that was never tried is found dead in the night.
func offerTest(ctx context.Context, p *prompter, cfg *config.Config) error {
	if len(cfg.Receivers) == 0 {
		return nil
	}
	if p.quiet {
		fmt.Fprintln(p.out, "  candlemark alarm-test               (once it runs: do the alarms arrive?)")
		return nil
	}
	fmt.Fprint(p.out, "Send a test to the alarm receivers now? [yes]: ")
	answer, err := p.in.ReadString('\n')
	if answer = strings.ToLower(strings.TrimSpace(answer)); err != nil && answer == "" || answer != "" && answer != "y" && answer != "yes" {
		return nil // the configuration is written, which is what was asked for
	}
	trials, err := tryAlone(ctx, cfg)
	if err != nil {
		return err
	}
	printTrials(p.out, trials)
	if failed(trials) {
		fmt.Fprintln(p.out, "correct what failed in the configuration, and try again: candlemark alarm-test")
	}
	return nil
}

// prompter asks on a terminal, or takes the usual answers.
type prompter struct {
	in    *bufio.Reader
	out   io.Writer
	quiet bool
}

func (p *prompter) ask(q question) (string, error) {
	if p.quiet {
		return q.usual, nil
	}
	switch {
	case q.optional:
		fmt.Fprintf(p.out, "%s [none]: ", q.ask)
	case q.usual != "":
		fmt.Fprintf(p.out, "%s [%s]: ", q.ask, q.usual)
	default:
		fmt.Fprintf(p.out, "%s: ", q.ask)
	}
	line, err := p.in.ReadString('\n')
	line = strings.TrimSpace(line)
	if err != nil && (line == "" || !errors.Is(err, io.EOF)) {
		return "", fmt.Errorf("the questions were not answered to the end (%w); give the answers as flags with --yes", err)
	}
	if line == "" && q.usual == "" && !q.optional {
		return p.ask(q) // end of input ends this above
	}
	if line == "" {
		return q.usual, nil
	}
	return line, nil
}

// place is where a sensor sits.
type place struct {
	bus     int
	address uint16
}

// findSensor looks at the buses. It errs with the remedy where nothing can be used.
func findSensor(p *prompter, bus, address string) (place, error) {
	usual := place{1, ina219.FirstAddress}
	buses, err := busNumbers(bus)
	if err != nil {
		return usual, err
	}
	if len(buses) == 0 {
		return usual, errors.New("this board shows no I2C bus: switch I2C on in its firmware settings and load the module i2c-dev")
	}
	var met []place
	var elsewhere []string
	var faults []error
	for _, n := range buses {
		found, err := ina219.ScanBus(n)
		if err != nil {
			faults = append(faults, busFault(n, err))
			continue
		}
		for _, f := range found {
			if address != "" && !sameAddress(address, f.Address) {
				if f.Likely {
					elsewhere = append(elsewhere, fmt.Sprintf("i2c-%d at 0x%02x", n, f.Address))
				}
				continue
			}
			kind := "a sensor"
			if !f.Likely {
				kind = "a chip that may be something else"
			} else {
				met = append(met, place{n, f.Address})
			}
			fmt.Fprintf(p.out, "found %s on i2c-%d at 0x%02x\n", kind, n, f.Address)
		}
	}
	switch {
	case len(met) == 1:
		return met[0], nil
	case len(met) > 1:
		return met[0], fmt.Errorf("%d sensors answer; choose one with --bus and --address, and add the others to the file later", len(met))
	case len(faults) > 0:
		return usual, errors.Join(faults...)
	}
	if len(elsewhere) > 0 {
		return usual, fmt.Errorf("no INA219 answers at %s, but one does on %s: give that --address, or set the pads A0 and A1 of the module", address, strings.Join(elsewhere, ", "))
	}
	looked := make([]string, len(buses))
	for i, n := range buses {
		looked[i] = fmt.Sprintf("i2c-%d", n)
	}
	at := "0x40 to 0x4f"
	if address != "" {
		at = address
	}
	return usual, fmt.Errorf("no INA219 answers on %s at %s: check its supply (3.3 V), SDA, SCL and ground, and the address that its pads A0 and A1 set",
		strings.Join(looked, ", "), at)
}

func sameAddress(text string, a uint16) bool {
	v, err := strconv.ParseUint(text, 0, 16)
	return err == nil && uint16(v) == a
}

// busNumbers are the buses to look at: the one asked for, or all there are.
func busNumbers(bus string) ([]int, error) {
	if bus != "" {
		n, err := ina219.Config{Bus: bus}.BusNumber()
		if err != nil {
			return nil, usageError{fmt.Errorf("--bus: %w", err)}
		}
		return []int{n}, nil
	}
	paths, err := filepath.Glob("/dev/i2c-[0-9]*")
	if err != nil {
		return nil, err
	}
	var out []int
	for _, p := range paths {
		if n, err := strconv.Atoi(strings.TrimPrefix(p, "/dev/i2c-")); err == nil {
			out = append(out, n)
		}
	}
	slices.Sort(out)
	return out, nil
}

// busFault adds the remedy to what the kernel said of a bus.
func busFault(n int, err error) error {
	switch {
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("i2c-%d: %w: this user may not open the bus; add it to the group i2c (usermod -aG i2c NAME), log in again, or run this as root", n, err)
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("i2c-%d: %w: there is no such bus; switch I2C on in the board's firmware settings and load the module i2c-dev", n, err)
	}
	return fmt.Errorf("i2c-%d: %w", n, err)
}

// showReading reads the pack once, so that a wrong shunt or a turned-round wire shows.
func showReading(w io.Writer, p config.Pack) error {
	d, err := ina219.Open(chip(p))
	if err != nil {
		return err
	}
	defer d.Close()
	r, err := d.Read()
	if err != nil {
		return fmt.Errorf("%w: check the wiring, then run setup again", err)
	}
	fmt.Fprintf(w, "reading: %.2f V ±%.2f, %.3f A ±%.3f, %.1f W\n", r.PackV, r.ErrV, r.PackA, r.ErrA, r.PackW())
	switch {
	case r.Clipped:
		fmt.Fprintln(w, "  the current is beyond what this shunt can show: fit a shunt of lower resistance")
	case r.PackA < -0.05:
		fmt.Fprintln(w, "  the current reads as charging: if the pack feeds a load now, the sensor's two shunt wires are swapped, or its side is wrong")
	case r.PackV < 0.5*float64(p.Cutoff):
		fmt.Fprintln(w, "  the voltage is far below what this pack can have: is the pack connected, and VIN- wired to the load's side?")
	case r.PackV > 1.02*float64(p.Full):
		fmt.Fprintln(w, "  the voltage is above this pack's full voltage: check chemistry and cells in series")
	}
	return nil
}
