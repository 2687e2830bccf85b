package pack

// SwapSuspected says whether the readings look like another pack than the one
// followed so far, and why.
func (e *Estimator) SwapSuspected() (bool, string) { return false, "" }
