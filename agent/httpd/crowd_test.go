package httpd

import (
	"io"
	"net"
	"testing"
	"time"
)

func TestWhoAsksForNothingMakesRoom(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &crowd{Listener: inner, most: 3}
	defer c.Close()
	join := func() (client net.Conn, g *guest) {
		client, err := net.Dial("tcp", inner.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { client.Close() })
		conn, err := c.Accept()
		if err != nil {
			t.Fatal(err)
		}
		return client, conn.(*guest)
	}
	ends := func(client net.Conn, within time.Duration) bool {
		_ = client.SetReadDeadline(time.Now().Add(within))
		_, err := client.Read(make([]byte, 1))
		return err == io.EOF
	}
	gone := func(client net.Conn) bool { return ends(client, 20*time.Second) }
	stays := func(client net.Conn) bool { return !ends(client, 50*time.Millisecond) }
	first, one := join()
	second, _ := join()
	third, _ := join()
	one.serve(1)
	fourth, _ := join()
	if !gone(second) || !stays(first) || !stays(third) || !stays(fourth) {
		t.Error("not the oldest that asks for nothing made room")
	}
	for e := c.guests.Front(); e != nil; e = e.Next() {
		e.Value.(*guest).serve(1)
	}
	// Nobody waits idly and nobody has had his time: the newcomer goes. Accept then
	// waits for the next, who finds room because one answer has taken long meanwhile.
	refused, err := net.Dial("tcp", inner.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer refused.Close()
	accepted := make(chan net.Conn, 1)
	go func() {
		if conn, err := c.Accept(); err == nil {
			accepted <- conn
		}
	}()
	if !gone(refused) {
		t.Error("a newcomer was let in where everybody is being answered")
	}
	c.mu.Lock()
	one.since = time.Now().Add(-2 * patience)
	c.mu.Unlock()
	late, err := net.Dial("tcp", inner.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer late.Close()
	(<-accepted).Close()
	if !gone(first) {
		t.Error("the answer that took long did not make room")
	}
	if n := c.guests.Len(); n != 2 {
		t.Errorf("%d connections are counted, want 2", n)
	}
}
