package core

import (
	"slices"
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/sensors"
)

// heatVan is a van with a clock, a battery and a button for the simplest of alarms.
type heatVan struct {
	t    *testing.T
	p    Params
	c    *Core
	boot string
	up   time.Duration
	wall time.Time
	v    float64 // of the battery
	all  []Event

	synced bool // the wiring has clock_synced
}

func newHeatVan(t *testing.T) *heatVan {
	t.Helper()
	v := &heatVan{t: t, boot: "a", v: 12.6, synced: true, wall: time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)}
	v.p = Params{Wiring: sensors.Wiring{{Channel: sensors.ClockSynced, Period: 10 * time.Second}, {Channel: sensors.BatteryV, Period: 10 * time.Second}},
		Setpoints: alerts.Defaults()}
	v.c = New(v.p)
	return v
}

func (v *heatVan) step(cmd *Command) *Snapshot {
	s := v.try(cmd)
	if s.Refused != "" {
		v.t.Fatal(s.Refused)
	}
	return s
}

// try is a step whose command may be refused.
func (v *heatVan) try(cmd *Command) *Snapshot {
	v.up, v.wall = v.up+10*time.Second, v.wall.Add(10*time.Second)
	readings := []sensors.Reading{sensors.Of(1), sensors.Of(v.v)}
	if !v.synced {
		readings = readings[1:]
	}
	s := v.c.Step(Input{Stamp: sensors.Stamp{Up: v.up, Wall: v.wall}, Boot: v.boot, Command: cmd, Readings: readings})
	v.all = append(v.all, s.Events...)
	return s
}

func (v *heatVan) live(d time.Duration) (s *Snapshot) {
	for end := v.up + d; v.up < end; {
		s = v.step(nil)
	}
	return s
}

// reload goes on with another configuration in the same boot.
func (v *heatVan) reload() {
	v.t.Helper()
	saved := v.c.Checkpoint()
	v.c = New(v.p)
	if err := v.c.Restore(saved); err != nil {
		v.t.Fatal(err)
	}
}

// kill is a power cut: another boot goes on with what was stored last.
func (v *heatVan) kill(dark time.Duration) {
	v.t.Helper()
	saved := v.c.saved
	v.c = New(v.p)
	if err := v.c.Restore(saved); err != nil {
		v.t.Fatal(err)
	}
	v.boot, v.up, v.wall = v.boot+"'", 0, v.wall.Add(dark)
}

func (v *heatVan) alarm(s *Snapshot, id string) alerts.Status {
	return s.Alarms[slices.IndexFunc(s.Alarms, func(a alerts.Status) bool { return a.ID == id })]
}

func TestAReloadIsNoRestartOfTheAlarms(t *testing.T) {
	v := newHeatVan(t)
	v.step(nil)
	v.step(&Command{Shelve: &Shelve{Alarm: "battery-low", ForS: 3600}})
	v.live(30 * time.Minute)
	v.p.Setpoints.BatteryV = 12.2 // what the owner came for
	v.reload()
	v.v = 12.0
	v.all = nil
	if s := v.live(25 * time.Minute); v.alarm(s, "battery-low").State != alerts.Shelved {
		t.Errorf("after a reload a shelved alarm is %v: %v", v.alarm(s, "battery-low").State, v.alarm(s, "battery-low").Why)
	}
	for _, e := range v.all {
		if e.Alarm != nil {
			t.Errorf("the reload moved an alarm: %+v", *e.Alarm)
		}
	}
	if s := v.live(10 * time.Minute); v.alarm(s, "battery-low").State != alerts.Unacked {
		t.Errorf("off the shelf at 12.0 V, with a limit of 12.2 V, it is %v", v.alarm(s, "battery-low").State)
	}
	v.kill(time.Minute)
	v.live(time.Minute)
	v.step(&Command{Shelve: &Shelve{Alarm: "battery-low", ForS: 3600}})
	v.kill(time.Minute)
	if s := v.live(time.Minute); v.alarm(s, "battery-low").State != alerts.Unacked {
		t.Errorf("after a restart a shelved alarm is %v", v.alarm(s, "battery-low").State)
	}
}

func TestAReloadRemembersHowLongNobodyWatched(t *testing.T) {
	v := newHeatVan(t)
	v.live(20 * time.Minute)
	v.kill(3 * time.Hour)
	v.live(20 * time.Second)
	v.all = nil
	v.reload()
	s := v.live(3 * time.Minute)
	a := v.alarm(s, "monitoring-lost")
	if a.State != alerts.Returned || !strings.Contains(a.Why, "3") || !strings.Contains(a.Why, " h") {
		t.Errorf("monitoring was lost for three hours; after a reload it is %v: %q", a.State, a.Why)
	}
	for _, e := range v.all {
		if e.Alarm != nil && e.Alarm.ID == "monitoring-lost" && e.Stamp.Up < 2*time.Minute {
			t.Errorf("the first minute of the boot ended at %v: %+v", e.Stamp.Up, *e.Alarm)
		}
	}
}

