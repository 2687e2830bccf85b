package alarm

import (
	"fmt"
	"strings"
)

// Entries is the catalogue in Markdown, one heading for each alarm.
func Entries() string {
	var b strings.Builder
	for i, e := range Catalogue() {
		if i > 0 {
			b.WriteString("\n")
		}
		fmt.Fprintf(&b, "### %s\n\n%s; one for each %s. %s\n\n**Do:** %s.\n\n", e.Name, e.Severity, e.About, e.Means, e.Action)
		worse := "."
		if e.WorsensTo != "" {
			worse = fmt.Sprintf(", or until %s is raised.", e.WorsensTo)
		}
		fmt.Fprintf(&b, "- Raised: %s.\n- Clears: %s.\n- Acknowledged, it is quiet for %s at most%s\n", e.RaisedWhen, e.ClearedWhen, Exact(e.QuietMost), worse)
	}
	return b.String()
}
