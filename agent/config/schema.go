package config

import (
	"time"

	"candlemark/agent/pack"
)

// The tags of a field are the whole of its schema: key is its name in the file;
// default, min and max are written as in the file and are read by the same
// parser; oneof lists the words it may be; need:"yes" makes it compulsory. The
// doc comment becomes its row in the reference table.

// Config is a whole configuration file.
type Config struct {
	// Name of this relay; the label that tells it from others in a fleet.
	Relay string `key:"relay" need:"yes"`
	// Where the relay stands, in words.
	Site string `key:"site"`
	// Address and port on which metrics, health and the status page are served. Choose another host than loopback only together with web_config or on a network you trust.
	Listen string `key:"listen" default:"127.0.0.1:27219"`
	// Path of a web configuration file of the Prometheus exporter-toolkit form, which turns on TLS and basic authentication for listen.
	WebConfig string `key:"web_config"`
	// Lets people with a token switch, swap and note over listen. Left out, only the control socket takes commands.
	Actions *Actions `key:"actions"`
	// Path of the journal, the file that survives a power cut. Its directory must exist.
	Journal string `key:"journal" default:"/var/lib/candlemark/journal.db"`
	// Path of the local socket through which commands talk to the running agent. Who may write to it may command the agent.
	ControlSocket string `key:"control_socket" default:"/run/candlemark/control.sock"`
	// Least severity of the log lines written.
	LogLevel string `key:"log_level" default:"info" oneof:"debug info warn error"`
	// Form of the log lines: text for people, json for machines.
	LogFormat string `key:"log_format" default:"text" oneof:"text json"`
	// The board the agent itself runs on.
	Board Board `key:"board"`
	// Where the time of day comes from before a time service knows it.
	Clock Clock `key:"clock"`
	// The battery packs, one for each sensor.
	Packs []Pack `key:"packs"`
	// What is probed for latency and loss.
	Targets []Target `key:"targets"`
	// Bounded transfers that measure throughput of the hop or to the wide area.
	Throughput []Throughput `key:"throughput"`
	// What people need of the link, asked for as they do: a page, a name, a port.
	Services []Service `key:"services"`
	// What the link is judged by: the needs of what people do with it.
	Fit Fit `key:"fit"`
	// How much data and battery probes and forwarding may use.
	Data Data `key:"data"`
	// Where alarms are sent besides the log and the metrics.
	Receivers []Receiver `key:"receivers"`
	// Buzzer and lamp that tell alarms to whoever is near, without any network.
	Signal Signal `key:"signal"`
	// The terminal's feed: when it is cut to keep a reserve. Left out, candlemark has no part in it.
	Feed *Feed `key:"feed"`
	// Where all metrics are sent on to, for a relay that nobody can reach from outside.
	Forward *Forward `key:"forward"`
}

// Board says where the board's own power comes from.
type Board struct {
	// Name of the pack that feeds this board, or elsewhere. A board fed from a pack loses its power when that pack is swapped.
	FedFrom string `key:"fed_from" default:"elsewhere"`
	// Whether the board's own current passes through that pack's shunt, so that the sensor sees it.
	InsideShunt bool `key:"inside_shunt" default:"true"`
	// Power the board draws. Needed where a pack feeds the board outside the shunt, since nothing measures it then.
	DrawW Watts `key:"draw" min:"0W" max:"100W"`
	// Command and arguments that power the board off in order before its pack is flat; nothing is done when it is left out.
	PowerOffCommand []string `key:"power_off_command"`
	// Remaining time of that pack at which the command runs.
	PowerOffAt time.Duration `key:"power_off_at" default:"5min" min:"1min" max:"24h"`
}

// Pack is one battery pack, the sensor on it and when to warn.
type Pack struct {
	// Name of the pack: letters, digits, dot, dash and underscore.
	Name string `key:"name" need:"yes"`
	// Family of the cells.
	Chemistry pack.Chemistry `key:"chemistry" need:"yes" oneof:"li-ion lfp lead-acid"`
	// Cells in series. A 12 V lead-acid battery has 6.
	SeriesCells int `key:"series_cells" need:"yes" min:"1" max:"24"`
	// Capacity on the label, of the whole pack.
	Capacity AmpHours `key:"capacity" need:"yes" min:"0.1Ah" max:"2000Ah"`
	// Voltage of the whole pack when full, that is at the end of charging. Left out: 4.2 V a cell for li-ion, 3.65 V for lfp, 2.4 V for lead-acid.
	Full Volts `key:"full" min:"1V" max:"100V"`
	// Voltage of the whole pack under load below which it must not be discharged. Left out: 3.0 V a cell for li-ion, 2.8 V for lfp, 1.75 V for lead-acid.
	Cutoff Volts `key:"cutoff" min:"0.5V" max:"100V"`
	// Voltage of a single cell at which the pack's protection board switches it off. The weakest cell then ends the pack, before the sum of the cells is down at the cut-off. Leave it out when it is not known.
	CellCutoff Volts `key:"cell_cutoff" min:"0.5V" max:"5V"`
	// Input voltage at which the converter on this pack switches itself off; leave it out when there is none.
	Lockout Volts `key:"lockout" min:"0.5V" max:"100V"`
	// Least voltage at which the equipment at the far end of the feed still works; leave it out where a converter feeds it.
	FarEndMinimum Volts `key:"far_end_minimum" min:"0.5V" max:"100V"`
	// Resistance of the feed, out and back, between pack and far end.
	FeedResistance Ohms `key:"feed_resistance" default:"0Ω" min:"0Ω" max:"10Ω"`
	// The sensor that reads this pack.
	Sensor Sensor `key:"sensor" need:"yes"`
	// Time between readings.
	SampleEvery time.Duration `key:"sample_every" default:"1s" min:"200ms" max:"60s"`
	// Age at which the last good reading counts as stale. Left out: five times sample_every, and 10 s at least.
	StaleAfter time.Duration `key:"stale_after" min:"1s" max:"1h"`
	// Where the pack's temperature comes from; leave it out when it is not known. The INA219 measures none.
	Temperature *Temperature `key:"temperature"`
	// How long before the cut-off to warn.
	Leads Leads `key:"leads"`
}

