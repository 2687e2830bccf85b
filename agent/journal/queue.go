package journal

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"go.etcd.io/bbolt"
)

// bucketQueues holds what must be delivered, by queue: name of the queue, a zero
// byte, number (8 bytes big-endian) → item.
const bucketQueues = "queues"

func queueKey(queue string, n uint64) string { return queue + "\x00" + string(key(n)) }

// Enqueue keeps v, as JSON, under number n of a queue until Dequeue. Like all that
// is put it is committed with the next batch, together with what was put before it.
func (j *Journal) Enqueue(queue string, n uint64, v any) error {
	return j.put(bucketQueues, queueKey(queue, n), v)
}

// Dequeue removes what Enqueue kept.
func (j *Journal) Dequeue(queue string, n uint64) {
	j.remove(stateKey{bucketQueues, queueKey(queue, n)})
}

// Queued hands what the file holds of a queue to each, in the order of the numbers.
// It is for the start: what was put since is not in it until it was committed.
func (j *Journal) Queued(queue string, each func(n uint64, item []byte)) error {
	prefix := []byte(queue + "\x00")
	err := guard(func() error {
		return j.db.View(func(tx *bbolt.Tx) error {
			c := tx.Bucket([]byte(bucketQueues)).Cursor()
			for k, v := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, v = c.Next() {
				if len(k) != len(prefix)+8 {
					return fmt.Errorf("key %x is no number", k)
				}
				item, err := unseal(bucketQueues, k, v)
				if err != nil {
					return err
				}
				each(binary.BigEndian.Uint64(k[len(prefix):]), bytes.Clone(item))
			}
			return nil
		})
	})
	if err != nil {
		return fmt.Errorf("journal %s: read the queue %q: %w", j.path, queue, err)
	}
	return nil
}
