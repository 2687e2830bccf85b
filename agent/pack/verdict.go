package pack

// Verdict is what is thought of a pack's health.
type Verdict string

const (
	VerdictUnknown Verdict = "unknown" // nothing whole was learned yet
	Good           Verdict = "good"
	Tired          Verdict = "tired"
	Retire         Verdict = "retire"
)

// Verdict judges a pack by its earlier discharges, with the reason in words.
func (p *Profile) Verdict(Spec) (Verdict, string) {
	return VerdictUnknown, "no whole discharge was learned yet"
}
