package pack

import (
	"fmt"
	"time"
)

// Left words a remaining time for people, rounded down to the minute: never more
// than there is. Everything that shows a forecast words it here, so that page,
// commands and messages never differ.
func Left(d time.Duration) string {
	m := int64(d / time.Minute)
	switch {
	case m < 1:
		return "less than 1 min"
	case m < 120:
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d h %02d min", m/60, m%60)
}
