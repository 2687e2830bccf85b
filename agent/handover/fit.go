package handover

import (
	"cmp"
	"fmt"
	"slices"
)

// Heights on the printed page, in points, and characters that go on a line there.
// They are of page.html's style in the widest of its fonts, on Letter, the shorter
// sheet; the test that prints the page watches them.
const (
	sheetPt  = 734.0
	linePt   = 11.8
	smallPt  = 9.8
	rowPt    = 12.6
	headPt   = 17.0
	answerPt = 17.5
	fixedPt  = 22.0 // title, frames, the block to sign

	pageChars   = 99
	smallChars  = 118
	answerChars = 54
)

// caps are how many of each list the one-page form shows.
type caps struct{ packs, links, verdicts, weak, unknown, hazards, cautions, swaps, advice, log, text int }

// fit brings the page to one sheet. What gives way is counted and said.
func (p *Page) fit() {
	whole := *p
	tightest := len(tightening())
	for k, c := range tightening() {
		*p = whole
		p.trim(c)
		telling := 0 // what is routine only fills room that is left
		for _, e := range p.Log {
			if rank(e) < routine {
				telling++
			}
		}
		p.fill()
		if p.height() <= sheetPt && len(p.Log) >= min(c.log, telling) || k == tightest-1 {
			return
		}
	}
}

// fill keeps of the log what the sheet has room for: by rank, the newest first.
func (p *Page) fill() {
	all := p.Log
	p.Log = nil
	room := sheetPt - p.height()
	order := make([]int, len(all))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Or(rank(all[a])-rank(all[b]), b-a) })
	keep := make([]bool, len(all))
	for _, i := range order {
		if room -= entryHeight(all[i]); room < 0 {
			break
		}
		keep[i] = true
	}
	for i, e := range all {
		if keep[i] {
			p.Log = append(p.Log, e)
		}
	}
	p.Log, p.LogLeft = some(p.Log), len(all)-len(p.Log)
}

func entryHeight(e Entry) float64 {
	return rowPt + linePt*(lines(e.Local+e.UTC+e.Kind+e.Subject+e.Text+e.Who+"           ", pageChars)-1)
}

// tightening are the steps of trimming, each shorter than the one before: the log and
// what was measured of the link give way first. log is the least number of log
// entries to keep, where there are so many. The answer, open alarms and what to do never give way, even where
// that takes a second sheet.
func tightening() []caps {
	return []caps{
		{packs: 4, links: 6, verdicts: 5, weak: 6, unknown: 8, hazards: 4, cautions: 6, swaps: 4, advice: 6, log: 10, text: 150},
		{packs: 4, links: 3, verdicts: 2, weak: 5, unknown: 6, hazards: 4, cautions: 5, swaps: 4, advice: 5, log: 5, text: 110},
		{packs: 4, links: 2, verdicts: 1, weak: 4, unknown: 5, hazards: 3, cautions: 4, swaps: 3, advice: 4, log: 2, text: 84},
		{packs: 2, links: 1, verdicts: 1, weak: 2, unknown: 3, hazards: 2, cautions: 3, swaps: 1, advice: 3, log: 0, text: 60},
	}
}

func (p *Page) trim(c caps) {
	log, folded := fold(p.Log)
	p.Log, p.LogLeft, p.LogFolded = nil, 0, folded
	for _, e := range log {
		e.Text, e.Subject, e.Who = clip(e.Text, c.text), clip(e.Subject, 40), clip(e.Who, 16)
		p.Log = append(p.Log, e)
	}
	p.Log = some(p.Log)
	p.Packs = head(p, p.Packs, c.packs)
	p.Links = head(p, p.Links, c.links)
	p.Verdicts = head(p, p.Verdicts, c.verdicts)
	p.Weak = texts(p.Weak, c.weak, c.text)
	p.NotKnown = texts(p.NotKnown, c.unknown, c.text)
	p.Hazards = texts(p.Hazards, c.hazards, c.text)
	p.Cautions = head(p, p.Cautions, c.cautions)
	p.Endurance.Swaps = head(p, p.Endurance.Swaps, c.swaps)
	p.Endurance.Advice = head(p, p.Endurance.Advice, c.advice)
	p.Head, p.Service, p.Means, p.Activity = rows(p.Head, c.text), rows(p.Service, c.text), rows(p.Means, c.text), rows(p.Activity, c.text)
	p.Endurance.Swaps = rows(p.Endurance.Swaps, 150)
	p.Endurance.Basis = clip(p.Endurance.Basis, 200)
	p.Relay, p.Preparer = clip(p.Relay, 40), Preparer{clip(p.Preparer.Name, 40), clip(p.Preparer.Position, 40), clip(p.Preparer.Agency, 40)}
	p.Packs = apply(p.Packs, func(x Pack) Pack {
		return Pack{clip(x.Name, 24), clip(x.Now, 50), clip(x.Left, 70), clip(x.Charge, 12), clip(x.Note, c.text)}
	})
	p.Links = apply(p.Links, func(x Link) Link {
		return Link{clip(x.Name, 24), clip(x.Function, 16), clip(x.Measured, 50), clip(x.Count, 70), clip(x.Age, 40)}
	})
	action := ""
	p.Alarms = apply(p.Alarms, func(x Alarm) Alarm {
		if x.Action == action {
			x.Action = "as above"
		} else {
			action = x.Action
		}
		return Alarm{x.Severity, clip(x.Title, c.text), x.Action, clip(x.Since, 30)}
	})
	p.Verdicts = apply(p.Verdicts, func(x Verdict) Verdict {
		return Verdict{clip(x.Pack, 24), clip(x.Place, 24), x.Verdict, clip(x.Why, c.text)}
	})
}

