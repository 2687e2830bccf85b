package quality

import (
	"fmt"
	"strings"
)

func joinReasons(a, b string) string {
	switch {
	case a == "":
		return b
	case b == "" || strings.Contains(a, b):
		return a
	}
	return a + "; " + b
}

func atMostText(n Need, unit string) string {
	return strings.TrimSpace(fmt.Sprintf("at most %g, usable up to %g %s", n.Preferred, n.Limit, unit))
}

func atLeastText(n Need, unit string) string {
	if unit == "bit/s" {
		return fmt.Sprintf("at least %s, usable from %s", bitS(n.Preferred), bitS(n.Limit))
	}
	return strings.TrimSpace(fmt.Sprintf("at least %g, usable from %g %s", n.Preferred, n.Limit, unit))
}

func lossText(n Need) string {
	return fmt.Sprintf("at most %g %%, usable up to %g %%", 100*n.Preferred, 100*n.Limit)
}

// bitS writes a rate for people.
func bitS(v float64) string {
	switch {
	case v >= 1e6:
		return fmt.Sprintf("%.3g Mbit/s", v/1e6)
	case v >= 1e3:
		return fmt.Sprintf("%.3g kbit/s", v/1e3)
	}
	return fmt.Sprintf("%.0f bit/s", v)
}

func size(bytes float64) string {
	if bytes >= 1e6 {
		return fmt.Sprintf("%g MB", bytes/1e6)
	}
	return fmt.Sprintf("%g kB", bytes/1e3)
}

// Either words for how many users the rate would do, one use instead of the other: the
// same rate is counted for each. It is "" where it is known for none. It comes from the
// rate of single transfers; nobody tried so many.
func Either(verdicts []Verdict) string {
	things := map[string][2]string{
		UseVoice: {"call", "calls"}, UseVideo: {"meeting", "meetings"}, UseForms: {"person with forms", "people with forms"}, UseFile: {"file transfer", "file transfers"},
	}
	var parts []string
	for _, v := range verdicts {
		thing, ok := things[v.Use]
		if !ok || !v.UsersKnown || v.Users <= 0 {
			continue
		}
		word := thing[1]
		if v.Users == 1 {
			word = thing[0]
		}
		parts = append(parts, fmt.Sprintf("%d %s", v.Users, word))
	}
	switch len(parts) {
	case 0:
		return ""
	case 1:
		return "about " + parts[0] + ", by rate alone; not tried"
	}
	return "either about " + strings.Join(parts, " or ") + ", by rate alone; not tried"
}
