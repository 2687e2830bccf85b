package metered

import (
	"bytes"
	"errors"
	"io"
	"iter"
	"net"
	"sync"
	"testing"
)

func pair(t *testing.T) (near, far net.Conn) {
	t.Helper()
	near, far = net.Pipe()
	t.Cleanup(func() { near.Close(); far.Close() })
	return near, far
}

func open(g *Group) (n int) {
	g.Look(func(open iter.Seq[*Conn]) {
		for range open {
			n++
		}
	})
	return n
}

func TestTheBudgetIsOfAllConnectionsBothWays(t *testing.T) {
	spent := 0
	g := NewGroup(100_000, func() { spent++ }, nil)
	nearA, farA := pair(t)
	nearB, farB := pair(t)
	a, errA := g.Add(nearA)
	b, errB := g.Add(nearB)
	if errA != nil || errB != nil || open(g) != 2 {
		t.Fatal(errA, errB, open(g))
	}
	go io.Copy(io.Discard, farA)
	if n, err := a.Write(make([]byte, 60_000)); n != 60_000 || err != nil || g.Left() != 40_000 || spent != 0 {
		t.Fatalf("%d, %v, %d left, spent %d times", n, err, g.Left(), spent)
	}
	go farB.Write(bytes.Repeat([]byte{7}, 50_000))
	got, err := io.ReadAll(b)
	if len(got) != 40_000 || !errors.Is(err, ErrBudget) || spent != 1 {
		t.Errorf("read %d, %v, spent %d times; want 40000 and the budget's end", len(got), err, spent)
	}
	if n, err := a.Write([]byte{1}); n != 0 || !errors.Is(err, ErrBudget) {
		t.Errorf("wrote %d beyond the budget, %v", n, err)
	}
	if n := g.Close(); n != g.Limit() {
		t.Errorf("carried %d, want %d", n, g.Limit())
	}
}

func TestAWriteIsCutAtTheBudget(t *testing.T) {
	g := NewGroup(20_000, func() {}, nil)
	near, far := pair(t)
	c, err := g.Add(near)
	if err != nil {
		t.Fatal(err)
	}
	var got bytes.Buffer
	var reading sync.WaitGroup
	reading.Go(func() { io.Copy(&got, far) })
	if n, err := c.Write(make([]byte, 50_000)); n != 20_000 || !errors.Is(err, ErrBudget) {
		t.Errorf("wrote %d, %v", n, err)
	}
	g.Close()
	reading.Wait()
	if got.Len() != 20_000 {
		t.Errorf("%d bytes came", got.Len())
	}
}

func TestTheEndOfTheGroupEndsEachAndNoneCanJoin(t *testing.T) {
	var closed []net.Conn
	g := NewGroup(1000, func() {}, func(c net.Conn) { closed = append(closed, c) })
	near, far := pair(t)
	c, err := g.Add(near)
	if err != nil {
		t.Fatal(err)
	}
	byUser, _ := pair(t)
	d, err := g.Add(byUser)
	if err != nil {
		t.Fatal(err)
	}
	if d.Close(); len(closed) != 1 || closed[0] != byUser || open(g) != 1 {
		t.Errorf("told of %v, %d open", closed, open(g))
	}
	if d.Close(); len(closed) != 1 {
		t.Error("told twice of one connection")
	}
	g.Close()
	if _, err := far.Read(make([]byte, 1)); err == nil {
		t.Error("a connection outlives its group")
	}
	if _, err := c.Read(make([]byte, 1)); err == nil || open(g) != 0 {
		t.Errorf("read from an ended connection: %v", err)
	}
	late, lateFar := pair(t)
	if _, err := g.Add(late); !errors.Is(err, ErrOver) {
		t.Errorf("joined after the end: %v", err)
	}
	if _, err := lateFar.Read(make([]byte, 1)); err == nil {
		t.Error("who came too late is left open")
	}
}
