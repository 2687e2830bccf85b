// Package planfile reads the plan that people write (YAML, with a unit on every
// quantity) into the pure model of package plan.
//
// Every fault is reported at once, with line, column and remedy; a bare number is
// refused, since "30" may be metres or feet.
package planfile

import (
	"time"

	"candlemark/agent/config"
	"candlemark/agent/pack"
)

// The tags are those of package config: key is the name in the file, default, min
// and max are written as in the file, oneof lists words, need makes compulsory.

type file struct {
	// Name of the plan, the page's title.
	Name string `key:"name" need:"yes"`
	// Where, in words.
	Site string `key:"site"`
	// How long it has to run.
	Need time.Duration `key:"need" min:"0s" max:"720h"`
	// Whether people touch the equipment where it is wet.
	Wet          bool          `key:"wet"`
	Packs        []packs       `key:"packs"`
	Supplies     []supply      `key:"supplies"`
	Converters   []converter   `key:"converters"`
	Injectors    []injector    `key:"injectors"`
	Conductors   []conductor   `key:"conductors"`
	Connectors   []connectors  `key:"connectors"`
	Loads        []load        `key:"loads"`
	Arrangements []arrangement `key:"arrangements"`
	Places       []place       `key:"places"`
	Relays       []relay       `key:"relays"`
	Stock        stock         `key:"stock"`
}

type packs struct {
	Name        string            `key:"name" need:"yes"`
	Chemistry   pack.Chemistry    `key:"chemistry" need:"yes" oneof:"li-ion lfp lead-acid nimh"`
	SeriesCells int               `key:"series_cells" need:"yes" min:"1" max:"60"`
	Energy      *config.WattHours `key:"energy" min:"0.1Wh" max:"100kWh"`
	Capacity    *config.AmpHours  `key:"capacity" min:"10mAh" max:"10000Ah"`
	Nominal     *config.Volts     `key:"nominal" min:"0.5V" max:"250V"`
	Full        *config.Volts     `key:"full" min:"0.5V" max:"250V"`
	Cutoff      *config.Volts     `key:"cutoff" min:"0.5V" max:"250V"`
	Count       int               `key:"count" default:"1" min:"1" max:"500"`
	Together    int               `key:"together" default:"1" min:"1" max:"50"`
	Health      *config.Ratio     `key:"health" min:"10%" max:"120%"`
	Usable      config.Ratio      `key:"usable" default:"100%" min:"1%" max:"100%"`
	Temperature *config.Celsius   `key:"temperature" min:"-40°C" max:"80°C"`
	Peukert     *float64          `key:"peukert" min:"1" max:"2"`
	RatedTime   time.Duration     `key:"rated_time" default:"20h" min:"30min" max:"240h"`
	Most        *config.Amperes   `key:"most" min:"10mA" max:"1000A"`
	OwnCutoff   bool              `key:"own_cutoff"`
}

type supply struct {
	Name    string         `key:"name" need:"yes"`
	Kind    string         `key:"kind" need:"yes" oneof:"mains generator"`
	Volts   config.Volts   `key:"volts" need:"yes" min:"1V" max:"500V"`
	Power   *config.Watts  `key:"power" min:"1W" max:"100kW"`
	RunsFor *time.Duration `key:"runs_for" min:"1min" max:"720h"`
}

type converter struct {
	Name         string         `key:"name" need:"yes"`
	Output       config.Volts   `key:"output" need:"yes" min:"0.5V" max:"500V"`
	InputMin     *config.Volts  `key:"input_min" min:"0.5V" max:"500V"`
	InputMax     *config.Volts  `key:"input_max" min:"0.5V" max:"1000V"`
	Lockout      *config.Volts  `key:"lockout" min:"0.5V" max:"500V"`
	Power        *config.Watts  `key:"power" min:"0.1W" max:"100kW"`
	Idle         config.Watts   `key:"idle" default:"0W" min:"0W" max:"100W"`
	Efficiency   *config.Ratio  `key:"efficiency" min:"5%" max:"100%"`
	EfficiencyAt []efficiencyAt `key:"efficiency_at"`
}

type efficiencyAt struct {
	Load       config.Ratio `key:"load" need:"yes" min:"0%" max:"100%"`
	Efficiency config.Ratio `key:"efficiency" need:"yes" min:"5%" max:"100%"`
}

type injector struct {
	Name       string        `key:"name" need:"yes"`
	Kind       string        `key:"kind" need:"yes" oneof:"passive ieee802.3"`
	Class      *int          `key:"class" min:"0" max:"8"`
	Output     *config.Volts `key:"output" min:"5V" max:"60V"`
	InputMin   *config.Volts `key:"input_min" min:"0.5V" max:"500V"`
	InputMax   *config.Volts `key:"input_max" min:"0.5V" max:"1000V"`
	Lockout    *config.Volts `key:"lockout" min:"0.5V" max:"500V"`
	Idle       config.Watts  `key:"idle" default:"0W" min:"0W" max:"100W"`
	Efficiency *config.Ratio `key:"efficiency" min:"5%" max:"100%"`
}

