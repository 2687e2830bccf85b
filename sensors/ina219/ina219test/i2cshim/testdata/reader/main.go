// Command reader prints one reading of the sensor at 0x40 on the bus it is told:
// the program that the shim's test runs.
package main

import (
	"encoding/json"
	"fmt"
	"os"

	"candlemark/sensors/ina219"
)

func main() {
	d, err := ina219.Open(ina219.Config{
		Bus: os.Args[1], Address: 0x40, ShuntOhm: 0.01, ShuntTolerance: 0.01, ShuntMaxW: 5,
		MaxExpectedA: 10, Side: ina219.LoadSide, FullV: 21, Grade: ina219.GradeA,
	})
	if err == nil {
		r, e := d.Read()
		if err = e; e == nil {
			err = json.NewEncoder(os.Stdout).Encode(r)
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}
