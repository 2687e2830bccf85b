package main

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// plotted replays with --plot and returns the picture's elements by class.
func plotted(t *testing.T, args ...string) map[string][]map[string]string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "plot.svg")
	var b bytes.Buffer
	if code := execute(t.Context(), append([]string{"replay", "--plot", file}, args...), &b, &b); code != 0 {
		t.Fatalf("exit code %d: %s", code, b.String())
	}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string][]map[string]string{}
	for d := xml.NewDecoder(bytes.NewReader(data)); ; {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			return found
		}
		if err != nil {
			t.Fatalf("not well formed: %v", err)
		}
		if e, ok := tok.(xml.StartElement); ok {
			attrs := map[string]string{}
			for _, a := range e.Attr {
				attrs[a.Name.Local] = a.Value
			}
			found[attrs["class"]] = append(found[attrs["class"]], attrs)
		}
	}
}

func points(t *testing.T, text string) (out [][2]float64) {
	t.Helper()
	for _, f := range strings.Fields(text) {
		var p [2]float64
		if _, err := fmt.Sscanf(f, "%g,%g", &p[0], &p[1]); err != nil {
			t.Fatalf("point %q: %v", f, err)
		}
		out = append(out, p)
	}
	return out
}

func TestThePlotShowsTheForecastWithinItsRangeAndTheTruthDownToZero(t *testing.T) {
	found := plotted(t, "--pack", top+"/testdata/pack.yaml", "--learn", top+"/testdata/earlier.csv", "--trace", top+"/testdata/discharge.csv")
	if len(found["range"]) == 0 || len(found["expected"]) != len(found["range"]) || len(found["truth"]) != 1 || len(found["alarm"]) < 2 {
		t.Fatalf("%d ranges, %d lines, %d truths, %d alarms", len(found["range"]), len(found["expected"]), len(found["truth"]), len(found["alarm"]))
	}
	if end, err := strconv.ParseFloat(found["truth"][0]["y2"], 64); err != nil || end != plotBottom || found["truth"][0]["x2"] != fmt.Sprintf("%.1f", float64(plotRight)) {
		t.Errorf("the truth ends at %s,%s: not at no time left", found["truth"][0]["x2"], found["truth"][0]["y2"])
	}
	near := 0
	for i, r := range found["range"] {
		band, line := points(t, r["points"]), points(t, found["expected"][i]["points"])
		if len(band) != 2*len(line) {
			t.Fatalf("the band has %d points, the line %d", len(band), len(line))
		}
		for k, p := range line {
			high, low := band[k], band[len(band)-1-k]
			// Upwards is more time, and less y.
			if high[1] > p[1] || p[1] > low[1] || high[0] != p[0] || low[0] != p[0] {
				t.Errorf("at x %g expected %g is not between %g and %g", p[0], p[1], low[1], high[1])
			}
			// The truth is the straight line from the upper left to the lower right.
			x := (p[0] - plotLeft) / (plotRight - plotLeft)
			if y := plotBottom - (plotBottom-plotTop)/1.25*(1-x); y >= high[1]-1 && y <= low[1]+1 {
				near++
			}
		}
		if near < len(line)/2 {
			t.Errorf("the range holds the truth at %d of %d points", near, len(line))
		}
	}
}

func TestNothingIsDrawnOfARecordingThatHasNothing(t *testing.T) {
	dir := t.TempDir()
	trace := filepath.Join(dir, "short.csv")
	if err := os.WriteFile(trace, []byte("t_s,voltage_v,current_a,temp_c\n0,18,1,20\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	code := execute(t.Context(), []string{"replay", "--pack", top + "/testdata/pack.yaml", "--trace", trace, "--plot", filepath.Join(dir, "p.svg")}, &b, &b)
	if code != exitFailure || !strings.Contains(b.String(), "too few rows") {
		t.Errorf("exit code %d: %s", code, b.String())
	}
	if _, err := os.Stat(filepath.Join(dir, "p.svg")); err == nil {
		t.Error("a picture was written all the same")
	}
}
