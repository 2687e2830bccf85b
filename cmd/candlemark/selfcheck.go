package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/url"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"
	"golang.org/x/sys/unix"

	"candlemark/agent/clock/board"
	"candlemark/agent/config"
	"candlemark/agent/control"
	"candlemark/agent/notify"
	"candlemark/sensors/ina219"
)

// finding is what self-check says of one thing.
type finding struct {
	What   string `json:"what"`
	Result string `json:"result"` // good, fault or unknown
	Detail string `json:"detail"`
	Remedy string `json:"remedy,omitempty"`
}

const (
	isGood    = "good"
	isFault   = "fault"
	isUnknown = "unknown" // could not be checked, which is not the same as good
)

func newSelfCheck() *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:   "self-check --config FILE",
		Short: "Check the board, the sensors, what is probed and the receivers",
		Long: `self-check tries everything the agent will need, one thing after another, and
says the remedy for each fault. It sends one probe to each target, asks each
reflector and source for next to no data, uses each service once, and opens one
connection to each receiver; it delivers nothing. Exit code 1 says that something
is at fault.`,
		Example: "  candlemark self-check --config /etc/candlemark/candlemark.yaml",
		Args:    noArgs,
	}
	cmd.Flags().StringVar(&path, "config", "", "configuration `FILE`")
	_ = cmd.MarkFlagRequired("config")
	f := formatFlag(cmd, formatText, formatJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		cfg, err := load(path)
		if err != nil {
			return err
		}
		found := selfCheck(cmd.Context(), cfg)
		if *f == formatJSON {
			err = printJSON(cmd.OutOrStdout(), *f, found)
		} else {
			printFindings(cmd.OutOrStdout(), found)
		}
		for _, x := range found {
			if x.Result == isFault {
				return errors.Join(err, errSilent)
			}
		}
		return err
	}
	return cmd
}

// selfCheck runs every check of a configuration that was read without fault.
func selfCheck(ctx context.Context, cfg *config.Config) []finding {
	running := agentRuns(cfg.ControlSocket)
	found := []finding{{"configuration", isGood, "read without fault", ""}}
	for _, p := range cfg.Packs {
		found = append(found, checkSensor(p))
		if p.Temperature != nil && p.Temperature.File != "" {
			found = append(found, checkThermometer(p))
		}
	}
	found = append(found, checkClock(cfg.Clock.Chip), checkJournal(cfg.Journal, running), checkListen(cfg.Listen, running))
	if cfg.Actions != nil {
		found = append(found, checkActions(cfg))
	}
	found = append(found, checkProbed(ctx, cfg)...)
	for _, r := range cfg.Receivers {
		if notify.Kind(r.Kind) != notify.Command {
			found = append(found, checkReceiver(ctx, r))
		}
	}
	return append(found, checkLocal(cfg, running)...)
}

func agentRuns(socket string) bool {
	c, err := control.Dial(socket)
	if err != nil {
		return false
	}
	c.Close()
	return true
}

// checkSensor takes one reading.
func checkSensor(p config.Pack) finding {
	what := "sensor of pack " + p.Name
	if p.Sensor.Kind != "ina219" {
		return finding{what, isGood, "simulated", ""}
	}
	n, err := chip(p).BusNumber()
	if err != nil {
		return finding{what, isFault, err.Error(), "set bus to a number such as 1"}
	}
	found, err := ina219.ScanBus(n)
	switch {
	case errors.Is(err, fs.ErrPermission):
		return finding{what, isFault, fmt.Sprintf("i2c-%d: %v", n, err), "let this user open the bus: add it to the group i2c, and log in again"}
	case errors.Is(err, fs.ErrNotExist):
		return finding{what, isFault, fmt.Sprintf("i2c-%d: %v", n, err), "switch I2C on in the board's firmware settings and load the module i2c-dev"}
	case err != nil:
		return finding{what, isFault, err.Error(), "check the wiring of the bus"}
	}
	here, others := false, ""
	for _, f := range found {
		if f.Address == uint16(p.Sensor.Address) {
			here = true
		} else if f.Likely {
			others += fmt.Sprintf(" 0x%02x", f.Address)
		}
	}
	if !here {
		remedy := "check the chip's supply, SDA, SCL and ground"
		if others != "" {
			remedy = "a sensor answers at" + others + ": correct address, or the pads A0 and A1"
		}
		return finding{what, isFault, fmt.Sprintf("nothing answers on i2c-%d at %s", n, p.Sensor.Address), remedy}
	}
	d, err := ina219.Open(chip(p))
	if err != nil {
		return finding{what, isFault, err.Error(), "correct the sensor's settings"}
	}
	defer d.Close()
	r, err := d.Read()
	if errors.Is(err, ina219.ErrBeyondRating) {
		return finding{what, isFault, err.Error(), "measure this pack another way"}
	}
	if err != nil {
		return finding{what, isFault, err.Error(), "check the wiring; a chip that answers but cannot be read has a loose wire or another kind of chip"}
	}
	reading := fmt.Sprintf("%.2f V ±%.2f, %.3f A ±%.3f", r.PackV, r.ErrV, r.PackA, r.ErrA)
	switch {
	case r.Clipped:
		return finding{what, isFault, reading + ", clipped", "the load is beyond this shunt: fit a smaller one, with the pack unplugged"}
	case r.BusV > ina219.MaxBusV:
		return finding{what, isFault, reading, fmt.Sprintf("more than the chip's %g V: unplug the pack now, and measure it another way", ina219.MaxBusV)}
	case r.PackV > 1.02*float64(p.Full):
		return finding{what, isFault, reading, "above the pack's full voltage: check chemistry and series_cells"}
	case r.PackV < 0.3*float64(p.Cutoff):
		return finding{what, isUnknown, reading + ": no pack is connected", "connect a pack and run this again"}
	}
	return finding{what, isGood, reading, ""}
}

