package config

import "reflect"

// Decode reads a YAML file of another schema into the struct that into points
// to, by the same tags, quantities and strictness as the configuration; name
// stands for the file in faults. check finds what the tags cannot say; it also
// runs where faults were found, and what it reports under a key that has one is
// dropped. Decode's error is a *Faults that holds every fault.
func Decode(data []byte, name string, into any, check func(report func(key, what, remedy string))) error {
	d := &decoder{file: name, faults: &Faults{}, pos: positions{}, meant: map[string]bool{}}
	if root, ok := d.tree(data); ok {
		d.structure(root, reflect.ValueOf(into).Elem(), "")
		check(func(key, what, remedy string) {
			if !d.faults.touches(key) && !d.meant[key] {
				d.fault(d.pos.of(key), key, what, remedy)
			}
		})
	}
	if len(d.faults.List) > 0 {
		d.faults.sort()
		return d.faults
	}
	return nil
}
