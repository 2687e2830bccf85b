package quality

import (
	"strings"
	"testing"
)

// steady makes n rounds that wander by a millisecond.
func steady(n int, hop, end, hopLoaded, endLoaded float64) []Round {
	rounds := make([]Round, n)
	for i := range rounds {
		w := []float64{-0.5, 0, 0.5, 0.2, -0.2}[i%5]
		look := func(ms float64) Look { return Look{RTTMs: Known(ms + w), Sent: 20} }
		rounds[i] = Round{Hop: look(hop), End: look(end + w), HopLoaded: look(hopLoaded), EndLoaded: look(endLoaded + w)}
	}
	return rounds
}

func each(rounds []Round, change func(*Round)) []Round {
	for i := range rounds {
		change(&rounds[i])
	}
	return rounds
}

// The first two are worked cases (F17): hop 3 to 103 and end to end 45 to 145 under
// load is the local hop, 100 of 100 ms; hop 3 to 4 and end to end 45 to 245 is the
// uplink. That a slow answer proves nothing (E37) is the draft's own warning.
func TestAttribute(t *testing.T) {
	normal := func() []Round { return steady(24, 3, 45, 5, 60) }
	for name, c := range map[string]struct {
		now, normal []Round
		place       Place
		said        string // in the evidence or the reason
	}{
		"the hop fills up under load":    {steady(12, 3, 45, 103, 145), nil, LocalHop, "100 of 100 ms"},
		"the uplink fills up under load": {steady(12, 3, 45, 4, 245), nil, TheUplink, "+1.0 ms against normal to the near element, +200.0 ms end to end"},
		"both fill up":                   {steady(12, 3, 45, 103, 345), nil, BothParts, "end to end"},
		"all is as it was":               {steady(12, 3, 45, 5, 60), normal(), NoFault, "nothing above normal"},
		"the hop is slow":                {steady(12, 43, 85, 45, 100), normal(), LocalHop, "40 of 40 ms"},
		"the uplink is slow":             {steady(12, 3, 145, 5, 160), normal(), TheUplink, "+99.9 ms end to end"},
		"only the near element's answers are slow": {steady(12, 203, 45, 205, 60), normal(), NoFault,
			"nothing above normal"},
		"its answers are slow and the uplink is, too": {steady(12, 203, 145, 205, 160), normal(), TheUplink, "its"},
		"the hop loses": {each(steady(12, 3, 45, 5, 60), func(r *Round) { r.Hop.Lost, r.End.Lost = 4, 4 }), normal(), LocalHop,
			"48 of 240 packets to the near element and 48 of 240 end to end"},
		"the near element drops echoes and passes traffic": {each(steady(12, 3, 45, 5, 60), func(r *Round) { r.Hop.Lost = 10 }), normal(), NoFault, "nothing above"},
		"the uplink loses":                          {each(steady(12, 3, 45, 5, 60), func(r *Round) { r.End.Lost = 4 }), normal(), TheUplink, "48 of 240 end to end"},
		"the uplink is gone":                        {each(steady(12, 3, 45, 5, 60), func(r *Round) { r.End, r.EndLoaded = Look{Sent: 20, Lost: 20}, Look{} }), normal(), TheUplink, "240 of 240"},
		"all is gone that was there":                {each(steady(12, 3, 45, 5, 60), gone), normal(), LocalHop, "did answer before"},
		"all is gone and the hop was never seen":    {each(steady(12, 3, 45, 5, 60), gone), nil, PlaceUnsure, "answers none of 240"},
		"the hop is not measurable, the path slow":  {each(steady(12, 3, 145, 5, 160), blind), each(normal(), blind), PlaceUnsure, "looks the same"},
		"the hop is not measurable, the path sound": {each(steady(12, 3, 45, 5, 60), blind), each(normal(), blind), NoFault, "though the hop was not probed"},
		"the far side was not probed":               {each(steady(12, 203, 45, 5, 60), func(r *Round) { r.End, r.EndLoaded = Look{}, Look{} }), normal(), PlaceUnsure, "does not prove the hop guilty"},
		"two rounds":                                {steady(2, 3, 145, 5, 160)[:2], normal(), PlaceUnsure, "more rounds"},
		"no rounds":                                 {nil, normal(), PlaceUnsure, "not probed"},
	} {
		t.Run(name, func(t *testing.T) {
			a := Attribute(c.now, c.normal, DefaultLimits())
			if a.Place != c.place || !strings.Contains(a.Evidence+a.Because, strings.TrimPrefix(c.said, "its")) {
				t.Errorf("%s\nevidence: %s\nbecause: %s", a.Place, a.Evidence, a.Because)
			}
			if (a.Because != "") != (a.Place == PlaceUnsure) {
				t.Errorf("%s because %q", a.Place, a.Because)
			}
			t.Logf("%s: %s; %s", a.Place, a.Evidence, a.Because)
		})
	}
}

func gone(r *Round) {
	r.Hop, r.End = Look{Sent: 20, Lost: 20}, Look{Sent: 20, Lost: 20}
	r.HopLoaded, r.EndLoaded = Look{}, Look{}
}

func blind(r *Round) { r.Hop, r.HopLoaded = Look{}, Look{} }

func TestTrackerFollowsAFaultAndDoesNotGrowUsedToIt(t *testing.T) {
	var tr Tracker
	for _, r := range steady(60, 3, 45, 5, 60) {
		tr.Add(r)
	}
	if tr.Last().Place != NoFault {
		t.Fatalf("before: %+v", tr.Last())
	}
	for i, r := range steady(200, 43, 85, 45, 100) {
		if a := tr.Add(r); i >= 12 && a.Place != LocalHop {
			t.Fatalf("round %d of the fault: %+v", i, a)
		}
	}
	for _, r := range steady(24, 3, 45, 5, 60) {
		tr.Add(r)
	}
	if tr.Last().Place != NoFault {
		t.Errorf("after: %+v", tr.Last())
	}
	if len(tr.now) != DefaultWindow || len(tr.normal) > DefaultNormal {
		t.Errorf("it holds %d and %d rounds", len(tr.now), len(tr.normal))
	}
	tr.Forget()
	if a := tr.Add(steady(1, 3, 45, 5, 60)[0]); a.Place != PlaceUnsure {
		t.Errorf("after one round of a new layout: %+v", a)
	}
}
