package pack

import (
	"testing"
	"time"
)

func TestLeftNeverSaysMoreThanThereIs(t *testing.T) {
	for d, want := range map[time.Duration]string{
		-time.Minute: "less than 1 min", 0: "less than 1 min", 59 * time.Second: "less than 1 min",
		time.Minute: "1 min", 119*time.Minute + 59*time.Second: "119 min",
		2 * time.Hour: "2 h 00 min", 26*time.Hour + 5*time.Minute + 59*time.Second: "26 h 05 min",
	} {
		if got := Left(d); got != want {
			t.Errorf("%s is worded %q, want %q", d, got, want)
		}
	}
}
