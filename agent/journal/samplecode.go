package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// Bounds of what is decoded, and so of what is encoded.
const (
	maxSeries      = 8192    // of a chapter
	maxSeriesBytes = 4 << 10 // of one series' name and labels
	maxBatch       = 1024    // gatherings
	sampleFormat   = 1
	upUnit         = time.Millisecond // uptimes in the file; remote write knows no finer time
)

// chapter is the table of series that a run of batches refers to. It stands once
// in the file for all of them, since names and labels outweigh the figures.
type chapter struct {
	number uint64
	boot   string
	series []string // sorted
}

// encode writes the table with each series' beginning that it shares with the one
// before left out.
func (c *chapter) encode() []byte {
	out := append([]byte{sampleFormat}, binary.AppendUvarint(nil, uint64(len(c.boot)))...)
	out = append(out, c.boot...)
	out = binary.AppendUvarint(out, uint64(len(c.series)))
	before := ""
	for _, s := range c.series {
		same := 0
		for same < len(s) && same < len(before) && s[same] == before[same] {
			same++
		}
		out = binary.AppendUvarint(out, uint64(same))
		out = binary.AppendUvarint(out, uint64(len(s)-same))
		out = append(out, s[same:]...)
		before = s
	}
	return out
}

func decodeChapter(number uint64, data []byte) (*chapter, error) {
	r := reader{rest: data}
	r.format()
	c := &chapter{number: number, boot: string(r.bytes(r.count(maxNameBytes)))}
	n := r.count(maxSeries)
	before := ""
	for range n {
		same := r.count(len(before))
		more := r.bytes(r.count(maxSeriesBytes - same))
		if r.err != nil {
			break
		}
		before = before[:same] + string(more)
		c.series = append(c.series, before)
	}
	if err := r.end(); err != nil {
		return nil, fmt.Errorf("series table %d: %w", number, err)
	}
	return c, nil
}

// batchHead is what can be told of a batch without its chapter.
type batchHead struct {
	chapter             uint64
	gatherings, samples int
}

// encodeBatch writes gatherings whose series are all in c. A figure is kept as
// what changed of its bits since the one before of its series in this batch, so
// that most of those that stand still take one bit.
func encodeBatch(c *chapter, index map[string]int, gs []Gathering) []byte {
	total := 0
	for _, g := range gs {
		total += len(g.Series)
	}
	out := binary.AppendUvarint([]byte{sampleFormat}, c.number)
	out = binary.AppendUvarint(out, uint64(len(gs)))
	out = binary.AppendUvarint(out, uint64(total))
	before := make([]uint64, len(c.series))
	last := int64(0)
	for _, g := range gs {
		up := int64(g.Up / upUnit)
		out = binary.AppendVarint(out, up-last)
		last = up
		present := make([]byte, bytesFor(len(c.series)))
		values := make(map[int]uint64, len(g.Series))
		for i, s := range g.Series {
			at := index[s]
			present[at/8] |= 1 << (at % 8)
			values[at] = math.Float64bits(g.Values[i])
		}
		out = append(out, present...)
		changed := make([]byte, bytesFor(len(g.Series)))
		var figures []byte
		n := 0
		for at := range c.series {
			bits, ok := values[at]
			if !ok {
				continue
			}
			if x := bits ^ before[at]; x != 0 {
				changed[n/8] |= 1 << (n % 8)
				figures = appendBits(figures, x)
				before[at] = bits
			}
			n++
		}
		out = append(append(out, changed...), figures...)
	}
	return out
}

func bytesFor(bits int) int { return (bits + 7) / 8 }

// appendBits writes x, which is not 0, without the zero bytes at its ends. The
// first byte counts them.
func appendBits(out []byte, x uint64) []byte {
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], x)
	lead, trail := 0, 0
	for b[lead] == 0 {
		lead++
	}
	for b[7-trail] == 0 {
		trail++
	}
	return append(append(out, byte(lead<<4|trail)), b[lead:8-trail]...)
}

func decodeHead(data []byte) (batchHead, *reader, error) {
	r := &reader{rest: data}
	r.format()
	h := batchHead{chapter: r.uvarint(), gatherings: r.count(maxBatch), samples: r.count(maxBatch * maxSeries)}
	if r.err == nil && h.gatherings == 0 {
		r.err = errors.New("no gathering in it")
	}
	return h, r, r.err
}

