package journal

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"hash/fnv"
	"io"
)

// The layout of a bbolt file, version 2 (go.etcd.io/bbolt/internal/common).
// Integers stand in the machine's byte order; all our machines are little-endian.
const (
	pageSize = 4096 // fixed by us: a file must open on a kernel with larger pages too

	pageHeader    = 16 // id u64, flags u16, count u16, overflow u32
	elementHeader = 16 // branch: pos u32, ksize u32, pgid u64; leaf: flags u32, pos u32, ksize u32, vsize u32
	bucketHeader  = 16 // root u64, sequence u64

	branchPage = 0x01
	leafPage   = 0x02
	metaPage   = 0x04

	bucketElement = 0x01

	metaMagic   = 0xED0CDAED
	metaVersion = 2

	deepest = 32 // levels; 100,000 records make 4
)

// seal puts a checksum before a value, since bbolt protects only its two root
// pages. The checksum covers bucket and key too: a value that has moved is wrong.
func seal(bucket string, key, payload []byte) []byte {
	return append(binary.LittleEndian.AppendUint32(nil, sum(bucket, key, payload)), payload...)
}

func unseal(bucket string, key, value []byte) (payload []byte, err error) {
	if len(value) < 4 || binary.LittleEndian.Uint32(value) != sum(bucket, key, value[4:]) {
		return nil, fmt.Errorf("checksum of %s %x does not match", bucket, key)
	}
	return value[4:], nil
}

func sum(bucket string, key, payload []byte) uint32 {
	castagnoli := crc32.MakeTable(crc32.Castagnoli)
	c := crc32.Update(0, castagnoli, []byte(bucket))
	c = crc32.Update(c, castagnoli, key)
	return crc32.Update(c, castagnoli, payload)
}

// checker reads a journal file as plain bytes. It must come before bbolt, which
// maps the file into memory and trusts every offset in it: a short or altered
// file ends the process there, on a goroutine nobody can recover.
type checker struct {
	file  io.ReaderAt
	pages uint64 // in use, by the root page
	seen  map[uint64]bool
	last  []byte // the key before this one in the same bucket
}

// checkFile says whether everything that can be reached in the file is whole.
func checkFile(file io.ReaderAt, size int64) error {
	root, pages, err := newestMeta(file)
	if err != nil {
		return err
	}
	if pages > uint64(size)/pageSize {
		return fmt.Errorf("%d bytes long, but %d pages of %d bytes are in use", size, pages, pageSize)
	}
	c := &checker{file: file, pages: pages, seen: map[uint64]bool{}}
	return c.tree(root, nil, nil, 0, c.bucket)
}

// newestMeta reads the two root pages, which are written in turn, and picks the
// newer one that is whole.
func newestMeta(file io.ReaderAt) (root, pages uint64, err error) {
	newest, found := uint64(0), false
	for id := range int64(2) {
		page := make([]byte, pageSize)
		if _, err := file.ReadAt(page, id*pageSize); err != nil {
			if errors.Is(err, io.EOF) {
				return 0, 0, errors.New("too short to be a journal")
			}
			return 0, 0, fmt.Errorf("read root page %d: %w", id, err)
		}
		m := page[pageHeader:]
		hash := fnv.New64a()
		hash.Write(m[:56])
		whole := binary.LittleEndian.Uint64(page) == uint64(id) && binary.LittleEndian.Uint16(page[8:]) == metaPage &&
			binary.LittleEndian.Uint32(m) == metaMagic && binary.LittleEndian.Uint32(m[4:]) == metaVersion &&
			binary.LittleEndian.Uint32(m[8:]) == pageSize && binary.LittleEndian.Uint64(m[56:]) == hash.Sum64()
		if tx := binary.LittleEndian.Uint64(m[48:]); whole && (!found || tx > newest) {
			newest, found = tx, true
			root, pages = binary.LittleEndian.Uint64(m[16:]), binary.LittleEndian.Uint64(m[40:])
		}
	}
	if !found {
		return 0, 0, errors.New("neither root page is whole")
	}
	return root, pages, nil
}

// tree walks the pages below id, whose keys must lie in [low, high); a nil bound
// is none. Each leaf element goes to leaf.
func (c *checker) tree(id uint64, low, high []byte, depth int, leaf func(flags uint32, key, value []byte) error) error {
	if depth > deepest {
		return fmt.Errorf("page %d lies more than %d levels deep", id, deepest)
	}
	page, err := c.page(id)
	if err != nil {
		return err
	}
	if err := c.elements(page, low, high, depth, leaf); err != nil {
		return fmt.Errorf("page %d: %w", id, err)
	}
	return nil
}

