package pack

import "fmt"

func (e *Estimator) debug() string {
	if e.ens == nil {
		return ""
	}
	var s string
	var tot float64
	for _, x := range e.ens.total {
		tot += x
	}
	for i, x := range e.ens.total {
		s += fmt.Sprintf(" |%.2f", x/tot)
		if x/tot < 0.1 {
			continue
		}
		c := e.ens.classes[i].cloudOf()
		for k := range c.par {
			m := 0.0
			for j, y := range c.par[k] {
				m += e.ens.w[i][j] * y
			}
			s += fmt.Sprintf(" %.3f", m)
		}
		m := 0.0
		for j, y := range c.res {
			m += e.ens.w[i][j] * y
		}
		s += fmt.Sprintf(" r%.3f", m)
	}
	return s
}
