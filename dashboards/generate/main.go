// Command generate writes the dashboard's JSON.
package main

import (
	"flag"
	"fmt"
	"os"

	"candlemark/dashboards"
)

func main() {
	out := flag.String("out", "dashboards/relay.json", "file to write")
	flag.Parse()
	b, err := dashboards.JSON()
	if err == nil {
		err = os.WriteFile(*out, b, 0o644)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1)
	}
}
