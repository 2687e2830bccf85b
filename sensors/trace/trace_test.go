package trace_test

import (
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"

	"candlemark/sensors/trace"
)

func TestRead(t *testing.T) {
	s := time.Second
	plain := []trace.Row{
		{T: 0, PackV: 20.5, PackA: 3, TempC: 21.5, TempKnown: true, Line: 2},
		{T: 1500 * time.Millisecond, PackV: 20.4, PackA: -0.25, Line: 3},
	}
	tests := []struct {
		name, in string
		want     []trace.Row
	}{
		{"plain", "t_s,voltage_v,current_a,temp_c\n0,20.5,3,21.5\n1.5,20.4,-0.25,\n", plain},
		{"no newline at the end", "t_s,voltage_v,current_a,temp_c\n0,20.5,3,21.5\n1.5,20.4,-0.25,", plain},
		{"CRLF and a byte order mark", "\ufefft_s,voltage_v,current_a,temp_c\r\n0,20.5,3,21.5\r\n1.5,20.4,-0.25,\r\n", plain},
		{"columns by name, extra columns", "note,temp_c,current_a,voltage_v,t_s\n\"a, b\",21.5,3,20.5,0\nx,,-0.25,20.4,1.5\n", plain},
		{"spaces and quotes", " t_s , voltage_v,current_a, temp_c\n\"0\", 20.5 ,3,\" 21.5\"\n1.5,2.04e1,-.25\n", plain},
		{"no temperature column", "t_s,voltage_v,current_a\n5,12,1\n", []trace.Row{{T: 5 * s, PackV: 12, PackA: 1, Line: 2}}},
		{"blank lines", "\n\nt_s,voltage_v,current_a\n\n5,12,1\n \n", []trace.Row{{T: 5 * s, PackV: 12, PackA: 1, Line: 5}}},
		{"time rounded to the nanosecond", "t_s,voltage_v,current_a\n1.001,12,1\n", []trace.Row{{T: 1001 * time.Millisecond, PackV: 12, PackA: 1, Line: 2}}},
		{"equal times", "t_s,voltage_v,current_a\n5,12,1\n5,11,1\n", []trace.Row{{T: 5 * s, PackV: 12, PackA: 1, Line: 2}, {T: 5 * s, PackV: 11, PackA: 1, Line: 3}}},
	}
	for _, tt := range tests {
		got, err := trace.Read(strings.NewReader(tt.in), "run.csv")
		if d := cmp.Diff(tt.want, got); err != nil || d != "" {
			t.Errorf("%s: %v\n%s", tt.name, err, d)
		}
	}
}

func TestReadRefuses(t *testing.T) {
	const head = "t_s,voltage_v,current_a,temp_c\n"
	for _, tt := range []struct{ name, in, want string }{
		{"nothing", "", "run.csv:1:1: the trace is empty; begin the trace with t_s,voltage_v,current_a,temp_c"},
		{"header only", head, "run.csv:1:1: no row follows the header"},
		{"no header", "0,12,1,20\n", "run.csv:1:1: the header has no t_s, voltage_v, current_a"},
		{"misspelt column", "t_s,volts,current_a\n", "run.csv:1:1: the header has no voltage_v"},
		{"column twice", "t_s,voltage_v,voltage_v,current_a\n", "run.csv:1:15: column voltage_v appears twice"},
		{"not a number", head + "0,12,1,20\n1,abc,1,20\n", `run.csv:3:3: voltage_v is "abc", which is not a number; write a plain decimal`},
		{"NaN", head + "0,12,NaN,20\n", `run.csv:2:6: current_a is "NaN"`},
		{"infinity", head + "0,+Inf,1,20\n", `run.csv:2:3: voltage_v is "+Inf"`},
		{"too large for a float", head + "0,1e999,1,20\n", `run.csv:2:3: voltage_v is "1e999"`},
		{"hexadecimal", head + "0x1p3,12,1,20\n", `run.csv:2:1: t_s is "0x1p3"`},
		{"absurd voltage", head + "0,1e6,1,20\n", "run.csv:2:3: voltage_v is 1e+06, outside -1000 to 1000 V; check the column and its unit"},
		{"absurd temperature", head + "0,12,1,2000\n", "run.csv:2:8: temp_c is 2000, outside -100 to 300 °C"},
		{"empty voltage", head + "0,,1,20\n", `run.csv:2:3: voltage_v is ""`},
		{"row cut short", head + "0,12\n", "run.csv:2:1: only 2 fields, so there is no current_a"},
		{"time goes back", head + "10,12,1,20\n\n9.5,12,1,20\n", "run.csv:4:1: time goes back from 10 s to 9.5 s; sort the rows"},
		{"open quote", head + "0,\"12,1,20\n", "run.csv:2:3: a double quote is never closed"},
		{"endless line", head + strings.Repeat("1,", 40_000), "run.csv:2:1: the line is longer than 65536 bytes"},
		{"binary", "\x7fELF\x00\x01\n", "run.csv:1:1: the header has no"},
	} {
		rows, err := trace.Read(strings.NewReader(tt.in), "run.csv")
		var te *trace.Error
		if rows != nil || !errors.As(err, &te) || !strings.HasPrefix(err.Error(), tt.want) {
			t.Errorf("%s: %v, %v\nwant %s", tt.name, rows, err, tt.want)
		}
	}
}

func TestReadPassesOnAReadersError(t *testing.T) {
	boom := errors.New("boom")
	in := io.MultiReader(strings.NewReader("t_s,voltage_v,current_a\n1,12,1\n"), iotest.ErrReader(boom))
	if _, err := trace.Read(in, "run.csv"); !errors.Is(err, boom) || !strings.Contains(err.Error(), "run.csv:3: read:") {
		t.Errorf("%v", err)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("t_s,voltage_v,current_a,temp_c\n0,20.5,3,21.5\n1.5,20.4,-0.25,\n"))
	f.Add([]byte("\ufeffcurrent_a,t_s,x,voltage_v\r\n1,-2,\"a,b\",3\r\n\r\n"))
	f.Add([]byte("t_s,voltage_v,current_a\n1,2\n"))
	f.Add([]byte("t_s,voltage_v,current_a\n1e308,nan,\"\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		rows, err := trace.Read(strings.NewReader(string(b)), "run.csv")
		if err != nil {
			var te *trace.Error
			if !errors.As(err, &te) || te.Line < 1 || te.Column < 1 || te.Remedy == "" || rows != nil {
				t.Fatalf("%d rows, %#v", len(rows), err)
			}
			return
		}
		for i, r := range rows {
			if i > 0 && r.T < rows[i-1].T {
				t.Fatalf("time goes back at row %d", i)
			}
			for _, v := range []float64{r.PackV, r.PackA, r.TempC} {
				if math.IsNaN(v) || math.IsInf(v, 0) {
					t.Fatalf("row %d: %+v", i, r)
				}
			}
		}
	})
}
