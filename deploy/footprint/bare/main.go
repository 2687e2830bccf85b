// Command bare is the least exporter: client_golang's default collectors on
// loopback. It is what the agent's memory is measured against.
package main

import (
	"fmt"
	"net"
	"net/http"
	"os"

	"github.com/prometheus/client_golang/prometheus/promhttp"
)

func main() {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err == nil {
		fmt.Println("address=" + l.Addr().String())
		err = http.Serve(l, promhttp.Handler())
	}
	fmt.Fprintln(os.Stderr, "bare:", err)
	os.Exit(1)
}
