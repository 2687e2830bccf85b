package journal

import (
	"encoding/binary"
	"hash/fnv"
)

// putMeta writes a root page as bbolt does.
func putMeta(page []byte, id, root, pages uint64) {
	le := binary.LittleEndian
	le.PutUint64(page, id)
	le.PutUint16(page[8:], metaPage)
	m := page[pageHeader:]
	le.PutUint32(m, metaMagic)
	le.PutUint32(m[4:], metaVersion)
	le.PutUint32(m[8:], pageSize)
	le.PutUint64(m[16:], root)
	le.PutUint64(m[32:], 1<<64-1)
	le.PutUint64(m[40:], pages)
	le.PutUint64(m[48:], id)
	h := fnv.New64a()
	h.Write(m[:56])
	le.PutUint64(m[56:], h.Sum64())
}