// decodeBatch reads the batch whose last gathering has the number last.
func decodeBatch(c *chapter, last uint64, data []byte) ([]Gathering, error) {
	h, r, err := decodeHead(data)
	if err != nil {
		return nil, err
	}
	if last < uint64(h.gatherings) {
		return nil, fmt.Errorf("%d gatherings up to number %d", h.gatherings, last)
	}
	gs := make([]Gathering, 0, h.gatherings)
	before := make([]uint64, len(c.series))
	up, total := int64(0), 0
	for i := range h.gatherings {
		up += r.varint()
		g := Gathering{Seq: last - uint64(h.gatherings-1-i), Boot: c.boot, Up: time.Duration(up) * upUnit}
		present := r.bytes(bytesFor(len(c.series)))
		if r.err != nil {
			return nil, r.err
		}
		if up < 0 || up > math.MaxInt64/int64(upUnit) {
			return nil, fmt.Errorf("uptime of %d ms", up)
		}
		var at []int
		for s := range c.series {
			if present[s/8]&(1<<(s%8)) != 0 {
				at = append(at, s)
			}
		}
		changed := r.bytes(bytesFor(len(at)))
		if r.err != nil {
			return nil, r.err
		}
		g.Series, g.Values = make([]string, len(at)), make([]float64, len(at))
		for n, s := range at {
			if changed[n/8]&(1<<(n%8)) != 0 {
				before[s] ^= r.bits()
			}
			g.Series[n], g.Values[n] = c.series[s], math.Float64frombits(before[s])
		}
		total += len(at)
		gs = append(gs, g)
	}
	if err := r.end(); err != nil {
		return nil, err
	}
	if total != h.samples {
		return nil, fmt.Errorf("%d samples, not %d", total, h.samples)
	}
	return gs, nil
}

// reader takes bytes apart. After its first error it gives zeros.
type reader struct {
	rest []byte
	err  error
}

func (r *reader) fail(what string) {
	if r.err == nil {
		r.err = errors.New(what)
	}
	r.rest = nil
}

func (r *reader) format() {
	if b := r.bytes(1); len(b) == 1 && b[0] != sampleFormat {
		r.fail(fmt.Sprintf("written in format %d", b[0]))
	}
}

func (r *reader) uvarint() uint64 {
	v, n := binary.Uvarint(r.rest)
	if n <= 0 {
		r.fail("a number is cut short")
		return 0
	}
	r.rest = r.rest[n:]
	return v
}

func (r *reader) varint() int64 {
	v := r.uvarint()
	x := int64(v >> 1)
	if v&1 != 0 {
		x = ^x
	}
	return x
}

// count reads a number of at most limit.
func (r *reader) count(limit int) int {
	v := r.uvarint()
	if v > uint64(max(limit, 0)) {
		r.fail(fmt.Sprintf("a count of %d is beyond %d", v, limit))
		return 0
	}
	return int(v)
}

func (r *reader) bytes(n int) []byte {
	if n > len(r.rest) {
		r.fail("it is cut short")
		return nil
	}
	b := r.rest[:n]
	r.rest = r.rest[n:]
	return b
}

func (r *reader) bits() uint64 {
	head := r.bytes(1)
	if len(head) == 0 {
		return 0
	}
	lead, trail := int(head[0]>>4), int(head[0]&15)
	if lead+trail > 7 {
		r.fail("a figure of no bytes")
		return 0
	}
	var b [8]byte
	copy(b[lead:], r.bytes(8-lead-trail))
	return binary.BigEndian.Uint64(b[:])
}

func (r *reader) end() error {
	if r.err == nil && len(r.rest) > 0 {
		r.err = fmt.Errorf("%d bytes too many", len(r.rest))
	}
	return r.err
}

// chapterFor returns the table for gs: the present one, or a new one where a
// series is not in it or it is of another boot.
func chapterFor(now *chapter, index map[string]int, boot string, gs []Gathering) (*chapter, map[string]int) {
	used := map[string]bool{}
	missing := now == nil || now.boot != boot
	for _, g := range gs {
		for _, s := range g.Series {
			used[s] = true
			if _, ok := index[s]; !ok {
				missing = true
			}
		}
	}
	if !missing {
		return now, index
	}
	next := &chapter{boot: boot}
	if now != nil {
		next.number = now.number + 1
		// Series come and go, as a link does. They are carried over, so that the
		// same is not written again each time, unless they outnumber what is used.
		if total := len(now.series) + len(used); now.boot == boot && total <= maxSeries && len(now.series) <= 2*len(used) {
			for _, s := range now.series {
				used[s] = true
			}
		}
	}
	for s := range used {
		next.series = append(next.series, s)
	}
	slices.Sort(next.series)
	return next, indexOf(next.series)
}

func indexOf(series []string) map[string]int {
	index := make(map[string]int, len(series))
	for i, s := range series {
		index[s] = i
	}
	return index
}