func apply[T any](list []T, f func(T) T) []T {
	out := make([]T, len(list))
	for i, x := range list {
		out[i] = f(x)
	}
	return out
}

func rows(list []Row, most int) []Row {
	return apply(list, func(r Row) Row { return Row{r.Block, clip(r.Label, 40), clip(r.Value, most)} })
}

// head keeps the first of a list and counts the others.
func head[T any](p *Page, list []T, most int) []T {
	if len(list) <= most {
		return list
	}
	p.left += len(list) - most
	return list[:most:most]
}

// texts is head for lists that have room to say it themselves.
func texts(list []string, most, length int) []string {
	out := apply(list, func(s string) string { return clip(s, length) })
	if left := len(out) - most; left > 0 {
		out = append(out[:most:most], fmt.Sprintf("and %d more (--full)", left))
	}
	return out
}

func lines(text string, perLine int) float64 {
	return float64(max(1, (len([]rune(text))+perLine-1)/perLine))
}

// height estimates the printed height.
func (p *Page) height() float64 {
	h := fixedPt + answerPt*lines(p.Endurance.Answer, answerChars) + smallPt*lines(p.Endurance.Basis, smallChars)
	framed := append(append([]Row{}, p.Head...), p.Means...)
	for i := 0; i < len(framed); i += 2 {
		h += linePt * max(lines(framed[i].Value, 31), lines(framed[min(i+1, len(framed)-1)].Value, 31))
	}
	for _, r := range p.Service {
		h += linePt * lines(r.Value, 74)
	}
	h += headPt + rowPt
	for _, x := range p.Packs {
		h += rowPt + linePt*(max(lines(x.Now, 28), lines(x.Left+x.Note, 42), lines(x.Name, 10))-1)
	}
	for _, r := range p.Endurance.Swaps {
		h += linePt * lines(r.Label+r.Value, pageChars-8)
	}
	for _, r := range p.Endurance.Advice {
		h += linePt * lines(r.Label+r.Value, pageChars-4)
	}
	h += linePt * float64(1-min(1, len(p.Verdicts))) // the line that says there is none
	for _, v := range p.Verdicts {
		h += linePt * lines(v.Pack+v.Place+v.Verdict+v.Why, pageChars-14)
	}
	h += headPt + rowPt
	for _, x := range p.Links {
		h += rowPt + linePt*(max(lines(x.Name+x.Function, 18), lines(x.Measured, 25), lines(x.Count, 29), lines(x.Age, 19))-1)
	}
	h += headPt + linePt*float64(1-min(1, len(p.Alarms)))
	for _, a := range p.Alarms {
		h += linePt * lines(a.Severity+a.Title+a.Action+a.Since, pageChars-20)
	}
	h += headPt + max(column(p.Weak), column(p.NotKnown))
	h += headPt + linePt*float64(1-min(1, len(p.Hazards)))
	for _, x := range p.Hazards {
		h += linePt * lines(x, pageChars-10)
	}
	cautions := ""
	for _, c := range p.Cautions {
		cautions += c.Text + " "
	}
	h += smallPt * lines(cautions, smallChars)
	activity := ""
	for _, r := range p.Activity {
		activity += r.Label + r.Value + r.Block + "     "
	}
	h += headPt + smallPt*lines(activity, smallChars-8) + rowPt
	for _, e := range p.Log {
		h += entryHeight(e)
	}
	return h + smallPt
}

func column(list []string) float64 {
	h := linePt * float64(1-min(1, len(list)))
	for _, x := range list {
		h += linePt * lines(x, 44)
	}
	return h
}
