package handover

import (
	"fmt"
	"io"
	"strings"
)

// Markdown writes the page as Markdown that reads well as plain text.
func Markdown(w io.Writer, p Page) error {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	list := func(title string, items []string, none string) {
		line("\n## %s\n", title)
		if len(items) == 0 {
			line("%s", none)
		}
		for _, x := range items {
			line("- %s", md(x))
		}
	}
	line("# Link handover: %s\n", md(p.Relay))
	line("Made %s", md(p.MadeText))
	if !p.ClockSet {
		line("The clock of the board is not set: times may be wrong.")
	}
	line("\n**%s.**\n\n%s.\n", md(p.Endurance.Answer), md(p.Endurance.Basis))
	for _, rows := range [][]Row{p.Head, p.Service, p.Means} {
		for _, r := range rows {
			line("- %s: %s", heading(r), md(r.Value))
		}
	}
	line("\n## Power and packs (201-10)\n")
	if len(p.Packs) == 0 {
		line("Packs in use: not known")
	}
	for _, x := range p.Packs {
		line("- %s: %s; charge %s; time left %s%s", md(x.Name), md(x.Now), md(x.Charge), md(x.Left), optional("; ", x.Note))
	}
	for _, r := range p.Endurance.Swaps {
		line("- swap %s %s", md(r.Label), md(r.Value))
	}
	for _, r := range p.Endurance.Advice {
		line("- %s: %s", md(r.Label), md(r.Value))
	}
	if len(p.Verdicts) == 0 {
		line("- pack verdicts: not known")
	}
	for _, v := range p.Verdicts {
		line("- pack %s (%s): %s, %s", md(v.Pack), md(v.Place), md(v.Verdict), md(v.Why))
	}
	line("\n## Link as measured (205-4, mode IP)\n")
	if len(p.Links) == 0 {
		line("Down, up, round trip, loss: not measured")
	}
	for _, l := range p.Links {
		line("- %s (%s): %s; %s; %s", md(l.Name), md(l.Function), md(l.Measured), md(l.Count), md(l.Age))
	}
	line("\n## Open alarms\n")
	if len(p.Alarms) == 0 {
		line("%s", map[bool]string{true: "none", false: NotKnown + ": no agent runs here"}[p.Live])
	}
	for _, a := range p.Alarms {
		line("- **%s. Do: %s.** %s, since %s", md(a.Severity), md(a.Action), md(a.Title), md(a.Since))
	}
	list("Weak points", p.Weak, "none known")
	list("Not known", p.NotKnown, "nothing is marked as not known")
	list("Hazards (201-5)", p.Hazards, "Hazards of this site: "+NotRecorded)
	for _, c := range p.Cautions {
		line("- %s", md(c.Text))
	}
	line("\n%s.", md(p.Governs))
	line("\n## Activity log: %s\n", md(p.LogFrom))
	for _, r := range p.Activity {
		line("- %s: %s", heading(r), md(r.Value))
	}
	line("\n214-7, local | UTC | what happened | who\n--- | --- | --- | ---")
	for _, e := range p.Log {
		line("%s%s | %s%s | %s%s: %s | %s", md(e.Local), e.Clock, md(e.UTC), e.Clock, md(e.Kind), optional(" ", e.Subject), md(e.Text), orDash(md(e.Who)))
	}
	if p.LogLeft > 0 {
		line("\n%d lesser or older entries left out; --full shows them.", p.LogLeft)
	}
	if p.left > 0 {
		line("\nMore of the lists above with --full: %d.", p.left)
	}
	line("\nPrepared by (201-6, 205-6, 214-8): %s, position: %s, signature: ____________ date, time: ____________",
		md(orNot(p.Preparer.Name)), md(orNot(p.Preparer.Position)))
	_, err := io.WriteString(w, b.String())
	return err
}

func heading(r Row) string {
	if r.Block == "" {
		return md(r.Label)
	}
	return md(r.Label) + " (" + r.Block + ")"
}

func optional(lead, text string) string {
	if text == "" {
		return ""
	}
	return lead + md(text)
}

func orDash(text string) string {
	if text == "" {
		return "-"
	}
	return text
}

// md escapes what Markdown or the HTML within it would take for markup.
func md(text string) string {
	return strings.NewReplacer(
		`\`, `\\`, "`", "\\`", "*", `\*`, "_", `\_`, "[", `\[`, "]", `\]`, "<", "&lt;", ">", "&gt;", "&", "&amp;", "|", `\|`, "#", `\#`, "~", `\~`,
	).Replace(text)
}
