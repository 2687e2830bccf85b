package agent

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// blocking is a task that runs until its context ends and notes when it did.
func blocking(name string, took time.Duration, order *[]string, mu *sync.Mutex) Task {
	return Task{name, func(ctx context.Context) error {
		<-ctx.Done()
		time.Sleep(took)
		mu.Lock()
		*order = append(*order, name)
		mu.Unlock()
		return nil
	}}
}

func TestStagesStopInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var order []string
		var mu sync.Mutex
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		err := runStages(ctx, 10*time.Second,
			[]Task{blocking("sampler", 2*time.Second, &order, &mu)},
			[]Task{blocking("loop", time.Second, &order, &mu)},
			[]Task{blocking("journal", 0, &order, &mu)})
		if err != nil {
			t.Fatal(err)
		}
		if want := []string{"sampler", "loop", "journal"}; !slices.Equal(order, want) {
			t.Errorf("stopped in the order %v, want %v", order, want)
		}
	})
}

func TestTaskThatReturnsEarlyStopsAllAndIsNamed(t *testing.T) {
	for _, c := range []struct {
		what string
		err  error
		want string
	}{
		{"with an error", errors.New("port in use"), "http: port in use"},
		{"without one", nil, "http: returned although nobody stopped it"},
	} {
		t.Run(c.what, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var order []string
				var mu sync.Mutex
				err := runStages(t.Context(), 10*time.Second,
					[]Task{blocking("sampler", 0, &order, &mu)},
					[]Task{{"http", func(context.Context) error { time.Sleep(time.Second); return c.err }}})
				if err == nil || err.Error() != c.want {
					t.Errorf("got %v, want %s", err, c.want)
				}
				if !slices.Equal(order, []string{"sampler"}) {
					t.Errorf("the other task was not stopped: %v", order)
				}
			})
		})
	}
}

func TestStuckStageDoesNotKeepTheNextFromStopping(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		var order []string
		var mu sync.Mutex
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		err := runStages(ctx, 10*time.Second,
			[]Task{{"sampler b", func(context.Context) error { <-release; return nil }}},
			[]Task{blocking("loop", time.Second, &order, &mu)})
		if err == nil || !strings.Contains(err.Error(), "sampler b: did not stop within 5s") {
			t.Errorf("got %v", err)
		}
		if !slices.Equal(order, []string{"loop"}) {
			t.Errorf("the loop was not stopped in order: %v", order)
		}
		close(release)
	})
}

func TestTaskThatDoesNotStopIsNamedAfterTheGrace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		began := time.Now()
		err := runStages(ctx, 10*time.Second, []Task{{"sampler b", func(context.Context) error { <-release; return nil }}})
		if err == nil || !strings.Contains(err.Error(), "sampler b: did not stop within 10s") {
			t.Errorf("got %v", err)
		}
		if took := time.Since(began); took != 10*time.Second {
			t.Errorf("gave up after %s, want 10 s", took)
		}
		close(release)
	})
}
