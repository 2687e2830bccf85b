package survey

import (
	"fmt"
	"io"
	"math"
	"strings"
)

// format writes a value of a unit for people.
func format(v float64, unit string) string {
	switch unit {
	case "bit/s":
		if math.Abs(v) >= 1e6 {
			return fmt.Sprintf("%.1f Mbit/s", v/1e6)
		}
		return fmt.Sprintf("%.0f kbit/s", v/1e3)
	case "ratio":
		return fmt.Sprintf("%.2f %%", 100*v)
	}
	return fmt.Sprintf("%.1f %s", v, unit)
}

func signed(v float64, unit string) string {
	if v > 0 {
		return "+" + format(v, unit)
	}
	return format(v, unit)
}

// amount is the difference with its interval, in the unit and as a share of A.
func (a Answer) amount() string {
	var s strings.Builder
	s.WriteString(signed(a.Difference, a.Unit))
	if a.Bounded {
		fmt.Fprintf(&s, " (%s to %s)", signed(a.Lower, a.Unit), signed(a.Upper, a.Unit))
	}
	if a.Question != Loss && a.BaseMedian > 0 {
		fmt.Fprintf(&s, ", %+.0f %%", 100*a.Difference/a.BaseMedian)
		if a.Bounded {
			fmt.Fprintf(&s, " (%+.0f to %+.0f %%)", 100*a.Lower/a.BaseMedian, 100*a.Upper/a.BaseMedian)
		}
	}
	return s.String()
}

func (a Answer) matters(p Plan) string {
	if a.Question == Loss {
		return fmt.Sprintf("%.2g percentage points of loss", 100*p.LossShare)
	}
	return fmt.Sprintf("%.0f %%", 100*p.Threshold)
}

// lookChance is the chance of a false difference after so many looks at 5 % each
// (Armitage, McPherson and Rowe 1969, from memory).
func lookChance(looks int) string {
	switch looks {
	case 2:
		return "8.3 %"
	case 3:
		return "10.7 %"
	case 4:
		return "12.6 %"
	case 5:
		return "14.2 %"
	}
	return "more than 14 %"
}

func cautions(r Report) []string {
	var all []string
	add := func(format string, args ...any) { all = append(all, fmt.Sprintf(format, args...)) }
	if r.Extended > 0 {
		add("rounds were added %s: the chance that a difference shown is luck is then up to %s instead of 5 %%", times(r.Extended), lookChance(1+r.Extended))
	}
	if r.Order == InRuns {
		add("the rounds were made in runs: only a drift along a straight line cancels")
	}
	for _, d := range r.Drift {
		if d.Shown && r.Order == Counterbalanced {
			add("%s drifted by %s during the survey; the order of the rounds cancels what is steady of that", d.Of, signed(d.Change, d.Unit))
		}
	}
	for _, c := range r.Comparisons {
		for _, a := range c.Answers {
			if a.Unknown > 0 && a.Compared {
				add("%s, %s against %s: %s without a figure (%s); a pair with such a round is left out", a.Question.Title(), c.Other, c.Base, plural(a.Unknown, "round"), a.UnknownWhy)
			}
		}
	}
	if r.Ignored > 0 {
		add("%s that did not fit the plan left out", plural(r.Ignored, "record"))
	}
	return all
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// WriteText writes a report for people.
func WriteText(w io.Writer, r Report) error {
	var s strings.Builder
	fmt.Fprintf(&s, "Survey %s", r.Name)
	if r.Place != "" {
		fmt.Fprintf(&s, ", %s", r.Place)
	}
	fmt.Fprintf(&s, "\n  begun %s UTC, %d of %d rounds made, order %s, %.1f MB spent\n", r.Begun.UTC().Format("2006-01-02 15:04"), r.Made, r.Declared, strings.ReplaceAll(string(r.Order), "_", " "), float64(r.Bytes)/1e6)
	for i, a := range r.Arrangements {
		fmt.Fprintf(&s, "  %s: %s\n", Letter(i), a)
	}
	fmt.Fprintf(&s, "  judged at the %s; what matters was declared as %.0f %% of A, for loss %.2g percentage points\n", r.Section, 100*r.Threshold, 100*r.LossShare)
	for _, c := range r.Comparisons {
		fmt.Fprintf(&s, "\n%s against %s\n", c.Other, c.Base)
		for _, a := range c.Answers {
			mark := " "
			if a.Primary {
				mark = "*"
			}
			fmt.Fprintf(&s, "%s %-20s %s\n", mark, a.Question.Title(), strings.ToUpper(string(a.Verdict)))
			if a.Compared {
				fmt.Fprintf(&s, "    median %s: %s (%d), %s: %s (%d)\n", c.Base, format(a.BaseMedian, a.Unit), len(a.BaseValues), c.Other, format(a.OtherMedian, a.Unit), len(a.OtherValues))
			}
			fmt.Fprintf(&s, "    %s\n", a.Because)
			if a.Compared {
				fmt.Fprintf(&s, "    %s test, P = %.4f", a.Test, a.P)
				if a.PCorrected != a.P {
					fmt.Fprintf(&s, ", corrected %.4f", a.PCorrected)
				}
				if a.Bounded {
					fmt.Fprintf(&s, "; interval %.1f %%", 100*a.Level)
				}
				s.WriteString("\n")
			}
		}
	}
	s.WriteString("\n* declared beforehand as the question that decides; the others are corrected for their number\n\nDrift\n")
	for _, d := range r.Drift {
		word := "not shown"
		if d.Shown {
			word = "shown"
		}
		if d.Wanders {
			word += ", neighbouring rounds are alike"
		}
		fmt.Fprintf(&s, "  %s: %s over the survey, standard error %s", d.Of, signed(d.Change, d.Unit), format(d.Error, d.Unit))
		if d.Share != 0 {
			fmt.Fprintf(&s, ", %+.0f %%", 100*d.Share)
		}
		fmt.Fprintf(&s, "; %s (P = %.3f, %d rounds)\n", word, d.P, d.Rounds)
	}
	if len(r.Drift) == 0 {
		s.WriteString("  cannot tell because too few rounds have a figure\n")
	}
	for _, c := range r.Cautions {
		fmt.Fprintf(&s, "  caution: %s\n", c)
	}
	_, err := io.WriteString(w, s.String())
	return err
}

// String is the figure for people, with its count where there is one.
func (f Figure) String() string {
	switch {
	case !f.Known:
		return "not known (" + f.Why + ")"
	case f.Question == Loss:
		return fmt.Sprintf("%d of %d", f.Lost, f.Samples)
	}
	return format(f.Value, f.Question.Unit())
}
