package alarm

// Machine holds which alarms are active. It is not safe for concurrent use.
type Machine struct{}

// New starts with nothing raised. startID must differ at every start of the agent.
func New(startID string) *Machine { return &Machine{} }

// Resume carries on from what an earlier run saved.
func Resume(startID string, s Saved) *Machine { return &Machine{} }

// Step decides, and returns what changed, most urgent first.
func (m *Machine) Step(in Inputs) []Change { return nil }

// Active lists the raised alarms, most urgent first.
func (m *Machine) Active() []Active { return nil }

// Save returns what Resume needs.
func (m *Machine) Save() Saved { return Saved{} }

// Saved is a Machine's state as plain data for JSON.
type Saved struct{}
