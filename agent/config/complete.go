package config

import (
	"time"
)

// complete fills in the defaults that depend on other keys.
func (c *Config) complete() {
	for i := range c.Packs {
		p := &c.Packs[i]
		if cell, ok := cellOf(p.Chemistry); ok {
			if p.Full == 0 {
				p.Full = Volts(roundTo(cell.full*float64(p.SeriesCells), 9))
			}
			if p.Cutoff == 0 {
				p.Cutoff = Volts(roundTo(cell.cutoff*float64(p.SeriesCells), 9))
			}
		}
		if p.StaleAfter == 0 {
			p.StaleAfter = max(5*p.SampleEvery, 10*time.Second)
		}
	}
	if c.Feed != nil && c.Feed.Pack == "" && len(c.Packs) == 1 {
		c.Feed.Pack = c.Packs[0].Name
	}
	for i := range c.Receivers {
		r := &c.Receivers[i]
		if r.Kind == "smtp" && r.Encryption == "" {
			r.Encryption = "starttls"
		}
		if r.RepeatEvery != 0 {
			continue
		}
		switch r.Kind {
		case "webhook":
			r.RepeatEvery = 15 * time.Minute
		case "smtp": // a person reads it
			r.RepeatEvery = time.Hour
		case "alertmanager": // a default one forgets an alarm it has not heard of for 5 min
			r.RepeatEvery = time.Minute
		}
	}
}
