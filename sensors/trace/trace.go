// Package trace reads recorded discharges.
//
// # Model
//
// A trace is comma-separated text with a header that names at least t_s,
// voltage_v and current_a, in any order; temp_c may be missing or empty, and
// further columns are ignored. Times are in seconds, uneven, and never go back.
// Voltage is that of the whole pack in volts; current is in amperes, positive on
// discharge; temperature is in degrees Celsius. Blank lines, CRLF, a byte order
// mark and quoted fields are tolerated.
//
// # Limits
//
// A line has at most 64 KiB and a trace at most MaxRows rows. Reading goes line by
// line. Numbers are plain decimals: NaN, Inf, hexadecimal and decimal commas are
// refused, and so are values that no pack could show.
package trace

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// MaxRows is the largest number of rows Read accepts: 46 days at a row a second.
const MaxRows = 4_000_000

const maxLine = 64 << 10

// Row is one line of a trace.
type Row struct {
	T         time.Duration // as recorded; never less than the row before
	PackV     float64       // V
	PackA     float64       // A, positive on discharge
	TempC     float64       // °C, only where TempKnown
	TempKnown bool
	Line      int // in the file, the header's being 1 where nothing precedes it
}

// Error is a fault of a trace: where, what, and what to do about it.
type Error struct {
	Name         string // of the file
	Line, Column int    // from 1; the column counts bytes
	Problem      string
	Remedy       string
}

func (e *Error) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s; %s", e.Name, e.Line, e.Column, e.Problem, e.Remedy)
}

// Reader reads a trace row by row.
type Reader struct {
	name   string
	in     *bufio.Reader
	line   int
	last   time.Duration
	rows   int
	column map[string]int // position of each known column; nil before the header
}

// NewReader reads from r; name is what errors call it.
func NewReader(r io.Reader, name string) *Reader {
	return &Reader{name: name, in: bufio.NewReaderSize(r, maxLine)}
}

// Read reads a whole trace, which must have at least one row. An error of the
// trace's contents is an *Error.
func Read(r io.Reader, name string) ([]Row, error) {
	tr := NewReader(r, name)
	var rows []Row
	for {
		row, err := tr.Next()
		switch {
		case err == io.EOF && len(rows) == 0:
			return nil, tr.fault(1, "no row follows the header", "record at least one row")
		case err == io.EOF:
			return rows, nil
		case err != nil:
			return nil, err
		}
		rows = append(rows, row)
	}
}

// Next returns the next row, or io.EOF after the last.
func (r *Reader) Next() (Row, error) {
	if r.column == nil {
		if err := r.header(); err != nil {
			return Row{}, err
		}
	}
	fields, err := r.fields()
	if err != nil {
		return Row{}, err
	}
	if r.rows++; r.rows > MaxRows {
		return Row{}, r.fault(1, fmt.Sprintf("more than %d rows", MaxRows), "split the trace or thin it out")
	}
	row := Row{Line: r.line}
	var seconds float64
	for _, c := range [...]struct {
		name   string
		dst    *float64
		lo, hi float64
		unit   string
	}{
		{"t_s", &seconds, -9e9, 9e9, "s"},
		{"voltage_v", &row.PackV, -1000, 1000, "V"},
		{"current_a", &row.PackA, -1e5, 1e5, "A"},
		{"temp_c", &row.TempC, -100, 300, "°C"},
	} {
		at, ok := r.column[c.name]
		if c.name == "temp_c" && (!ok || at >= len(fields) || fields[at].text == "") {
			continue
		}
		if at >= len(fields) {
			return Row{}, r.fault(1, fmt.Sprintf("only %d fields, so there is no %s", len(fields), c.name), "give every column of the header, or delete the line")
		}
		f := fields[at]
		v, ok := number(f.text)
		if !ok {
			return Row{}, r.fault(f.column, fmt.Sprintf("%s is %s, which is not a number", c.name, quote(f.text)), "write a plain decimal such as 12.5, or delete the line")
		}
		if v < c.lo || v > c.hi {
			return Row{}, r.fault(f.column, fmt.Sprintf("%s is %g, outside %g to %g %s", c.name, v, c.lo, c.hi, c.unit), "check the column and its unit")
		}
		*c.dst = v
		row.TempKnown = c.name == "temp_c"
	}
	row.T = time.Duration(math.Round(seconds * float64(time.Second)))
	if r.rows > 1 && row.T < r.last {
		return Row{}, r.fault(fields[r.column["t_s"]].column, fmt.Sprintf("time goes back from %v s to %v s", r.last.Seconds(), row.T.Seconds()), "sort the rows by time, or split the trace here")
	}
	r.last = row.T
	return row, nil
}

