package plan

import "candlemark/agent/pack"

// Rule is an assumption behind the figures and where it comes from.
type Rule struct {
	Text   string `json:"text"`
	Source string `json:"source"`
}

// rules are those that this plan made use of.
func (p Plan) rules() []Rule {
	var out []Rule
	seen := map[string]bool{}
	add := func(text, source string) {
		if !seen[text] {
			seen[text] = true
			out = append(out, Rule{text, source})
		}
	}
	for _, a := range p.Arrangements {
		for _, f := range a.Feeds {
			s := f.Source
			if s.Kind == PackSource {
				add("Low to high holds about nine runs in ten.", "common practice, no source")
				if !s.HealthKnown {
					add(s.Name+": state of health not stated; 100 % expected, the low figure allows for 80 %.", "common practice, no source")
				}
				switch {
				case !s.TempKnown:
					add(s.Name+": temperature not stated; 25 °C expected.", "assumption")
				case s.Chemistry == pack.LeadAcid:
					add(sprintf("%s: at %.0f °C capacity is divided by %.2f.", s.Name, s.TempC, max(1, TemperatureFactor(s.Chemistry, s.TempC))), "IEEE 485 Table 1, values from memory")
				default:
					add(sprintf("%s: at %.0f °C capacity is divided by %.2f.", s.Name, s.TempC, TemperatureFactor(s.Chemistry, s.TempC)), "a public engineering approximation, weak")
				}
				if s.Peukert > 1 {
					add(sprintf("%s: Peukert exponent %.2f with the %s rating; never more than the rated charge.", s.Name, s.Peukert, Span(s.RatedTime)), "Peukert's rule; exponents differ between makers")
				}
			}
			for _, e := range f.Path {
				switch e := e.(type) {
				case Converter:
					if !e.EfficiencyKnown && !e.passesThrough() {
						add(sprintf("%s: efficiency not stated; %s assumed. Measure it.", e.Name, percent(DefaultEfficiency)), "common practice, no source")
					}
					if e.Injection == EthernetInjection {
						add("Class powers and least voltages.", "IEEE 802.3-2022 clauses 33 and 145, from public reference pages")
					}
				case Conductor:
					add("Copper 1/58 Ω mm²/m at 20 °C, +0.393 %/K, out and back.", "IEC 60028; gauge by ASTM B258")
					if !e.GaugeKnown {
						add("Metric sizes: greatest resistance of the size.", "IEC 60228, partly from memory")
					}
					if e.CopperClad() {
						add("Copper-clad aluminium: copper and aluminium (61 % IACS) in parallel by volume.", "model; classes as in ASTM B566")
					}
					if e.Network {
						add("0.5 A for each conductor of a network cable.", "a cabling maker's excerpt of NEC 725.144")
					} else {
						add("Conductor limits for fuses.", "NEC 240.4(D) from secondary copies; thinner than 18 AWG common practice, no source")
					}
				}
			}
		}
	}
	if len(p.Places) > 0 {
		add("Path losses are guides: free space, building entry, slabs.", "ITU-R P.525, P.2109-2, P.2040-3")
	}
	if len(p.Relays) > 0 {
		add("Two hops on one channel take turns: 1/(1/a + 1/b).", "airtime sharing; real links lose more")
	}
	return out
}
