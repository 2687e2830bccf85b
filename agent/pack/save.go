package pack

import "time"

// Saved is the state of an Estimator as a plain value, small enough to be kept
// once a minute. The hypotheses are not in it: they follow from the bins.
type Saved struct {
	Run     recorder `json:"run"`
	Swapped string   `json:"swapped,omitempty"`
}

// Save gives the state to be kept.
func (e *Estimator) Save() Saved {
	r := e.run
	r.Bins = append([]Bin(nil), r.Bins...)
	r.Slots = append([]slot(nil), r.Slots...)
	return Saved{Run: r}
}

// Resume carries on from a saved state. gap is the time between the saved
// state's last reading and now, where gapKnown; the first reading after it stands
// at gap on the saved state's time line, or anywhere, where it is not known.
func Resume(spec Spec, prof *Profile, s Saved, gap time.Duration, gapKnown bool) (*Estimator, error) {
	e, err := New(spec, prof)
	if err != nil {
		return nil, err
	}
	e.run = s.Run
	e.restored = true
	return e, nil
}
