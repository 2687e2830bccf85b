package httpd

import "candlemark/probes/quality"

// goodView is what the link is good enough for, at a glance. Sign and Class say
// the same as Word, in shape and border.
type goodView struct{ Use, Word, Sign, Class string }

// describeGood gives the three uses that people ask for first, for the first screen.
func describeGood(all []quality.Verdict) (good []goodView) {
	for _, first := range []struct{ use, short string }{{quality.UseVoice, "Voice"}, {quality.UseVideo, "Video"}, {quality.UseForms, "Forms"}} {
		for _, v := range all {
			if v.Use != first.use {
				continue
			}
			g := goodView{Use: first.short, Word: string(v.Word), Sign: "?", Class: "unsure"}
			switch v.Word {
			case quality.Fit:
				g.Sign, g.Class = "✓", "yes"
			case quality.Usable:
				g.Sign, g.Class = "≈", "so"
			case quality.Unfit:
				g.Sign, g.Class = "✕", "no"
			}
			good = append(good, g)
		}
	}
	return good
}
