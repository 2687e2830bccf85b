package planpage

import (
	"fmt"
	"strings"

	"candlemark/agent/plan"
)

func rotation(b *strings.Builder, s plan.Schedule) {
	fmt.Fprintf(b, "\nPACKS from %s\n", s.Now.Format("Mon 2 Jan 15:04 MST"))
	para(b, "  ", s.Answer)
	if len(s.Swaps) > 0 {
		para(b, "  ", interrupted)
		t := table(b)
		fmt.Fprintln(t, "    swap by\tempty about\tat\tout\tin")
		for _, x := range firstSwaps(s) {
			fmt.Fprintf(t, "    %s\t%s\t%s\t%s\t%s\n", plan.Clock(x.By, s.Now), emptyAbout(x, s), x.Feed, orDash(x.Out), x.In)
		}
		t.Flush()
		if left := len(s.Swaps) - len(firstSwaps(s)); left > 0 {
			fmt.Fprintf(b, "    and %d more\n", left)
		}
	}
	for _, a := range words(s.Packs) {
		para(b, "    ", a.Pack+": "+a.Why)
	}
}

// interrupted says what every swap costs.
const interrupted = "Each swap interrupts what that pack feeds, a terminal for some minutes, unless two packs can feed at once through an adapter made for it."

// shownSwaps is how many swaps are worth reading ahead where a charger keeps up and
// they go on without end; else every swap is shown.
const shownSwaps = 24

func firstSwaps(s plan.Schedule) []plan.Swap {
	if !s.Sustained {
		return s.Swaps
	}
	return s.Swaps[:min(len(s.Swaps), shownSwaps)]
}

func emptyAbout(x plan.Swap, s plan.Schedule) string {
	if x.Out == "" {
		return "-"
	}
	return plan.Clock(x.Expected, s.Now)
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
