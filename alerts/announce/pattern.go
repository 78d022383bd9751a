package announce

import (
	"time"

	"frostline/alerts"
)

// step is one stretch of a pattern.
type step struct {
	on  bool
	dur time.Duration
}

// pattern is what a line plays. It repeats until another takes its place, unless once.
type pattern struct {
	key   string // a new key starts it from the beginning, at once
	steps []step // none: off
	once  bool
	hold  bool // goes on when the monitor has died: nobody took it back
	tone  bool // having played it shows that the sounder works
}

// Every tone of ours lasts 0.8 s or longer. The fire pattern is three tones of half a
// second (temporal-3), the CO pattern four of a tenth (temporal-4), both from memory; a
// sleeper must never take our tone for a certified device, nor that for ours.
const shortestTone = 800 * time.Millisecond

// soundOf is the pattern of a priority: the more urgent, the more of it is sound.
func soundOf(p alerts.Priority) []step {
	switch p {
	case alerts.Critical: // long, with hardly a pause
		return []step{{true, 2 * time.Second}, {false, time.Second}}
	case alerts.High: // a pair, slower
		return []step{{true, 1500 * time.Millisecond}, {false, time.Second}, {true, 1500 * time.Millisecond}, {false, 6 * time.Second}}
	case alerts.Medium: // one, now and then
		return []step{{true, time.Second}, {false, 29 * time.Second}}
	}
	return []step{{true, shortestTone}, {false, 2 * time.Minute}}
}

// deadSound says that the monitor no longer ticks: long, short, then a wait.
func deadSound() []step {
	return []step{{true, 3 * time.Second}, {false, shortestTone}, {true, shortestTone}, {false, 25 * time.Second}}
}

// testSound is the weekly tone.
func testSound() []step { return []step{{true, 1200 * time.Millisecond}, {false, shortestTone}} }

// standingLight is the lamp while an alarm is on the list but does not sound: silencing
// must not put it out.
func standingLight() []step {
	return []step{{true, 200 * time.Millisecond}, {false, 2800 * time.Millisecond}}
}

// deadLight flickers, unlike any alarm.
func deadLight() []step {
	return []step{{true, 100 * time.Millisecond}, {false, 100 * time.Millisecond}}
}

// twice is a pattern played two times and then ended: a drill.
func twice(s []step) []step { return append(s[:len(s):len(s)], s...) }

func length(steps []step) time.Duration {
	var d time.Duration
	for _, s := range steps {
		d += s.dur
	}
	return d
}