type conductor struct {
	Name        string          `key:"name" need:"yes"`
	Size        Size            `key:"size" need:"yes"`
	Length      config.Metres   `key:"length" need:"yes" min:"0m" max:"10km"`
	Material    string          `key:"material" default:"copper" oneof:"copper copper-clad aluminium"`
	Copper      config.Ratio    `key:"copper" default:"10%" min:"1%" max:"99%"`
	Temperature config.Celsius  `key:"temperature" default:"20°C" min:"-60°C" max:"120°C"`
	Network     bool            `key:"network"`
	Pairs       *int            `key:"pairs" min:"1" max:"16"`
	Stranded    bool            `key:"stranded"`
	Outdoor     bool            `key:"outdoor"`
	Rating      *config.Amperes `key:"rating" min:"10mA" max:"1000A"`
}

type connectors struct {
	Name  string      `key:"name" need:"yes"`
	Each  config.Ohms `key:"each" need:"yes" min:"0Ω" max:"10Ω"`
	Count int         `key:"count" default:"2" min:"1" max:"100"`
}

type load struct {
	Name    string        `key:"name" need:"yes"`
	Power   config.Watts  `key:"power" need:"yes" min:"1mW" max:"100kW"`
	Standby config.Watts  `key:"standby" default:"0W" min:"0W" max:"100kW"`
	Duty    config.Ratio  `key:"duty" default:"100%" min:"0.1%" max:"100%"`
	Min     *config.Volts `key:"min" min:"0.5V" max:"500V"`
	Max     *config.Volts `key:"max" min:"0.5V" max:"500V"`
	Nominal *config.Volts `key:"nominal" min:"0.5V" max:"500V"`
}

type arrangement struct {
	Name     string `key:"name" need:"yes"`
	Backhaul string `key:"backhaul" oneof:"cable wireless shared"`
	Feeds    []feed `key:"feeds" need:"yes"`
}

type feed struct {
	Source string          `key:"source" need:"yes"`
	Fuse   *config.Amperes `key:"fuse" min:"0.1A" max:"500A"`
	Path   []string        `key:"path" need:"yes"`
}

type place struct {
	Name      string         `key:"name" need:"yes"`
	Frequency config.Hertz   `key:"frequency" need:"yes" min:"80MHz" max:"100GHz"`
	Distance  config.Metres  `key:"distance" need:"yes" min:"0.1m" max:"50000km"`
	Indoor    string         `key:"indoor" oneof:"office-in-sight office-no-sight one-floor-apart"`
	Building  string         `key:"building" default:"none" oneof:"none traditional thermally-efficient"`
	Elevation config.Degrees `key:"elevation" default:"0°" min:"0°" max:"90°"`
	Share     *config.Ratio  `key:"share" min:"0.1%" max:"99.9%"`
	Walls     []wall         `key:"walls"`
	Terminal  bool           `key:"terminal"`
}

type wall struct {
	Material  string        `key:"material" need:"yes" oneof:"concrete brick plasterboard wood glass"`
	Thickness config.Metres `key:"thickness" need:"yes" min:"1mm" max:"2m"`
	Count     int           `key:"count" default:"1" min:"1" max:"20"`
}

type relay struct {
	Name      string         `key:"name" need:"yes"`
	Direct    config.BitRate `key:"direct" need:"yes" min:"0bit/s" max:"100Gbit/s"`
	ToRelay   config.BitRate `key:"to_relay" need:"yes" min:"1kbit/s" max:"100Gbit/s"`
	FromRelay config.BitRate `key:"from_relay" need:"yes" min:"1kbit/s" max:"100Gbit/s"`
	Backhaul  string         `key:"backhaul" default:"shared" oneof:"cable wireless shared"`
}

type stock struct {
	Packs        []stockPack   `key:"packs"`
	Charger      config.Watts  `key:"charger" default:"0W" min:"0W" max:"100kW"`
	ChargerAfter time.Duration `key:"charger_after" default:"0s" min:"0s" max:"168h"`
	SwapAhead    time.Duration `key:"swap_ahead" default:"10min" min:"0s" max:"12h"`
	Lead         time.Duration `key:"generator_lead" default:"30min" min:"0s" max:"48h"`
}

type stockPack struct {
	Name        string          `key:"name" need:"yes"`
	Of          string          `key:"of" need:"yes"`
	Charge      config.Ratio    `key:"charge" need:"yes" min:"0%" max:"100%"`
	Health      *config.Ratio   `key:"health" min:"10%" max:"120%"`
	Temperature *config.Celsius `key:"temperature" min:"-40°C" max:"80°C"`
	Found       *config.Volts   `key:"found" min:"0V" max:"250V"`
	Uses        int             `key:"uses" default:"0" min:"0" max:"100000"`
	InUse       bool            `key:"in_use"`
}
