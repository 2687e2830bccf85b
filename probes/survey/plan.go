package survey

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"time"

	"candlemark/probes"
)

// Order is how the rounds follow each other.
type Order string

const (
	Counterbalanced Order = "counterbalanced" // A B B A B A A B …
	InRuns          Order = "in_runs"         // A A B B B B A A
)

// Bounds and defaults of a Plan.
const (
	DefaultRounds    = 8
	DefaultThreshold = 0.15
	DefaultLossShare = 0.01 // the difference of loss that matters, as a ratio

	MaxRounds       = 500
	MaxArrangements = 4
	maxText         = 500
)

// Plan is what is declared before the first round.
type Plan struct {
	Name         string         `json:"name"`
	Arrangements []string       `json:"arrangements"` // the first is A, the one others are compared with
	Rounds       int            `json:"rounds"`       // of each arrangement
	Order        Order          `json:"order"`
	Primary      Question       `json:"primary"`
	Section      probes.Section `json:"section"`        // where the questions are asked
	Threshold    float64        `json:"threshold"`      // the difference that matters, as a share of A's median
	LossShare    float64        `json:"loss_threshold"` // and for loss, as a difference of ratios
	Place        string         `json:"place,omitempty"`
	Probes       []string       `json:"probes,omitempty"` // what every round runs, in words; the same from first to last
	Made         time.Time      `json:"made"`
}

// Check refuses a plan that cannot be carried out.
func (p Plan) Check() error {
	switch {
	case p.Name == "" || len(p.Name) > maxText:
		return errors.New("survey: the name is empty or too long")
	case len(p.Arrangements) < 2 || len(p.Arrangements) > MaxArrangements:
		return fmt.Errorf("survey %s: %d arrangements; 2 to %d can be compared", p.Name, len(p.Arrangements), MaxArrangements)
	case p.Rounds < 1 || p.Rounds > MaxRounds:
		return fmt.Errorf("survey %s: %d rounds of each arrangement are not from 1 to %d", p.Name, p.Rounds, MaxRounds)
	case p.Order != Counterbalanced && p.Order != InRuns:
		return fmt.Errorf("survey %s: order %q is neither %q nor %q", p.Name, p.Order, Counterbalanced, InRuns)
	case !slices.Contains(Questions(), p.Primary):
		return fmt.Errorf("survey %s: primary question %q is none of %v", p.Name, p.Primary, Questions())
	case p.Section != probes.Hop && p.Section != probes.Uplink:
		return fmt.Errorf("survey %s: section %q is neither %q nor %q", p.Name, p.Section, probes.Hop, probes.Uplink)
	case !share(p.Threshold) || !share(p.LossShare):
		return fmt.Errorf("survey %s: the difference that matters must be above 0 and up to 1", p.Name)
	case len(p.Probes) > maxFigures || slices.ContainsFunc(p.Probes, func(s string) bool { return len(s) > maxText }):
		return fmt.Errorf("survey %s: too many probes, or one described too long", p.Name)
	case len(p.Place) > maxText:
		return fmt.Errorf("survey %s: the note of the place is longer than %d bytes", p.Name, maxText)
	}
	for i, a := range p.Arrangements {
		if a == "" || len(a) > maxText || slices.Contains(p.Arrangements[:i], a) {
			return fmt.Errorf("survey %s: arrangement %s is empty, too long or named twice", p.Name, Letter(i))
		}
	}
	return nil
}

func share(v float64) bool { return v > 0 && v <= 1 && !math.IsNaN(v) }

// Letter is the short name of an arrangement: A, B, …
func Letter(arrangement int) string { return string(rune('A' + arrangement)) }

// Slots is the order of the rounds: the arrangement of each.
func (p Plan) Slots() []int { return p.slots(p.Rounds) }

func (p Plan) slots(rounds int) []int {
	k := len(p.Arrangements)
	all := make([]int, 0, k*rounds)
	if p.Order == InRuns {
		first, rest := rounds/2, rounds-rounds/2
		for range first {
			all = append(all, 0)
		}
		for a := 1; a < k; a++ {
			for range rounds {
				all = append(all, a)
			}
		}
		for range rest {
			all = append(all, 0)
		}
		return all
	}
	for block := range rounds {
		for i := range k {
			if bits.OnesCount(uint(block))%2 == 1 { // Thue-Morse
				i = k - 1 - i
			}
			all = append(all, i)
		}
	}
	return all
}
