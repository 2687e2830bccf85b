package ina219test

import (
	"errors"
	"fmt"
	"sync"

	"periph.io/x/conn/v3/physic"
)

// ErrNACK is what an exchange fails with when nothing acknowledges it.
var ErrNACK = errors.New("remote I/O error")

// Bus is an I2C bus with fake chips on it. It implements i2c.Bus and may be used
// by several goroutines.
type Bus struct {
	mu    sync.Mutex
	name  string
	chips map[uint16]*Chip
	seen  int           // exchanges so far
	fail  map[int]error // by number of exchange, the first being 1
	down  error
}

// NewBus makes a bus with chips on it.
func NewBus(name string, chips ...*Chip) *Bus {
	b := &Bus{name: name, chips: map[uint16]*Chip{}, fail: map[int]error{}}
	for _, c := range chips {
		b.chips[c.addr] = c
	}
	return b
}

// String is the bus's name.
func (b *Bus) String() string { return b.name }

// SetSpeed accepts any speed and ignores it.
func (b *Bus) SetSpeed(physic.Frequency) error { return nil }

// Exchanges is how many transactions have been asked of the bus.
func (b *Bus) Exchanges() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.seen
}

// FailAt makes the nth exchange from now fail with err; 1 is the next one.
func (b *Bus) FailAt(n int, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fail[b.seen+n] = err
}

// FailAll makes every exchange fail with err until it is called with nil: a bus
// held low, an adapter unplugged.
func (b *Bus) FailAll(err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.down = err
}

// Attach puts a chip on the bus, in the place of one with the same address.
func (b *Bus) Attach(c *Chip) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.chips[c.addr] = c
}

// Detach takes the chip at an address off the bus: it no longer acknowledges.
func (b *Bus) Detach(addr uint16) {
	b.mu.Lock()
	defer b.mu.Unlock()
	delete(b.chips, addr)
}

// Tx implements i2c.Bus: w is written, then r is read.
func (b *Bus) Tx(addr uint16, w, r []byte) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.seen++
	if err, ok := b.fail[b.seen]; ok {
		delete(b.fail, b.seen)
		return err
	}
	if b.down != nil {
		return b.down
	}
	c, ok := b.chips[addr]
	if !ok {
		return fmt.Errorf("address 0x%02x: %w", addr, ErrNACK)
	}
	c.tx(w, r)
	return nil
}
