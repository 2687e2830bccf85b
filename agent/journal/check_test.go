package journal

import (
	"encoding/binary"
	"hash/fnv"
	"strings"
	"testing"
)

// The tests below build files by hand, as bbolt lays them out, since a file that
// bbolt wrote has none of these faults.

var le = binary.LittleEndian

// metaPages are the two root pages.
func metaPages(root, pages uint64) []byte {
	out := make([]byte, 2*pageSize)
	for id := range uint64(2) {
		page := out[id*pageSize:]
		le.PutUint64(page, id)
		le.PutUint16(page[8:], metaPage)
		m := page[pageHeader:]
		le.PutUint32(m, metaMagic)
		le.PutUint32(m[4:], metaVersion)
		le.PutUint32(m[8:], pageSize)
		le.PutUint64(m[16:], root)
		le.PutUint64(m[32:], 1<<64-1) // no list of free pages
		le.PutUint64(m[40:], pages)
		le.PutUint64(m[48:], id)
		h := fnv.New64a()
		h.Write(m[:56])
		le.PutUint64(m[56:], h.Sum64())
	}
	return out
}

type element struct {
	flags      uint32
	key, value string
	child      uint64
}

// put writes a page of keys.
func put(file []byte, id uint64, flags uint16, elements ...element) {
	page := file[id*pageSize : (id+1)*pageSize]
	clear(page)
	le.PutUint64(page, id)
	le.PutUint16(page[8:], flags)
	le.PutUint16(page[10:], uint16(len(elements)))
	data := pageHeader + len(elements)*elementHeader
	for i, e := range elements {
		at := pageHeader + i*elementHeader
		pos := uint32(data - at)
		if flags == branchPage {
			le.PutUint32(page[at:], pos)
			le.PutUint32(page[at+4:], uint32(len(e.key)))
			le.PutUint64(page[at+8:], e.child)
		} else {
			le.PutUint32(page[at:], e.flags)
			le.PutUint32(page[at+4:], pos)
			le.PutUint32(page[at+8:], uint32(len(e.key)))
			le.PutUint32(page[at+12:], uint32(len(e.value)))
		}
		data += copy(page[data:], e.key+e.value)
	}
}

// leaf is an element whose value is whole.
func leaf(key string) element {
	return element{key: key, value: string(seal("state", []byte(key), []byte("1")))}
}

// bucketAt is a bucket whose root is page id.
func bucketAt(name string, id uint64) element {
	return element{flags: bucketElement, key: name, value: string(le.AppendUint64(le.AppendUint64(nil, id), 0))}
}

// sound is a file of one bucket: page 3 a branch, pages 4 and 5 its leaves.
func sound() []byte {
	file := append(metaPages(2, 7), make([]byte, 5*pageSize)...)
	put(file, 2, leafPage, bucketAt("state", 3))
	put(file, 3, branchPage, element{key: "a", child: 4}, element{key: "c", child: 5})
	put(file, 4, leafPage, leaf("a"), leaf("b"))
	put(file, 5, leafPage, leaf("c"), leaf("d"))
	return file
}

func TestTheCheckerNamesWhatIsWrong(t *testing.T) {
	for _, tt := range []struct {
		name  string
		spoil func(file []byte) []byte
		want  string
	}{
		{"nothing", func(f []byte) []byte { return f }, ""},
		{"short of its last page", func(f []byte) []byte { return f[:6*pageSize] }, "24576 bytes long, but 7 pages of 4096 bytes are in use"},
		{"both root pages", func(f []byte) []byte { f[40], f[40+pageSize] = 9, 9; return f }, "neither root page is whole"},
		{"one root page", func(f []byte) []byte { f[40+pageSize] = 9; return f }, ""},
		{"leaf used twice", func(f []byte) []byte {
			put(f, 3, branchPage, element{key: "a", child: 4}, element{key: "c", child: 4})
			return f
		}, "page 4 is used twice"},
		{"page that leads to itself", func(f []byte) []byte { put(f, 3, branchPage, element{key: "a", child: 3}); return f }, "page 3 is used twice"},
		{"child outside", func(f []byte) []byte { put(f, 3, branchPage, element{key: "a", child: 99}); return f }, "page 99 is outside the file"},
		{"child that is a root page", func(f []byte) []byte { put(f, 3, branchPage, element{key: "a", child: 1}); return f }, "page 1 is outside the file"},
		{"branch without children", func(f []byte) []byte { put(f, 3, branchPage); return f }, "page 3: no page of keys"},
		{"page of another kind", func(f []byte) []byte { f[4*pageSize+8] = 0x10; return f }, "page 4: no page of keys"},
		{"header of another page", func(f []byte) []byte { f[4*pageSize] = 5; return f }, "page 4 has the header of another"},
		{"overflow beyond the file", func(f []byte) []byte { f[4*pageSize+12] = 9; return f }, "page 4 has the header of another"},
		{"more elements than fit", func(f []byte) []byte { le.PutUint16(f[4*pageSize+10:], 300); return f }, "page 4: no page of keys"},
		{"element outside", func(f []byte) []byte { le.PutUint32(f[4*pageSize+pageHeader+4:], 5000); return f }, "page 4: element 0 lies outside"},
		{"keys in the wrong order", func(f []byte) []byte { put(f, 4, leafPage, leaf("b"), leaf("a")); return f }, "page 4: key 61 is out of order"},
		{"key twice", func(f []byte) []byte { put(f, 4, leafPage, leaf("a"), leaf("a")); return f }, "page 4: key 61 is out of order"},
		{"key below its branch", func(f []byte) []byte {
			put(f, 3, branchPage, element{key: "b", child: 4}, element{key: "c", child: 5})
			return f
		}, "page 4: key 61 is out of order"},
		{"key beyond its branch", func(f []byte) []byte {
			put(f, 3, branchPage, element{key: "a", child: 4}, element{key: "b", child: 5})
			return f
		}, "page 4: key 62 is out of order"},
		{"empty key", func(f []byte) []byte { put(f, 4, leafPage, leaf("")); return f }, "page 4: key  is out of order"},
		{"bucket within a bucket", func(f []byte) []byte { put(f, 4, leafPage, bucketAt("a", 6)); return f }, `holds a bucket`},
		{"value outside any bucket", func(f []byte) []byte { put(f, 2, leafPage, leaf("a")); return f }, `"a" is no bucket`},
		{"bucket without a page", func(f []byte) []byte { put(f, 2, leafPage, bucketAt("state", 0)); return f }, `bucket "state" has no page`},
		{"value of another key", func(f []byte) []byte {
			put(f, 4, leafPage, element{key: "a", value: leaf("b").value})
			return f
		}, "checksum of state 61 does not match"},
		{"value of another bucket", func(f []byte) []byte { put(f, 2, leafPage, bucketAt("packs", 3)); return f }, "checksum of packs 61 does not match"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			file := string(tt.spoil(sound()))
			err := checkFile(strings.NewReader(file), int64(len(file)))
			if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
		})
	}
}