// page reads page id with its overflow, once only.
func (c *checker) page(id uint64) ([]byte, error) {
	if id < 2 || id >= c.pages {
		return nil, fmt.Errorf("page %d is outside the file", id)
	}
	head := make([]byte, pageHeader)
	if _, err := c.file.ReadAt(head, int64(id)*pageSize); err != nil {
		return nil, fmt.Errorf("read page %d: %w", id, err)
	}
	more := uint64(binary.LittleEndian.Uint32(head[12:]))
	if binary.LittleEndian.Uint64(head) != id || id+more >= c.pages {
		return nil, fmt.Errorf("page %d has the header of another", id)
	}
	for i := id; i <= id+more; i++ {
		if c.seen[i] {
			return nil, fmt.Errorf("page %d is used twice", i)
		}
		c.seen[i] = true
	}
	page := make([]byte, (more+1)*pageSize)
	if _, err := c.file.ReadAt(page, int64(id)*pageSize); err != nil {
		return nil, fmt.Errorf("read page %d: %w", id, err)
	}
	return page, nil
}

// elements walks one page, which may also be one that stands within a value.
func (c *checker) elements(page, low, high []byte, depth int, leaf func(flags uint32, key, value []byte) error) error {
	flags, count := binary.LittleEndian.Uint16(page[8:]), int(binary.LittleEndian.Uint16(page[10:]))
	if flags != branchPage && flags != leafPage || pageHeader+count*elementHeader > len(page) || flags == branchPage && count == 0 {
		return fmt.Errorf("no page of keys (flags %#x, %d elements)", flags, count)
	}
	type child struct {
		key []byte
		id  uint64
	}
	var children []child
	for i := range count {
		at := pageHeader + i*elementHeader
		e := page[at:]
		if flags == branchPage {
			key, _, ok := cut(page, at, binary.LittleEndian.Uint32(e), binary.LittleEndian.Uint32(e[4:]), 0)
			if !ok {
				return fmt.Errorf("element %d lies outside", i)
			}
			children = append(children, child{key, binary.LittleEndian.Uint64(e[8:])})
			continue
		}
		key, value, ok := cut(page, at, binary.LittleEndian.Uint32(e[4:]), binary.LittleEndian.Uint32(e[8:]), binary.LittleEndian.Uint32(e[12:]))
		if !ok {
			return fmt.Errorf("element %d lies outside", i)
		}
		if len(key) == 0 || c.last != nil && bytes.Compare(key, c.last) <= 0 ||
			low != nil && bytes.Compare(key, low) < 0 || high != nil && bytes.Compare(key, high) >= 0 {
			return fmt.Errorf("key %x is out of order", key)
		}
		c.last = key
		if err := leaf(binary.LittleEndian.Uint32(e), key, value); err != nil {
			return err
		}
	}
	for i, ch := range children {
		upper := high
		if i+1 < len(children) {
			upper = children[i+1].key
		}
		if err := c.tree(ch.id, ch.key, upper, depth+1, leaf); err != nil {
			return err
		}
	}
	return nil
}

// cut takes key and value out of a page; their offset counts from the element.
func cut(page []byte, at int, pos, keySize, valueSize uint32) (key, value []byte, ok bool) {
	start := uint64(at) + uint64(pos)
	middle := start + uint64(keySize)
	end := middle + uint64(valueSize)
	if end > uint64(len(page)) {
		return nil, nil, false
	}
	return page[start:middle], page[middle:end], true
}

// bucket checks one bucket, which is a leaf element of the root.
func (c *checker) bucket(flags uint32, name, value []byte) error {
	if flags != bucketElement || len(value) < bucketHeader {
		return fmt.Errorf("%q is no bucket", name)
	}
	outer := c.last
	c.last = nil
	defer func() { c.last = outer }()
	leaf := func(flags uint32, key, value []byte) error {
		if flags != 0 {
			return fmt.Errorf("bucket %q holds a bucket", name)
		}
		_, err := unseal(string(name), key, value)
		if string(name) == bucketSamples || string(name) == bucketSeries || string(name) == bucketRecent && len(key) > 8 && key[8] == recentSamples {
			// A batch that decayed is left out when it is read. It is no reason to
			// put away what is known of packs and alarms.
			return nil
		}
		return err
	}
	if root := binary.LittleEndian.Uint64(value); root != 0 {
		return c.tree(root, nil, nil, 0, leaf)
	}
	// A small bucket's only page stands within the value.
	inline := value[bucketHeader:]
	if len(inline) < pageHeader || binary.LittleEndian.Uint16(inline[8:]) != leafPage {
		return fmt.Errorf("bucket %q has no page", name)
	}
	return c.elements(inline, nil, nil, 0, leaf)
}
