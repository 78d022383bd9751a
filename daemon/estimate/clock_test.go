package estimate

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"frostline/sensors"
)

// clockTick is one tick and what is to be said of it.
type clockTick struct {
	upS     float64
	wall    string  // of 2026-11-25 unless it has a date
	synced  float64 // below zero: the input is bad
	trusted bool
	stepS   float64
}

type clockStory struct {
	wired bool
	ticks []clockTick
}

func clockStories() map[string]clockStory {
	return map[string]clockStory{
		"the first boot of a van with a clock is believed": {false, []clockTick{
			{1, "20:00:01", 0, true, 0}, {2, "20:00:02", 0, true, 0}}},
		"a board that boots in 1970 is not, until time arrives": {false, []clockTick{
			{1, "1970-01-01T00:00:10Z", 0, false, 0}, {2, "1970-01-01T00:00:11Z", 0, false, 0},
			{3, "20:00:00", 0, true, 1795636788}, {4, "20:00:01", 0, true, 0}}},
		"slewing is no step": {false, []clockTick{
			{1, "20:00:00", 0, true, 0}, {2, "20:00:02.9", 0, true, 0}, {3, "20:00:05.8", 0, true, 0}}},
		"two seconds and a half are": {false, []clockTick{
			{1, "20:00:00", 0, true, 0}, {2, "20:00:03.5", 0, true, 2.5}}},
		"a boot whose clock is behind what was seen is not believed": {false, []clockTick{
			{1, "20:00:00", 0, true, 0}, {9000, "22:29:59", 0, true, 0}, {1, "19:00:00", 0, false, 0},
			{2400, "19:39:59", 0, false, 0}, {2401, "23:40:00", 0, true, 14400}}},
		"nor after a step that is still behind": {false, []clockTick{
			{1, "20:00:00", 0, true, 0}, {9000, "22:29:59", 0, true, 0}, {1, "19:00:00", 0, false, 0},
			{2, "20:00:01", 0, false, 3600}, {3, "19:00:02", 0, false, -3600}, {4000, "20:06:39", 0, false, 0}}},
		"a clock restored from a file goes on as if nothing happened": {false, []clockTick{
			{1, "20:00:00", 0, true, 0}, {9000, "22:29:59", 0, true, 0}, {1, "22:30:00", 0, false, 0},
			{1440, "22:53:59", 0, false, 0}, {1441, "2026-11-26T01:54:00Z", 0, true, 10800}}},
		"or is right after half an hour": {false, []clockTick{
			{1, "20:00:00", 0, true, 0}, {9000, "22:29:59", 0, true, 0}, {1, "22:30:20", 0, false, 0},
			{1799, "23:00:18", 0, false, 0}, {1802, "23:00:21", 0, true, 0}}},
		"hours later at the next boot it was kept": {false, []clockTick{
			{1, "20:00:00", 0, true, 0}, {9000, "22:29:59", 0, true, 0}, {1, "2026-11-26T08:00:00Z", 0, true, 0}}},
		"a step back is doubted for half an hour": {false, []clockTick{
			{1, "20:00:00", 0, true, 0}, {2, "18:00:01", 0, false, -7200}, {1801, "18:30:00", 0, false, 0}, {1802, "18:30:01", 0, true, 0}}},
		"a wired flag decides": {true, []clockTick{
			{1, "20:00:00", 0, false, 0}, {2, "20:00:01", 1, true, 0}, {3, "20:00:02", 0, false, 0}}},
		"but not for 1970": {true, []clockTick{{1, "1970-01-01T00:00:10Z", 1, false, 0}}},
		"a flag that is gone is no flag": {true, []clockTick{
			{1, "20:00:00", 1, true, 0}, {2, "20:00:01", -1, false, 0}}},
	}
}

func TestWhenTheWallClockIsBelieved(t *testing.T) {
	for name, k := range clockStories() {
		t.Run(name, func(t *testing.T) {
			w := wires(time.Second, sensors.CabinC)
			if k.wired {
				w = wires(time.Second, sensors.ClockSynced)
			}
			c := newClock(w)
			for i, a := range k.ticks {
				text := a.wall
				if len(text) < 14 {
					text = "2026-11-25T" + text + "Z"
				}
				wall, err := time.Parse(time.RFC3339Nano, text)
				if err != nil {
					t.Fatal(err)
				}
				// every tick goes through a checkpoint: a restored clock is the same clock
				blob, err := json.Marshal(c.save())
				if err != nil {
					t.Fatal(err)
				}
				var s clockState
				if err := json.Unmarshal(blob, &s); err != nil {
					t.Fatal(err)
				}
				c = newClock(w)
				c.restore(s)
				state := []ChannelState{{Quality: sensors.Good, Value: a.synced}}
				if a.synced < 0 {
					state[0].Quality = sensors.Bad
				}
				trusted, stepS, stepped := c.step(sensors.Stamp{Up: time.Duration(a.upS * float64(time.Second)), Wall: wall}, state)
				if trusted != a.trusted || math.Abs(stepS-a.stepS) > 0.001 || stepped != (a.stepS != 0) {
					t.Errorf("tick %d, up %v wall %s: trusted %v, step %v s (%v); want %v and %v s", i, a.upS, a.wall, trusted, stepS, stepped, a.trusted, a.stepS)
				}
			}
		})
	}
}