// header finds the columns in the first line that is not blank.
func (r *Reader) header() error {
	const remedy = "begin the trace with t_s,voltage_v,current_a,temp_c"
	fields, err := r.fields()
	if err == io.EOF {
		r.line = max(r.line, 1)
		return r.fault(1, "the trace is empty", remedy)
	}
	if err != nil {
		return err
	}
	known := map[string]bool{"t_s": true, "voltage_v": true, "current_a": true, "temp_c": true}
	column := map[string]int{}
	for i, f := range fields {
		if !known[f.text] {
			continue
		}
		if _, twice := column[f.text]; twice {
			return r.fault(f.column, "column "+f.text+" appears twice", "keep one of them")
		}
		column[f.text] = i
	}
	var missing []string
	for _, name := range []string{"t_s", "voltage_v", "current_a"} {
		if _, ok := column[name]; !ok {
			missing = append(missing, name)
		}
	}
	if missing != nil {
		return r.fault(1, "the header has no "+strings.Join(missing, ", "), remedy)
	}
	r.column = column
	return nil
}

type field struct {
	text   string // trimmed, without quotes
	column int    // of its first byte in the line, from 1
}

// fields returns the fields of the next line that is not blank.
func (r *Reader) fields() ([]field, error) {
	for {
		raw, err := r.in.ReadSlice('\n')
		if len(raw) > 0 || err == nil {
			r.line++
		}
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			return nil, r.fault(1, fmt.Sprintf("the line is longer than %d bytes", maxLine), "check that this is a comma-separated trace")
		case err != nil && err != io.EOF:
			return nil, fmt.Errorf("%s:%d: read: %w", r.name, r.line+1, err)
		}
		text := strings.TrimRight(string(raw), "\r\n")
		if r.line == 1 {
			text = strings.TrimPrefix(text, "\ufeff")
		}
		if strings.TrimSpace(text) != "" {
			return r.split(text)
		}
		if err == io.EOF {
			return nil, io.EOF
		}
	}
}

// split cuts a line at its commas, but not inside double quotes.
func (r *Reader) split(line string) ([]field, error) {
	var out []field
	for start, quoted, i := 0, false, 0; i <= len(line); i++ {
		if i < len(line) && line[i] == '"' {
			quoted = !quoted
		}
		if i == len(line) && quoted {
			return nil, r.fault(start+1, "a double quote is never closed", "close it, or delete the line")
		}
		if i < len(line) && (line[i] != ',' || quoted) {
			continue
		}
		raw := line[start:i]
		text := strings.TrimLeft(raw, " \t")
		column := start + len(raw) - len(text) + 1
		text = strings.TrimRight(text, " \t")
		if len(text) >= 2 && text[0] == '"' && text[len(text)-1] == '"' {
			text = strings.TrimSpace(text[1 : len(text)-1])
		}
		out = append(out, field{text, column})
		start = i + 1
	}
	return out, nil
}

func (r *Reader) fault(column int, problem, remedy string) error {
	return &Error{Name: r.name, Line: r.line, Column: column, Problem: problem, Remedy: remedy}
}

// number accepts plain decimals only: strconv alone would let NaN, Inf and
// hexadecimal through.
func number(s string) (float64, bool) {
	if s == "" || strings.Trim(s, "+-.0123456789eE") != "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil
}

// quote shows a field of a broken file without flooding the terminal.
func quote(s string) string {
	const most = 40
	if len(s) > most {
		return strconv.Quote(s[:most]) + " and more"
	}
	return strconv.Quote(s)
}