// A phone whose clock is wrong would date nights that were never lived, and every phone after
// it would be the one in doubt: what disagrees with a clock that is believed, or with the last
// night in the ledger, is taken when it is said twice.
func TestAPhoneThatDisagreesAboutTheTimeIsAskedAgain(t *testing.T) {
	v := newHeatVan(t)
	v.p.Wiring = v.p.Wiring[1:] // nothing says whether the board's clock is right
	v.c = New(v.p)
	v.synced = false
	v.live(time.Minute)
	set := func(at time.Time) string {
		s := v.try(&Command{Actor: "phone", WallSet: &WallSet{at}})
		return s.Refused
	}
	right := v.wall.Add(3 * time.Minute) // as clocks without a network are
	if why := set(right); why != "" {
		t.Fatalf("three minutes off: %s", why)
	}
	wrong := right.AddDate(1, 0, 0)
	if why := set(wrong); !strings.Contains(why, "2026-11-25 12:0") || !strings.Contains(why, "2027-11-25 12:0") || !strings.Contains(why, "once more") {
		t.Errorf("a year off: %q", why)
	}
	if why := set(wrong.Add(time.Hour)); why == "" {
		t.Error("another time was taken for the same said twice")
	}
	v.live(11 * time.Minute)
	if why := set(wrong.Add(time.Hour + 11*time.Minute)); why == "" {
		t.Error("what was said eleven minutes ago was taken for said twice")
	}
	v.reload()
	if why := set(wrong.Add(time.Hour + 11*time.Minute + 10*time.Second)); why != "" {
		t.Errorf("said twice: %s", why)
	}
	if s := v.live(22 * time.Hour); s.Stamp.Wall.Year() != 2027 {
		t.Fatalf("it is %v", s.Stamp.Wall)
	}
	v.kill(time.Minute) // the clock is lost, and the ledger has a night of 2027
	v.wall = time.Date(2024, 3, 1, 0, 0, 0, 0, time.UTC)
	v.live(time.Minute)
	if why := set(right.Add(23 * time.Hour)); !strings.Contains(why, "last night") || !strings.Contains(why, "2027-11-26") {
		t.Errorf("before the last night: %q", why)
	}
	if why := set(right.Add(23*time.Hour + 10*time.Second)); why != "" {
		t.Errorf("said twice: %s", why)
	}
	if s := v.live(time.Minute); s.Stamp.Wall.Year() != 2026 || !s.Est.ClockTrusted {
		t.Errorf("it is %v, trusted %v", s.Stamp.Wall, s.Est.ClockTrusted)
	}
}

// A clock that was hours fast had a night open that was never lived, or ended one early; once
// it is right and believed, that night contradicts it no more.
func TestANightOfAFastClockContradictsNoRightOne(t *testing.T) {
	for name, c := range map[string]struct {
		lived time.Duration
		ended bool // by the fast clock
	}{"while it lasts": {2 * time.Hour, false}, "after its end": {12 * time.Hour, true}} {
		t.Run(name, func(t *testing.T) {
			v := newHeatVan(t)
			v.p.Wiring = v.p.Wiring[1:]
			v.c = New(v.p)
			v.synced = false
			v.live(time.Minute)
			from, wall := v.up, v.wall
			set := func(fast time.Duration) string {
				return v.try(&Command{Actor: "phone", WallSet: &WallSet{wall.Add(v.up - from + fast)}}).Refused
			}
			const fast = 11 * time.Hour
			if set(fast) != "" {
				if why := set(fast); why != "" {
					t.Fatalf("the wrong time said twice: %s", why)
				}
			}
			v.live(c.lived)
			if why := set(0); !strings.Contains(why, "believed") {
				t.Fatalf("eleven hours off: %q", why)
			}
			if why := set(0); why != "" {
				t.Fatalf("said twice: %s", why)
			}
			v.live(time.Minute)
			rows := 0
			for _, e := range v.all {
				if e.Night != nil {
					rows++
					if e.Night.ClockUntrusted == c.ended {
						t.Errorf("the night of the fast clock: %+v", e.Night)
					}
				}
			}
			if rows != 1 {
				t.Fatalf("%d nights, so this shows nothing", rows)
			}
			if why := set(0); why != "" {
				t.Errorf("right again: %s", why)
			}
			v.kill(time.Minute)
			v.wall = time.Date(2024, 3, 1, 0, 0, 0, 0, time.UTC) // the clock is lost, and Up began anew
			v.live(time.Minute)
			if why := set(c.lived + time.Hour); (why != "") != c.ended {
				t.Errorf("right after a restart: %q", why)
			}
		})
	}
}

// An alarm that grows more urgent, or is said again, is still one alarm of the night.
func TestANightCountsAnAlarmOnce(t *testing.T) {
	v := newHeatVan(t)
	v.live(7 * time.Hour)
	v.v = 11.5
	v.live(30 * time.Minute)
	v.step(&Command{Ack: "battery-low"})
	v.all = nil
	v.live(16 * time.Hour) // at 20:00 it is high
	again, rows := 0, 0
	for _, e := range v.all {
		switch {
		case e.Alarm != nil && e.Alarm.ID == "battery-low" && e.Alarm.To == alerts.Unacked.String():
			again++
		case e.Night != nil:
			rows++
			if e.Night.Alarms != 1 {
				t.Errorf("the night counts %d alarms, want the one", e.Night.Alarms)
			}
		}
	}
	if again != 1 || rows != 1 {
		t.Fatalf("it was said again %d times in %d nights, so this shows nothing", again, rows)
	}
}
