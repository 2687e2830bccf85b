// Package traffic reads how many bytes have passed over an interface of this board,
// so that a heavy probe can wait until nobody else uses the link.
//
// It reads /sys/class/net/NAME/statistics (Linux, Documentation/ABI/testing/
// sysfs-class-net-statistics). Without a name the interface is that of the default
// route of least metric, from /proc/net/route, looked up anew every half minute, or
// of IPv6's where IPv4 has none.
//
// Limits: what passes the relay without passing this board is not in it.
package traffic

import (
	"bytes"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// lookAgain is how long the default route is believed to stay.
const lookAgain = 30 * time.Second

// Counter reads the counts of one interface. It is not safe for concurrent use.
type Counter struct {
	name   string // "" is that of the default route
	root   string // of the file system; "" outside tests
	found  string
	looked time.Time
}

// New returns a counter of the interface of that name; "" is that of the default route.
func New(name string) *Counter { return &Counter{name: name} }

// Bytes is what has passed both ways since the interface came up; known is false where
// nobody tells. It begins anew with another interface.
func (c *Counter) Bytes() (total uint64, known bool) {
	name := c.name
	if name == "" {
		if c.looked.IsZero() || time.Since(c.looked) >= lookAgain {
			c.found, c.looked = c.defaultRoute(), time.Now()
		}
		name = c.found
	}
	if name == "" {
		return 0, false
	}
	for _, which := range []string{"rx_bytes", "tx_bytes"} {
		n, ok := c.count(name, which)
		if !ok {
			return 0, false
		}
		total += n
	}
	return total, true
}

func (c *Counter) count(name, which string) (uint64, bool) {
	text, err := os.ReadFile(filepath.Join(c.root+"/sys/class/net", filepath.Base(name), "statistics", which))
	if err != nil {
		return 0, false
	}
	n, err := strconv.ParseUint(string(bytes.TrimSpace(text)), 10, 64)
	return n, err == nil
}

// defaultRoute is the interface of the default route, "" where there is none.
func (c *Counter) defaultRoute() string {
	// Iface Destination Gateway Flags RefCnt Use Metric Mask …, in hexadecimal but the metric.
	if text, err := os.ReadFile(c.root + "/proc/net/route"); err == nil {
		if name := least(string(text), 10, func(f []string) (string, string, bool) {
			return f[0], f[6], len(f) >= 8 && f[1] == "00000000" && f[7] == "00000000"
		}); name != "" {
			return name
		}
	}
	// Destination, its prefix, source, its prefix, next hop, metric, references, use, flags, Iface.
	text, err := os.ReadFile(c.root + "/proc/net/ipv6_route")
	if err != nil {
		return ""
	}
	return least(string(text), 16, func(f []string) (string, string, bool) {
		return f[9], f[5], f[1] == "00" && f[9] != "lo"
	})
}

// least is the name of the matching line with the least metric.
func least(text string, base int, match func(fields []string) (name, metric string, ok bool)) (name string) {
	var best uint64
	for line := range strings.Lines(text) {
		fields := strings.Fields(line)
		if len(fields) < 10 {
			continue
		}
		n, metric, ok := match(fields)
		if !ok {
			continue
		}
		m, err := strconv.ParseUint(metric, base, 32)
		if err == nil && (name == "" || m < best) {
			name, best = n, m
		}
	}
	return name
}