func checkThermometer(p config.Pack) finding {
	what := "temperature of pack " + p.Name
	if c, ok := thermometer(p.Temperature)(); ok {
		return finding{what, isGood, fmt.Sprintf("%.1f °C", c), ""}
	}
	return finding{what, isFault, p.Temperature.File + " holds no temperature", "name a file with thousandths of a degree, or give a fixed temperature"}
}

func checkClock(chip string) finding {
	e := board.Look("", chipDir(chip))
	switch {
	case e.Synchronised:
		return finding{"clock", isGood, "the kernel says it is synchronised", ""}
	case e.ChipAgrees:
		return finding{"clock", isGood, "the clock chip " + chip + " agrees", ""}
	case chip != "":
		return finding{"clock", isFault, "the clock chip " + chip + " cannot be read, or says another time than the board's clock", "set the chip once a time service knows the time (hwclock --systohc), change its battery, or remove clock.chip"}
	}
	return finding{"clock", isUnknown, "not synchronised: it may be wrong", "let the board reach a time server, or say the time with candlemark clock set; durations and warnings do not depend on it"}
}

// leastFree is the room the journal should find, bytes.
const leastFree = 256 << 20

func checkJournal(path string, running bool) finding {
	dir := filepath.Dir(path)
	if err := unix.Access(dir, unix.W_OK); err != nil {
		return finding{"journal", isFault, dir + ": " + err.Error(), "make the directory, and give it to the user that runs the agent"}
	}
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return finding{"journal", isFault, dir + ": " + err.Error(), "check the disk"}
	}
	if free := st.Bavail * uint64(st.Bsize); free < leastFree {
		return finding{"journal", isFault, fmt.Sprintf("%s has %d MB left", dir, free>>20), fmt.Sprintf("free %d MB", leastFree>>20)}
	}
	detail := dir + " can be written"
	if running {
		detail += "; an agent runs and holds the journal"
	}
	return finding{"journal", isGood, detail, ""}
}

func checkListen(listen string, running bool) finding {
	l, err := net.Listen("tcp", listen)
	switch {
	case err == nil:
		l.Close()
		return finding{"status page", isGood, listen + " is free", ""}
	case running && errors.Is(err, unix.EADDRINUSE):
		return finding{"status page", isGood, "served at " + listen + " by the running agent", ""}
	}
	return finding{"status page", isFault, err.Error(), "set listen to an address this board has and a port that is free"}
}

// checkReceiver opens a connection to a receiver without sending an alarm.
func checkReceiver(ctx context.Context, r config.Receiver) finding {
	what := "receiver " + r.Name
	for _, file := range []string{r.TokenFile, r.PasswordFile} {
		if file == "" {
			continue
		}
		if _, err := os.ReadFile(file); err != nil {
			return finding{what, isFault, err.Error(), "make the file readable for the user that runs the agent, and for nobody else"}
		}
	}
	at := r.Server // of mail
	if r.URL != "" {
		u, err := url.Parse(r.URL)
		if err != nil {
			return finding{what, isFault, "the address cannot be read", "correct url"}
		}
		port := u.Port()
		if port == "" {
			port = map[string]string{"http": "80", "https": "443"}[u.Scheme]
		}
		at = net.JoinHostPort(u.Hostname(), port)
	}
	d := net.Dialer{Timeout: r.Timeout}
	c, err := d.DialContext(ctx, "tcp", at)
	if err != nil {
		return finding{what, isFault, err.Error(), "alarms raised now would wait; check the link and the address"}
	}
	c.Close()
	return finding{what, isGood, "answers at " + at + "; candlemark alarm-test sends it something", ""}
}

func printFindings(w io.Writer, found []finding) {
	for _, f := range found {
		fmt.Fprintf(w, "%-7s %-26s %s\n", f.Result, f.What, f.Detail)
		if f.Remedy != "" {
			fmt.Fprintf(w, "%-7s %-26s → %s\n", "", "", f.Remedy)
		}
	}
}
