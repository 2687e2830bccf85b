package plan

import (
	"slices"

	"candlemark/agent/pack"
)

// Governs stands with every caution.
const Governs = "local codes and licensed practice govern"

// Caution is one thing that can hurt somebody or destroy something.
type Caution struct {
	ID    string `json:"id"`
	Text  string `json:"text"`
	Basis string `json:"basis"`
	Also  string `json:"governs"`
	// General is good practice with any such equipment; the others have their cause
	// in this plan.
	General bool `json:"general"`
}

// AWG 23 or thicker is what is laid outdoors.
const outdoorAWG = 23

// cautions are those that apply to the plan, most dangerous first.
func (p Plan) cautions() []Caution {
	var out []Caution
	seen := map[string]bool{}
	add := func(id, text, basis string) {
		if !seen[id] {
			seen[id] = true
			out = append(out, Caution{id, text, basis, Governs, general(id)})
		}
	}
	add("aid_only", "This is an aid to a trained operator, not a guarantee of run time. Medical and life-safety loads need a plan of their own.", "common practice, no source")
	for _, a := range p.Arrangements {
		for _, f := range a.Feeds {
			p.sourceCautions(f, add)
		}
	}
	for _, a := range p.Arrangements {
		for _, f := range a.Feeds {
			p.cableCautions(f, add)
		}
	}
	if len(p.Places)+len(p.Relays) > 0 {
		add("antenna", "Keep people clear of the transmit side of antennas, by the maker's distance.", "FCC OET 65, ICNIRP, from memory")
		add("outside", "Working outside: look for power lines, falls, traffic, debris and weather; go in pairs.", "common practice, no source")
	}
	return out
}

// general says whether a caution is one of good practice. What kills or burns at once
// (gas, short circuits, lithium, voltage) never is.
func general(id string) bool {
	return slices.Contains([]string{"over_discharge", "transport", "antenna", "outside", "earths", "bundle"}, id)
}

func (p Plan) sourceCautions(f Feed, add func(id, text, basis string)) {
	s := f.Source
	_, _, high := s.volts()
	switch s.Kind {
	case Generator:
		add("generator", "Generator: outdoors only, at least 6 m (20 ft) from doors, windows and vents, exhaust away; never in a garage or vehicle. Carbon monoxide has no smell: set an alarm. Never feed a building through an outlet.", "CPSC, as quoted by public utilities")
	case Mains:
		add("mains", "Mains: connection, earthing and any change-over switch are for a qualified person.", "NEC 702 practice, from memory")
	}
	if s.Kind != PackSource {
		return
	}
	add("fuse", "Fuse at the pack's positive, close to it. Fuse and switch for DC above the full pack's voltage, the fuse able to break its short circuit, hundreds of amperes; rings and watches off; insulate terminals.", "NEC 240.4(D); NFPA 70E, from memory")
	switch {
	case lithium(s.Chemistry):
		add("lithium", "Lithium: no charging below 0 °C or unattended; no damaged, swollen, wet or hot packs; never defeat the pack's protection; keep clear of exits.", "IEC 62133-2, NFPA 855, from memory")
		add("over_discharge", "Stop at the cut-off. Do not recharge a pack found below about 2.0 V a cell.", "copper dissolution (UL research); 2.0 V from memory")
		if s.LabelWh > 100 {
			add("transport", sprintf("%s: over 100 Wh. By air only with the operator's approval (to 160 Wh); cover the terminals.", s.Name), "49 CFR 175.10, from a secondary copy")
		}
	case s.Chemistry == pack.LeadAcid:
		add("lead_acid", "Lead-acid gives off hydrogen on charge (burns from 4 %): ventilate, no sparks, protect the eyes.", "DOE-HDBK-1084; numbers from memory")
	}
	if s.Together > 1 {
		add("parallel", "Do not join packs in parallel or series unless they are made for it.", "IEC 62133-2, from memory")
	}
	if lithium(s.Chemistry) && !s.OwnCutoff {
		text := sprintf("%s: many tool packs have their cut-off in the tool. A bare adapter needs an under-voltage cut of its own, at %s or above.", s.Name, volts(s.CutoffV))
		if name, ok := f.cutsOff(); ok {
			text += sprintf(" Here the lock-out of %s does that: try it before you trust it.", name)
		}
		add("no_cutoff", text, "common practice, no source")
	}
	if high > sensorMostV {
		add("sensor", sprintf("%s reaches %s: the sensor takes no more than 26 V. Do not connect it there.", s.Name, volts(high)), "TI INA219 data sheet SBOS448, absolute maximum ratings")
	}
	if s.TempKnown && s.TempC < 0 {
		add("cold", sprintf("At %.0f °C: warm the packs above 0 °C before charging.", s.TempC), "makers' limit; lithium plating")
	}
}

