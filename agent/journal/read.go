package journal

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"

	"go.etcd.io/bbolt"
)

// PackState reads the state of the pack of this name into into; ok is false when
// there is none.
func (j *Journal) PackState(name string, into any) (ok bool, err error) {
	return j.get(bucketPacks, name, into)
}

// Profile reads what was learned about the pack of this identity.
func (j *Journal) Profile(identity string, into any) (ok bool, err error) {
	return j.get(bucketProfiles, identity, into)
}

// State reads a state of the agent's own.
func (j *Journal) State(key string, into any) (ok bool, err error) {
	return j.get(bucketState, key, into)
}

// States reads all states of the agent's own whose key begins with prefix, in the
// order of their keys: what is not yet committed too.
func (j *Journal) States(prefix string, each func(key string, data []byte) error) error {
	all := map[string][]byte{}
	err := guard(func() error {
		return j.db.View(func(tx *bbolt.Tx) error {
			c := tx.Bucket([]byte(bucketState)).Cursor()
			for k, v := c.Seek([]byte(prefix)); k != nil && strings.HasPrefix(string(k), prefix); k, v = c.Next() {
				payload, err := unseal(bucketState, k, v)
				if err != nil {
					return err
				}
				all[string(k)] = slices.Clone(payload) // the file's memory is gone after the transaction
			}
			return nil
		})
	})
	if err != nil {
		return fmt.Errorf("journal %s: read the states %q: %w", j.path, prefix, err)
	}
	j.mu.Lock()
	for _, waiting := range []map[stateKey][]byte{j.writing.states, j.states} {
		for k, data := range waiting {
			if k.bucket == bucketState && strings.HasPrefix(k.key, prefix) {
				all[k.key] = data
				if data == nil { // removed
					delete(all, k.key)
				}
			}
		}
	}
	j.mu.Unlock()
	for _, key := range slices.Sorted(maps.Keys(all)) {
		if err := each(key, all[key]); err != nil {
			return fmt.Errorf("journal %s: state %q: %w", j.path, key, err)
		}
	}
	return nil
}

func (j *Journal) get(bucket, key string, into any) (ok bool, err error) {
	k := stateKey{bucket, key}
	j.mu.Lock()
	data, waiting := j.states[k]
	if !waiting {
		data, waiting = j.writing.states[k]
	}
	j.mu.Unlock()
	if !waiting {
		err = guard(func() error {
			return j.db.View(func(tx *bbolt.Tx) error {
				value := tx.Bucket([]byte(bucket)).Get([]byte(key))
				if value == nil {
					return nil
				}
				payload, err := unseal(bucket, []byte(key), value)
				data = slices.Clone(payload) // the file's memory is gone after the transaction
				return err
			})
		})
	}
	if err == nil && data != nil {
		err = json.Unmarshal(data, into)
	}
	if err != nil {
		return false, fmt.Errorf("journal %s: read %s %q: %w", j.path, bucket, key, err)
	}
	return data != nil, nil
}

// Records reads the activity record, oldest first, with what is not yet committed.
func (j *Journal) Records(f Filter) ([]Record, error) {
	j.mu.Lock()
	waiting := slices.Concat(j.tail.records, j.writing.records, j.records)
	j.mu.Unlock()
	var newest []Record // newest first, until the end
	full := func() bool { return f.Limit > 0 && len(newest) >= f.Limit }
	for _, r := range slices.Backward(waiting) {
		if f.matches(r) && !full() {
			newest = append(newest, r)
		}
	}
	oldestWaiting := uint64(1<<64 - 1)
	if len(waiting) > 0 {
		oldestWaiting = waiting[0].Seq
	}
	err := guard(func() error {
		return j.db.View(func(tx *bbolt.Tx) error {
			c := tx.Bucket([]byte(bucketRecords)).Cursor()
			for k, v := c.Last(); k != nil && !full() && binary.BigEndian.Uint64(k) > f.AfterSeq; k, v = c.Prev() {
				if binary.BigEndian.Uint64(k) >= oldestWaiting { // committed since we looked
					continue
				}
				payload, err := unseal(bucketRecords, k, v)
				if err != nil {
					return err
				}
				var r Record
				if err := json.Unmarshal(payload, &r); err != nil {
					return fmt.Errorf("record %x: %w", k, err)
				}
				if f.matches(r) {
					newest = append(newest, r)
				}
			}
			return nil
		})
	})
	if err != nil {
		return nil, fmt.Errorf("journal %s: read the record: %w", j.path, err)
	}
	slices.Reverse(newest)
	return newest, nil
}

// BootID is the kernel's id of this boot (random(4)).
func BootID() (string, error) {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return "", fmt.Errorf("boot id: %w", err)
	}
	return strings.TrimSpace(string(id)), nil
}

// Identities lists the packs whose profiles the file holds, in order. It is for
// the start: a profile put since is not in it until it was committed.
func (j *Journal) Identities() ([]string, error) {
	var ids []string
	err := guard(func() error {
		return j.db.View(func(tx *bbolt.Tx) error {
			return tx.Bucket([]byte(bucketProfiles)).ForEach(func(k, _ []byte) error {
				ids = append(ids, string(k))
				return nil
			})
		})
	})
	if err != nil {
		return nil, fmt.Errorf("journal %s: list the profiles: %w", j.path, err)
	}
	return ids, nil
}
