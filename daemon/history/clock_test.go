package history

import (
	"testing"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

func TestEachTickIsDatedByTheBestClockThereIs(t *testing.T) {
	const day = 24 * time.Hour
	at := func(d time.Duration) time.Time { return dusk().Add(d) }
	past := time.Date(1970, 1, 1, 0, 0, 5, 0, time.UTC)
	type tick struct {
		boot    string
		up      time.Duration
		wall    time.Time
		trusted bool
		span    int64     // wanted
		date    time.Time // wanted, of this tick, as known after it
	}
	for name, ticks := range map[string][]tick{
		"a clock that is right": {
			{"a", time.Second, at(0), true, 1, at(0)},
			{"a", 2 * time.Second, at(time.Second), true, 1, at(time.Second)},
		},
		"a first start in the past is believed until something better comes": {
			{"a", time.Second, past, false, 1, past},
			{"a", time.Minute, at(0), true, 1, at(0)},
		},
		"a boot cannot be before what is stored": {
			{"a", time.Hour, at(0), true, 1, at(0)},
			{"b", 5 * time.Second, past, false, 2, at(0)},
			{"b", 65 * time.Second, past.Add(time.Minute), false, 2, at(time.Minute)},
			{"b", 125 * time.Second, at(3 * day), true, 2, at(3 * day)},
		},
		"nor years after it on an unvouched clock": {
			{"a", time.Hour, at(0), true, 1, at(0)},
			{"b", 5 * time.Second, at(900 * day), false, 2, at(0)},
		},
		"an unvouched clock a while later is believed": {
			{"a", time.Hour, at(0), true, 1, at(0)},
			{"b", 5 * time.Second, at(day), false, 2, at(day)},
		},
		"no clock at all": {
			{"a", time.Hour, time.Time{}, true, 1, time.Unix(0, 0)},
			{"a", 2 * time.Hour, at(0), true, 1, at(0)},
		},
		"a trusted clock may go back": {
			{"a", time.Hour, at(900 * day), true, 1, at(900 * day)},
			{"b", 5 * time.Second, at(0), true, 2, at(0)},
			{"c", 5 * time.Second, past, false, 3, at(0)},
		},
		"a step while trusted begins a new span": {
			{"a", time.Hour, at(0), true, 1, at(0)},
			{"a", time.Hour + time.Second, at(8 * time.Hour), true, 2, at(8 * time.Hour)},
		},
		"a step that nobody vouches for does not undo a right date": {
			{"a", time.Hour, at(0), true, 1, at(0)},
			{"a", time.Hour + time.Second, past, false, 1, at(time.Second)},
		},
		"an unvouched step to a plausible time is the better guess": {
			{"a", time.Hour, at(0), true, 1, at(0)},
			{"b", time.Second, past, false, 2, at(0)},
			{"b", 2 * time.Second, at(day), false, 2, at(day)},
		},
	} {
		t.Run(name, func(t *testing.T) {
			c := calendar{nextID: 1}
			for i, k := range ticks {
				sp, _ := c.place(k.boot, sensors.Stamp{Up: k.up, Wall: k.wall}, k.trusted)
				c.stored(sp, k.up)
				if sp.id != k.span || !sp.at(k.up).Equal(k.date) {
					t.Fatalf("tick %d: span %d at %v, want span %d at %v", i, sp.id, sp.at(k.up), k.span, k.date)
				}
			}
		})
	}
}

func TestWhenTheTimeArrivesTheBootIsDatedAgain(t *testing.T) {
	s, v := openIn(t, t.TempDir(), Options{Paths: []string{"mqtt"}}), newVan()
	defer closeStore(t, s)
	past := time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)
	v.offset, v.trusted = past, false
	for range 20 {
		s.Deliver(v.snapshot(time.Minute))
	}
	commit(t, s, v, alarm("starved", "high", "unacknowledged"))
	raisedUp := v.up
	rows, err := s.Next(deadline(t), "mqtt", 1)
	if err != nil || len(rows) != 1 || rows[0].ClockTrusted {
		t.Fatalf("outbox before the time is known = %+v, %v, want one row without trust", rows, err)
	}
	v.offset, v.trusted = dusk(), true
	commit(t, s, v, core.Event{Happening: &estimate.Happening{Kind: estimate.ClockStep}})

	got, err := s.Series(deadline(t), "cabin_c", dusk(), dusk().Add(time.Hour), 0)
	if err != nil || len(got) != 19 || !got[0].FromWall.Equal(dusk().Add(time.Minute)) {
		t.Errorf("%d minutes, %v, first %v, want 19 from one minute after dusk", len(got), err, got)
	}
	evs, err := s.Events(deadline(t), 0, 10)
	if err != nil || !evs[1].Stamp.Wall.Equal(dusk().Add(raisedUp)) {
		t.Errorf("alarm is dated %v, %v, want %v", evs[1].Stamp.Wall, err, dusk().Add(raisedUp))
	}
	rows, err = s.Next(deadline(t), "mqtt", 1)
	if err != nil || !rows[0].ClockTrusted || !rows[0].Recorded.Equal(past.Add(raisedUp)) {
		t.Fatalf("outbox row = %+v, %v, want trust, recorded at %v", rows, err, past.Add(raisedUp))
	}
	var ev core.Event
	if err := ev.UnmarshalJSON(rows[0].Body); err != nil || !ev.Stamp.Wall.Equal(dusk().Add(raisedUp)) {
		t.Errorf("its body is dated %v, %v, want %v", ev.Stamp.Wall, err, dusk().Add(raisedUp))
	}
}