// sensorMostV is what the INA219 takes at most.
const sensorMostV = 26.0

// cutsOff names the converter whose lock-out protects the pack.
func (f Feed) cutsOff() (name string, ok bool) {
	for _, e := range f.Path {
		if c, ok := e.(Converter); ok && !c.passesThrough() {
			return c.Name, c.LockoutV >= f.Source.CutoffV
		}
	}
	return "", false
}

func (p Plan) cableCautions(f Feed, add func(id, text, basis string)) {
	_, _, high := f.Source.volts()
	network, passive := false, false
	for _, s := range f.stretches() {
		head := f.headV(s.feeder, high)
		cable := false
		injected := s.feeder >= 0 && f.Path[s.feeder].(Converter).Injection == PassiveInjection
		for _, e := range f.Path[s.from:s.to] {
			if c, ok := e.(Converter); ok && c.passesThrough() {
				injected = true
			}
			c, ok := e.(Conductor)
			if !ok {
				continue
			}
			cable = true
			network = network || c.Network
			if c.CopperClad() {
				add("copper_clad", sprintf("%s: do not use copper-clad aluminium for power. It has about 1.5 times the resistance, warms at the contacts and breaks.", c.Name), "ASTM B566 classes; resistance from the parallel model")
			}
			if c.Network && c.Outdoor && c.AreaMM2 < 0.99*AWGAreaMM2(outdoorAWG) {
				add("thin_outdoor", sprintf("%s: outdoors take 23 AWG or thicker, solid pure copper.", c.Name), "common practice, no source")
			}
			if c.Outdoor {
				add("outdoor", "Outdoor cable: UV-rated, strain relief, drip loop, off walkways and wheels; bonded and surge-protected at the entry in fixed work. In a storm unplug it and stay away.", "NEC article 800 practice; 30 CFR 77.508-1")
				add("earths", "Never let a network cable join the earths of two buildings, or of a vehicle or generator and a building: use fibre or radio between them.", "common practice, no source")
			}
		}
		if s.feeder < 0 && f.Source.Alternating() {
			continue
		}
		if injected {
			passive = true
			if head > EthernetMostV {
				add("injection_voltage", sprintf("%s reaches %s: above the 57 V that IEEE 802.3 allows. A \"48 V\" bank on charge goes that high; do not inject it directly.", f.Source.Name, volts(head)), "IEEE 802.3 (57 V); charge voltages from memory")
			}
		}
		if head > ExtraLowV {
			add("over_60", sprintf("%s: above 60 V direct current, the usual limit of extra-low voltage; check the standard that applies.", volts(head)), "IEC 62368-1 and kin, from secondary copies")
		} else if head > WetV && (cable || p.Wet) {
			add("wet", sprintf("%s: above 30 V, the usual limit where it is wet. Keep joints dry and covered; switch off before touching.", volts(head)), "common practice; IEC 61201 has 35 V for some uses")
		}
	}
	if passive {
		add("passive", "Passive injection has no detection: it can destroy a port that does not expect it. Check the device's own voltage range, polarity and pairs; fuse each output; plug only with power off.", "common practice, no source")
	}
	if network {
		add("bundle", "Do not coil or bundle a powered network cable; feel it for warmth.", "NEC 725.144 practice")
	}
}
