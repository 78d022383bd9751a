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
}

func newHeatVan(t *testing.T) *heatVan {
	t.Helper()
	v := &heatVan{t: t, boot: "a", v: 12.6, wall: time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)}
	v.p = Params{Wiring: sensors.Wiring{{Channel: sensors.ClockSynced, Period: 10 * time.Second}, {Channel: sensors.BatteryV, Period: 10 * time.Second}},
		Setpoints: alerts.Defaults()}
	v.c = New(v.p)
	return v
}

func (v *heatVan) step(cmd *Command) *Snapshot {
	v.up, v.wall = v.up+10*time.Second, v.wall.Add(10*time.Second)
	s := v.c.Step(Input{Stamp: sensors.Stamp{Up: v.up, Wall: v.wall}, Boot: v.boot, Command: cmd,
		Readings: []sensors.Reading{sensors.Of(1), sensors.Of(v.v)}})
	if s.Refused != "" {
		v.t.Fatal(s.Refused)
	}
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
