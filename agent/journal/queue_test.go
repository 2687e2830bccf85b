package journal

import (
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.etcd.io/bbolt"
)

func queued(t *testing.T, j *Journal, queue string) []string {
	t.Helper()
	var out []string
	if err := j.Queued(queue, func(n uint64, item []byte) { out = append(out, fmt.Sprint(n, " ", string(item))) }); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestQueuesAreKeptInOrderAndApart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{})
	for _, n := range []uint64{300, 1, 2, 255} {
		if err := j.Enqueue("mail", n, n); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Enqueue("mail2", 7, "other"); err != nil { // a name that begins with another
		t.Fatal(err)
	}
	if err := j.Flush(); err != nil {
		t.Fatal(err)
	}
	j.Dequeue("mail", 2)
	j.Dequeue("mail", 99) // never there
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, path, Options{})
	if diff := cmp.Diff([]string{"1 1", "255 255", "300 300"}, queued(t, j, "mail")); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{`7 "other"`}, queued(t, j, "mail2")); diff != "" {
		t.Error(diff)
	}
}

func TestWhatIsEndedBeforeItWasWrittenIsNotWritten(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{})
	if err := j.Enqueue("mail", 1, "x"); err != nil {
		t.Fatal(err)
	}
	j.Dequeue("mail", 1)
	if err := j.Flush(); err != nil {
		t.Fatal(err)
	}
	if got := queued(t, j, "mail"); got != nil {
		t.Errorf("kept %v", got)
	}
}

// A file from before there were queues loses nothing of what it has.
func TestAFileWithoutQueuesIsTakenOverWhole(t *testing.T) {
	path := filepath.Join(t.TempDir(), "j.db")
	j := open(t, path, Options{})
	if _, err := j.AppendNow(Record{Kind: KindNote, Text: "from before"}); err != nil {
		t.Fatal(err)
	}
	if err := j.db.Update(func(tx *bbolt.Tx) error { return tx.DeleteBucket([]byte(bucketQueues)) }); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, path, Options{})
	if records, err := j.Records(Filter{}); err != nil || len(records) != 1 || records[0].Text != "from before" {
		t.Errorf("records %v, %v", records, err)
	}
	if err := j.Enqueue("mail", 1, "x"); err != nil {
		t.Fatal(err)
	}
	if err := j.Flush(); err != nil {
		t.Fatal(err)
	}
}

func TestAFlushWaitsNoLongerThanItIsTold(t *testing.T) {
	j := open(t, filepath.Join(t.TempDir(), "j.db"), Options{})
	if err := j.FlushWithin(time.Minute); err != nil {
		t.Error(err)
	}
	j.committing.Lock() // as a disk that hangs does
	if err := j.FlushWithin(10 * time.Millisecond); !errors.Is(err, errSlow) {
		t.Errorf("%v", err)
	}
	j.committing.Unlock()
}
