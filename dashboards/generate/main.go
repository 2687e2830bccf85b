// Command generate writes the dashboards' JSON.
package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"

	"candlemark/dashboards"
)

func main() {
	out := flag.String("out", "dashboards", "folder to write into")
	flag.Parse()
	for _, d := range dashboards.All() {
		b, err := d.JSON()
		if err == nil {
			err = os.WriteFile(filepath.Join(*out, d.File), b, 0o644)
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, "generate:", err)
			os.Exit(1)
		}
	}
}
