package traffic

import (
	"os"
	"path/filepath"
	"testing"
)

const (
	head  = "Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\t\tMTU\tWindow\tIRTT\n"
	wired = "eth0\t00000000\t0102A8C0\t0003\t0\t0\t100\t00000000\t0\t0\t0\n"
	radio = "wlan0\t00000000\t0103A8C0\t0003\t0\t0\t20\t00000000\t0\t0\t0\n"
	local = "eth1\t0000A8C0\t00000000\t0001\t0\t0\t0\t0000FFFF\t0\t0\t0\n"
	six   = "00000000000000000000000000000000 00 00000000000000000000000000000000 00 fe800000000000000000000000000001 00000400 00000001 00000000 00000003     usb0\n" +
		"00000000000000000000000000000000 00 00000000000000000000000000000000 00 00000000000000000000000000000000 ffffffff 00000001 00000000 00200200       lo\n"
)

// board is a file system with these files.
func board(t *testing.T, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, text := range files {
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

func TestBytesOfTheWayOut(t *testing.T) {
	of := func(name string) map[string]string {
		return map[string]string{
			"sys/class/net/" + name + "/statistics/rx_bytes": "1000\n", "sys/class/net/" + name + "/statistics/tx_bytes": "234\n",
		}
	}
	for name, c := range map[string]struct {
		counts, route, six, asked string
		known                     bool
	}{
		"the only default route":        {"eth0", head + local + wired, "", "", true},
		"the one of least metric":       {"wlan0", head + wired + radio, "", "", true},
		"no default route":              {"eth1", head + local, "", "", false},
		"IPv6 alone":                    {"usb0", head, six, "", true},
		"a name that is configured":     {"eth1", head + wired, "", "eth1", true},
		"one that is not there":         {"eth0", head + wired, "", "eth7", false},
		"nothing known of routes":       {"eth0", "", "", "", false},
		"lines that are cut or strange": {"eth0", head + "eth9 00000000\n" + "eth8\t00000000\t0\t0\t0\t0\tx\t00000000\t0\t0\t0\n" + wired, "", "", true},
		"a name is no path":             {"eth0", head, "", "../../../../etc", false},
	} {
		files := of(c.counts)
		files["proc/net/route"], files["proc/net/ipv6_route"] = c.route, c.six
		counter := New(c.asked)
		counter.root = board(t, files)
		if total, known := counter.Bytes(); known != c.known || known && total != 1234 {
			t.Errorf("%s: %d, known %v", name, total, known)
		}
	}
	if total, known := New("lo").Bytes(); !known {
		t.Errorf("the loopback of this machine: %d, known %v", total, known)
	}
}

func TestACountThatIsNoNumberIsNotKnown(t *testing.T) {
	counter := New("eth0")
	counter.root = board(t, map[string]string{"sys/class/net/eth0/statistics/rx_bytes": "many\n", "sys/class/net/eth0/statistics/tx_bytes": "1\n"})
	if _, known := counter.Bytes(); known {
		t.Error("known")
	}
}