// Sensor is how a pack is measured.
type Sensor struct {
	// A chip on the I2C bus, or a simulated pack behind a simulated chip.
	Kind string `key:"kind" default:"ina219" oneof:"ina219 simulated"`
	// I2C bus: 1, i2c-1 and /dev/i2c-1 are the same.
	Bus Bus `key:"bus" default:"1"`
	// Address of the chip on the bus, as its address pins are strapped.
	Address Address `key:"address" default:"0x40" min:"0x40" max:"0x4F"`
	// Resistance of the shunt. Needed for ina219.
	Shunt Ohms `key:"shunt" min:"0.1mΩ" max:"10Ω"`
	// Tolerance of the shunt's resistance.
	ShuntTolerance Ratio `key:"shunt_tolerance" default:"1%" min:"0%" max:"20%"`
	// Power the shunt may dissipate, as its maker states. Needed for ina219.
	ShuntRating Watts `key:"shunt_rating" min:"50mW" max:"100W"`
	// Largest current the load is expected to draw, at the lowest pack voltage. Needed for ina219.
	LargestLoad Amperes `key:"largest_load" min:"1mA" max:"500A"`
	// Accepts a largest_load beyond what the shunt can show. The only value is the sentence itself: readings above the limit are lost.
	ClippingAccepted string `key:"clipping_accepted"`
	// On which side of the shunt the chip's bus pin is: load is the usual one.
	Side string `key:"side" default:"load" oneof:"load pack"`
	// Grade of the chip; B is the tighter one.
	Grade string `key:"grade" default:"A" oneof:"A B"`
	// Constant power that a simulated pack is discharged with. Only for simulated.
	SimulatedLoad Watts `key:"simulated_load" default:"30W" min:"10mW" max:"1kW"`
}

// ClippingSentence is what clipping_accepted must say.
const ClippingSentence = "readings above the limit are lost"

// Temperature is where a pack's temperature comes from: one of the two.
type Temperature struct {
	// Path of a file that holds the temperature in thousandths of a degree Celsius, as Linux thermal zones and 1-wire sensors write it.
	File string `key:"file"`
	// Temperature as the operator knows it.
	Fixed *Celsius `key:"fixed" min:"-40°C" max:"80°C"`
}

// Leads are how long before the cut-off to warn.
type Leads struct {
	// Remaining time at which the alarm bring_next_pack is raised. Longer than shut_terminal_down.
	BringNextPack time.Duration `key:"bring_next_pack" default:"45min" min:"1min" max:"48h"`
	// Remaining time at which the alarm shut_terminal_down is raised.
	ShutTerminalDown time.Duration `key:"shut_terminal_down" default:"15min" min:"1min" max:"24h"`
}

// Data bounds what the probes, and the sending on of metrics, may use.
type Data struct {
	// Data that probes of the uplink and forward may use together in a day; 0B is no limit.
	PerDay Bytes `key:"per_day" default:"500MB" min:"0B" max:"100TB"`
	// The same for a calendar month.
	PerMonth Bytes `key:"per_month" default:"10GB" min:"0B" max:"3000TB"`
	// Share of both that is kept for forward, catching up after an outage included; the probes have the rest. Without forward all is the probes'.
	ForwardShare Ratio `key:"forward_share" default:"50%" min:"0%" max:"100%"`
	// Remaining time of any pack below which throughput is no longer measured.
	Reserve time.Duration `key:"reserve" default:"1h" min:"0s" max:"168h"`
	// Data a second that others may move over interface while throughput is measured; more, or a raised round trip of the uplink, and it waits for a quiet link. 0B does not look.
	QuietBelow Bytes `key:"quiet_below" default:"50kB" min:"0B" max:"1GB"`
	// Longest wait for a quiet link; then it is measured all the same, and the record says so. 0s does not wait.
	QuietWait time.Duration `key:"quiet_wait" default:"30min" min:"0s" max:"24h"`
	// Network interface whose traffic is looked at. Left out: that of the default route.
	Interface string `key:"interface"`
}
