package stamp

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"strings"
	"testing"
	"time"
)

// octets reads hexadecimal written in groups, one line a row of a figure.
func octets(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.Join(strings.Fields(text), ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The figures of RFC 8762, with the SSID of RFC 8972 where it took two octets that
// had to be zero. The fields hold counting octets, so that a swap shows.
const (
	// Figure 2: Session-Sender, unauthenticated.
	openRequest = `
		01020304
		11121314 15161718
		2122 aabb
		00000000 00000000 00000000 00000000 00000000 00000000 00000000`
	// Figure 5: Session-Reflector, unauthenticated.
	openReply = `
		31323334
		41424344 45464748
		5152 aabb
		61626364 65666768
		01020304
		11121314 15161718
		2122 0000
		ff 000000`
	// Figure 3: Session-Sender, authenticated, without the HMAC.
	sealedRequest = `
		01020304
		00000000 00000000 00000000
		11121314 15161718
		2122 aabb
		00000000 00000000 00000000 00000000 00000000 00000000 00000000 00000000
		00000000 00000000 00000000 00000000 00000000 00000000 00000000 00000000
		00000000`
	// Figure 6: Session-Reflector, authenticated, without the HMAC.
	sealedReply = `
		31323334
		00000000 00000000 00000000
		41424344 45464748
		5152 aabb
		00000000
		61626364 65666768
		00000000 00000000
		01020304
		00000000 00000000 00000000
		11121314 15161718
		2122
		0000 00000000
		ff
		000000 00000000 00000000 00000000`
)

func aRequest() request {
	return request{seq: 0x01020304, stamp: 0x1112131415161718, error: 0x2122, ssid: 0xaabb}
}

func aReply() reply {
	sender := aRequest()
	sender.ssid = 0
	return reply{seq: 0x31323334, stamp: 0x4142434445464748, error: 0x5152, ssid: 0xaabb,
		received: 0x6162636465666768, sender: sender, ttl: 255}
}

func withHMAC(b, key []byte) []byte {
	h := hmac.New(sha256.New, key)
	h.Write(b)
	return append(bytes.Clone(b), h.Sum(nil)[:16]...)
}

func TestPacketsLieAsInTheFiguresOfRFC8762(t *testing.T) {
	key := []byte("0123456789abcdef0123456789abcdef")
	for name, c := range map[string]struct {
		put  func([]byte)
		want []byte
		size int
	}{
		"figure 2, sender, open":      {func(b []byte) { aRequest().put(b, nil) }, octets(t, openRequest), 44},
		"figure 5, reflector, open":   {func(b []byte) { aReply().put(b, nil) }, octets(t, openReply), 44},
		"figure 3, sender, sealed":    {func(b []byte) { aRequest().put(b, key) }, withHMAC(octets(t, sealedRequest), key), 112},
		"figure 6, reflector, sealed": {func(b []byte) { aReply().put(b, key) }, withHMAC(octets(t, sealedReply), key), 112},
	} {
		if len(c.want) != c.size {
			t.Fatalf("%s: the figure has %d octets, want %d", name, len(c.want), c.size)
		}
		got := make([]byte, c.size)
		c.put(got)
		if !bytes.Equal(got, c.want) {
			t.Errorf("%s:\n got %x\nwant %x", name, got, c.want)
		}
	}
}

func TestFiguresAreReadBack(t *testing.T) {
	key := []byte("0123456789abcdef0123456789abcdef")
	for name, c := range map[string]struct {
		key        []byte
		asked, got []byte
	}{
		"open":   {nil, octets(t, openRequest), octets(t, openReply)},
		"sealed": {key, withHMAC(octets(t, sealedRequest), key), withHMAC(octets(t, sealedReply), key)},
	} {
		if r, err := parseRequest(c.asked, c.key); err != nil || r != aRequest() {
			t.Errorf("%s: request %+v, %v", name, r, err)
		}
		if r, err := parseReply(c.got, c.key); err != nil || r != aReply() {
			t.Errorf("%s: reply %+v, %v", name, r, err)
		}
	}
}

// RFC 4231 test case 2 in its truncated use: HMAC-SHA-256 of "what do ya want for
// nothing?" with the key "Jefe" begins 5bdcc146 bf60754e 6a042426 089575c7. Here
// the first octets of the packet, which our cut must agree with.
func TestHMACIsCutToItsFirstSixteenOctets(t *testing.T) {
	h := hmac.New(sha256.New, []byte("Jefe"))
	h.Write([]byte("what do ya want for nothing?"))
	if got := hex.EncodeToString(h.Sum(nil)[:sealOctets]); got != "5bdcc146bf60754e6a042426089575c7" {
		t.Errorf("%s", got)
	}
}

func TestSealedPacketsAreRefusedWhenAnyCoveredBitIsFlipped(t *testing.T) {
	key := []byte("0123456789abcdef")
	good := withHMAC(octets(t, sealedRequest), key)
	for bit := range len(good) * 8 {
		b := bytes.Clone(good)
		b[bit/8] ^= 1 << (bit % 8)
		if _, err := parseRequest(b, key); !errors.Is(err, errSeal) {
			t.Fatalf("bit %d flipped: %v", bit, err)
		}
	}
	if _, err := parseRequest(good, []byte("fedcba9876543210")); !errors.Is(err, errSeal) {
		t.Errorf("another key: %v", err)
	}
}

func TestShortAndCorruptPacketsAreRefused(t *testing.T) {
	if _, err := parseRequest(make([]byte, 43), nil); !errors.Is(err, errShort) {
		t.Errorf("43 octets: %v", err)
	}
	if _, err := parseReply(make([]byte, 111), make([]byte, 16)); !errors.Is(err, errShort) {
		t.Errorf("111 octets: %v", err)
	}
	b := octets(t, openReply)
	b[13] = 0 // the multiplier
	if _, err := parseReply(b, nil); !errors.Is(err, errNoSource) {
		t.Errorf("multiplier 0: %v", err)
	}
}

func TestKeysOfImpossibleLengthAreRefused(t *testing.T) {
	for n, good := range map[int]bool{0: false, 15: false, 16: true, 64: true, 65: false} {
		if err := CheckKey(make([]byte, n)); (err == nil) != good {
			t.Errorf("%d octets: %v", n, err)
		}
	}
}

func TestTimestampsOfRFC5905(t *testing.T) {
	// RFC 5905 figure 4: 1 January 1970 is 2,208,988,800 s into era 0; from memory:
	// a half is 0x80000000; era 1 begins 7 February 2036, 06:28:16.
	for name, c := range map[string]struct {
		at   time.Time
		want uint64
	}{
		"1970":          {time.Unix(0, 0), 2_208_988_800 << 32},
		"a half":        {time.Unix(0, 5e8), 2_208_988_800<<32 | 0x80000000},
		"start of era1": {time.Date(2036, 2, 7, 6, 28, 16, 0, time.UTC), 0},
		"before 1970":   {time.Unix(-1, 5e8), 2_208_988_799<<32 | 0x80000000},
	} {
		if got := ntp(c.at.UnixNano()); got != c.want {
			t.Errorf("%s: %#x, want %#x", name, got, c.want)
		}
	}
	if got := between(1<<32, 1<<32|0x40000000, 0); got != 250*time.Millisecond {
		t.Errorf("a quarter of an NTP second is %v", got)
	}
	if got := between(1<<32, 2<<32|250_000_000, truncatedPTP); got != 1250*time.Millisecond {
		t.Errorf("1.25 s of PTP are %v", got)
	}
}

func TestTimestampsRunEvenlyWhenTheClockIsSet(t *testing.T) {
	start := time.Now()
	c := clock{start}
	later := start.Add(3 * time.Second) // keeps its monotonic reading
	if got := between(c.ntp(start), c.ntp(later), 0); got < 3*time.Second-2 || got > 3*time.Second+2 {
		t.Errorf("3 s are %v", got)
	}
}

func TestExtensionsAreAnsweredAsRFC8972Asks(t *testing.T) {
	for name, c := range map[string]struct{ in, want string }{
		"nothing":                         {"", ""},
		"plain padding":                   {"00000000 00000000 0000", "00000000 00000000 0000"},
		"padding too short for a header":  {"ffffff", "ffffff"},
		"extra padding is known":          {"80010004 01020304", "00010004 01020304"},
		"another type is not":             {"80020004 01020304", "80020004 01020304"},
		"nor without the sender's flag":   {"00030000", "80030000"},
		"longer than the packet":          {"80010005 01020304", "40010005 01020304"},
		"unknown and too long":            {"80020005 01020304", "c0020005 01020304"},
		"known then unknown":              {"80010001 ff 80f00002 abcd", "00010001 ff 80f00002 abcd"},
		"a rest too short for a header":   {"80010000 8001", "00010000 c001"},
		"malformed stops what follows it": {"8001ffff 80020000", "4001ffff 80020000"},
	} {
		b := octets(t, c.in)
		answerTLVs(b)
		if !bytes.Equal(b, octets(t, c.want)) {
			t.Errorf("%s: %x, want %s", name, b, c.want)
		}
	}
	b := make([]byte, 10)
	putPadding(b)
	if !bytes.Equal(b, octets(t, "80010006 000000000000")) {
		t.Errorf("padding %x", b)
	}
}

func FuzzPacketsFromOutside(f *testing.F) {
	key := []byte("0123456789abcdef")
	f.Add([]byte{}, false)
	f.Add(make([]byte, 44), false)
	f.Add(make([]byte, 112), true)
	f.Add(append(make([]byte, 44), 0x80, 2, 0, 200), false)
	f.Fuzz(func(t *testing.T, b []byte, authentic bool) {
		var k []byte
		if authentic {
			k = key
			if len(b) >= baseSealed {
				seal(b, k) // so that the fuzzer comes past the check
			}
		}
		if r, err := parseRequest(b, k); err == nil {
			again := make([]byte, layoutOf(k).base)
			r.put(again, k)
			if back, err := parseRequest(again, k); err != nil || back != r {
				t.Errorf("%+v came back as %+v, %v", r, back, err)
			}
		}
		if r, err := parseReply(b, k); err == nil {
			again := make([]byte, layoutOf(k).base)
			r.put(again, k)
			if back, err := parseReply(again, k); err != nil || back != r {
				t.Errorf("%+v came back as %+v, %v", r, back, err)
			}
		}
		if len(b) > baseOpen {
			rest, before := b[baseOpen:], bytes.Clone(b[baseOpen:])
			answerTLVs(rest)
			if len(rest) != len(before) {
				t.Error("the length changed")
			}
		}
	})
}
