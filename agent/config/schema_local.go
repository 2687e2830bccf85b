package config

import (
	"time"

	"candlemark/agent/alarm"
)

// Signal is what stands beside the relay and tells alarms to whoever is near.
type Signal struct {
	// A buzzer that sounds by itself while its line is active.
	Buzzer *Output `key:"buzzer"`
	// A lamp that is lit while its line is active.
	Lamp *Output `key:"lamp"`
	// Which alarms are sounded and shown.
	Severities []alarm.Severity `key:"severities" default:"critical warning notice" oneof:"critical warning notice"`
	// Time of day from which a warning is sounded only once; critical alarms go on. Not while the clock is not set.
	QuietFrom TimeOfDay `key:"quiet_from" default:"00:00"`
	// Time of day at which the quiet ends; the same as quiet_from is no quiet at all.
	QuietTo TimeOfDay `key:"quiet_to" default:"00:00"`
}

// Output is one line of a GPIO chip that switches something.
type Output struct {
	// GPIO chip by number, name or label: 0 and gpiochip0 are the same.
	Chip Line `key:"chip" default:"0"`
	// Line of that chip, by its number there or by its name.
	Line Line `key:"line" need:"yes"`
	// Level at which it sounds or is lit.
	ActiveLevel string `key:"active_level" default:"high" oneof:"high low"`
}

// Feed is the feed from a pack to the terminal.
type Feed struct {
	// Name of the pack that feeds the terminal. May be left out where there is only one.
	Pack string `key:"pack"`
	// Power the terminal draws. Left out: what a schedule would buy is not told.
	TerminalDrawW Watts `key:"terminal_draw" min:"0W" max:"2kW"`
	// Cautious remaining time of the pack at which the terminal is shut down and its feed cut; 0s never does.
	Reserve time.Duration `key:"reserve" default:"10min" min:"0s" max:"168h"`
	// Time from the warning to the shutdown; shorter where less is left.
	WarnFor time.Duration `key:"warn_for" default:"2min" min:"0s" max:"1h"`
	// Command and arguments that shut the terminal down in order before its feed is cut; nothing is run when it is left out.
	ShutdownCommand []string `key:"shutdown_command"`
	// Time from the start of that command to the cut. The command is ended then.
	ShutdownTakes time.Duration `key:"shutdown_takes" default:"1min" min:"1s" max:"1h"`
	// Time the terminal takes from power to a working link.
	StartUp time.Duration `key:"start_up" default:"3min" min:"0s" max:"1h"`
	// Longest time off that is accepted from anybody.
	LongestOff time.Duration `key:"longest_off" default:"12h" min:"2min" max:"168h"`
	// The switch in the feed. Left out, the same plan is made and only advised.
	Switch *FeedSwitch `key:"switch"`
}

// FeedSwitch is the contact in the terminal's feed, and how it is wired.
type FeedSwitch struct {
	// GPIO chip by number, name or label: 0 and gpiochip0 are the same.
	Chip Line `key:"chip" default:"0"`
	// Line that drives the contact; of a latching contact the coil that closes it.
	Line Line `key:"line" need:"yes"`
	// Line of the coil that opens it. Only for a latching contact.
	OpenLine Line `key:"open_line"`
	// Kind of contact: normally_open is closed while it is driven, normally_closed is open while it is driven, latching stays as the last pulse left it.
	Contact string `key:"contact" need:"yes" oneof:"normally_open normally_closed latching"`
	// Level of the line that drives it.
	ActiveLevel string `key:"active_level" default:"high" oneof:"high low"`
	// Resistor at the line, which decides while the board resets: to the supply (up), to ground (down) or none.
	Pull string `key:"pull" need:"yes" oneof:"up down none"`
	// What a board that is dead, reset or without power is to leave behind: on keeps the link, off keeps the pack. Wiring that can't do so is refused.
	DeadBoardLeaves string `key:"dead_board_leaves" need:"yes" oneof:"on off as_it_was"`
}

// Actions is who may command the agent over HTTP: over TLS (web_config), or from the board itself.
type Actions struct {
	// Path of a file that holds the token, 16 to 4096 characters on one line, closed to others than owner and group. It is read at each use.
	TokenFile string `key:"token_file" need:"yes"`
}

// Clock says what is trusted to know the time of day.
type Clock struct {
	// Clock chip with a battery that is trusted where it agrees with the board's clock, by its name below /sys/class/rtc, such as rtc0. Left out, the time is not known until a time service or somebody sets it (candlemark clock set).
	Chip string `key:"chip"`
}

// Line is a GPIO chip or a line of one: a number or a name.
type Line string

// TimeOfDay is a time by the clock on the wall, from midnight.
type TimeOfDay time.Duration

// Forward sends every metric on to a receiver of the Prometheus remote-write standard, through outages, with the times at which it was measured.
type Forward struct {
	// Address of the receiver's write endpoint, path and all. Needs out_of_order_time_window on the receiver where an outage may last.
	URL string `key:"url" need:"yes"`
	// Version of the standard; auto begins with 2.0 and falls back to 1.0.
	Version string `key:"version" default:"auto" oneof:"auto 1.0 2.0"`
	// Time between two gatherings of all metrics.
	Every time.Duration `key:"every" default:"15s" min:"1s" max:"10min"`
	// Longest time a gathering waits for others to share its request.
	SendEvery time.Duration `key:"send_every" default:"1min" min:"1s" max:"1h"`
	// Longest time one request may take.
	Timeout time.Duration `key:"timeout" default:"30s" min:"1s" max:"5min"`
	// Age at which samples that could not be sent are given up.
	MaxAge time.Duration `key:"max_age" default:"96h" min:"1h" max:"720h"`
	// Data a second used to catch up after an outage.
	CatchUp Bytes `key:"catch_up_rate" default:"16KiB" min:"1KiB" max:"10MB"`
	// User name for basic authentication.
	User string `key:"user"`
	// Path of a file that holds that user's password.
	PasswordFile string `key:"password_file"`
	// Path of a file that holds a bearer token.
	TokenFile string `key:"token_file"`
	// Path of a file with the certificates the receiver's is checked against; the system's when left out.
	CAFile string `key:"ca_file"`
	// Value of the label job, so that pushed metrics match the shipped rules and dashboards.
	Job string `key:"job" default:"candlemark"`
}
