package planpage

import (
	_ "embed"
	"html/template"
	"io"
	"strings"

	"candlemark/agent/plan"
)

//go:embed page.html
var source string

type page struct {
	plan.Report
	Need, Made string
	Governs    string
	Full       bool
	Detailed   []plan.Result
	Rules      []plan.Rule
}

// HTML writes the report as one page of HTML without outside assets.
func HTML(w io.Writer, r plan.Report, o Options) error {
	t, err := template.New("plan").Funcs(template.FuncMap{
		"lasts": lasts, "meanW": meanW, "upShare": upShare, "headline": headline, "lost": lost, "fuse": fuse, "near": near, "answerOpen": answerOpen, "gives": gives, "limitOf": limitOf, "cautions": cautions, "moreCautions": moreCautions,
		"limitName": limitName, "limitText": limitText, "lossText": lossText, "clock": plan.Clock, "emptyAbout": emptyAbout, "orDash": orDash,
		"interrupted": func() string { return interrupted },
		"firstSwaps":  firstSwaps, "moreSwaps": func(s plan.Schedule) int { return len(s.Swaps) - len(firstSwaps(s)) },
		"value": func(p *float64) float64 { return *p },
		"words": words,
	}).Parse(source)
	if err != nil {
		return err
	}
	p := page{Report: r, Governs: plan.Governs, Full: o.Full, Detailed: detailed(r, o.Full)}
	if r.NeedS > 0 {
		p.Need = need(r)
	}
	if o.Full {
		p.Rules = r.Rules
	}
	if !o.Made.IsZero() {
		p.Made = o.Made.Format("Mon 2 Jan 2006 15:04 MST")
		if _, offset := o.Made.Zone(); offset != 0 {
			p.Made += o.Made.UTC().Format(" (15:04 UTC)")
		}
	}
	return t.Execute(w, p)
}

// words are the packs that somebody has to do something about.
func words(all []plan.Advice) []plan.Advice {
	var out []plan.Advice
	for _, a := range all {
		if !strings.HasPrefix(a.Why, "in use") && a.Why != "ready" {
			out = append(out, a)
		}
	}
	return out
}
