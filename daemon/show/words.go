package show

import (
	"fmt"
	"math"
	"time"
)

// Duration says a length of time in its two largest units: "40 s", "12 min", "3 h 20 min",
// "2 d 4 h". Negative lengths read as none.
func Duration(d time.Duration) string {
	d = max(d, 0)
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", d/time.Second)
	case d < time.Hour:
		return fmt.Sprintf("%d min", d/time.Minute)
	case d < 24*time.Hour:
		return twoUnits(int(d/time.Hour), "h", int(d%time.Hour/time.Minute), "min")
	}
	return twoUnits(int(d/(24*time.Hour)), "d", int(d%(24*time.Hour)/time.Hour), "h")
}

func twoUnits(big int, bigWord string, small int, smallWord string) string {
	if small == 0 {
		return fmt.Sprintf("%d %s", big, bigWord)
	}
	return fmt.Sprintf("%d %s %d %s", big, bigWord, small, smallWord)
}

// Age says how long ago something was: "just now" below two seconds, then "40 s ago",
// "3 min ago", "5 h ago", "2 d ago". It is cut, never rounded up.
func Age(d time.Duration) string {
	switch {
	case d < 2*time.Second:
		return "just now"
	case d < time.Minute:
		return fmt.Sprintf("%d s ago", d/time.Second)
	case d < time.Hour:
		return fmt.Sprintf("%d min ago", d/time.Minute)
	case d < 24*time.Hour:
		return fmt.Sprintf("%d h ago", d/time.Hour)
	}
	return fmt.Sprintf("%d d ago", d/(24*time.Hour))
}

// Clock is the time of day in zone, "05:10"; nil is UTC, and a zero time reads "unknown".
func Clock(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return Unknown
	}
	if zone == nil {
		zone = time.UTC
	}
	return t.In(zone).Format("15:04")
}

// Odds says a probability of something hoped for: "9 in 10". It is cut down to the rung
// below and so never promises more than was computed, and neither end is ever certain.
func Odds(p float64) string {
	if math.IsNaN(p) || p < 0 || p > 1 {
		return Unknown
	}
	rungs := [...]struct {
		p    float64
		word string
	}{
		{0.99, "99 in 100"}, {0.95, "19 in 20"}, {0.9, "9 in 10"}, {0.8, "8 in 10"}, {0.7, "7 in 10"}, {0.6, "6 in 10"},
		{0.5, "5 in 10"}, {0.4, "4 in 10"}, {0.3, "3 in 10"}, {0.2, "2 in 10"}, {0.1, "1 in 10"}, {0.05, "1 in 20"}, {0.01, "1 in 100"},
	}
	for _, r := range rungs {
		if p >= r.p-1e-12 { // 0.9 computed as 0.8999999999999999 is 9 in 10
			return r.word
		}
	}
	return "less than 1 in 100"
}
