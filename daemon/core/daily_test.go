package core

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/sensors"
)

// wordsOf lives a van with a clock and a thermometer from start on, a tick every ten seconds,
// and returns the local times at which a daily word came.
type wordVan struct {
	t      *testing.T
	c      *Core
	zone   *time.Location
	boot   string
	up     time.Duration
	wall   time.Time
	synced float64
	words  []string
	last   *Daily
}

func newWordVan(t *testing.T, start string, minutes ...int) *wordVan {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Zurich")
	if err != nil {
		t.Fatal(err)
	}
	wall, err := time.ParseInLocation("2006-01-02 15:04", start, zone)
	if err != nil {
		t.Fatal(err)
	}
	p := Params{Wiring: sensors.Wiring{{Channel: sensors.ClockSynced, Period: 10 * time.Second}, {Channel: sensors.CabinC, Period: 10 * time.Second}},
		Setpoints: alerts.Defaults(), DailyMin: minutes}
	p.Nights.Zone, p.Nights.StartMin, p.Nights.EndMin = zone, 18*60, 10*60
	return &wordVan{t: t, c: New(p), zone: zone, boot: "a", wall: wall, synced: 1}
}

func (v *wordVan) live(d time.Duration) {
	for end := v.up + d; v.up < end; {
		v.up, v.wall = v.up+10*time.Second, v.wall.Add(10*time.Second)
		s := v.c.Step(Input{Stamp: sensors.Stamp{Up: v.up, Wall: v.wall.UTC()}, Boot: v.boot,
			Readings: []sensors.Reading{sensors.Of(v.synced), sensors.Fault("crc")}})
		for _, e := range s.Events {
			if e.Daily != nil {
				if s.Checkpoint == nil {
					v.t.Error("a word without a checkpoint may be said twice after a power cut")
				}
				v.words, v.last = append(v.words, e.Stamp.Wall.In(v.zone).Format("02 15:04")), e.Daily
			}
		}
	}
}

func (v *wordVan) said(want ...string) {
	v.t.Helper()
	if strings.Join(v.words, ", ") != strings.Join(want, ", ") {
		v.t.Errorf("words at %v, want %v", v.words, want)
	}
}

func TestADailyWordComesOnceOnALocalDay(t *testing.T) {
	v := newWordVan(t, "2026-10-23 20:00", 8*60)
	v.live(4 * 24 * time.Hour) // the clock goes back on the 25th
	v.said("23 20:10", "24 08:00", "25 08:00", "26 08:00", "27 08:00")
	two := newWordVan(t, "2026-11-25 05:00", 8*60, 6*60+30)
	two.live(24 * time.Hour)
	two.said("25 06:30", "25 08:00")
}

func TestNoDailyWordIsSaidTwiceOverARestartOrMadeUpWithoutAClock(t *testing.T) {
	v := newWordVan(t, "2026-11-25 07:00", 8*60)
	v.live(2 * time.Hour)
	v.said("25 08:00")
	restarted := newWordVan(t, "2026-11-25 09:30", 8*60)
	if err := restarted.c.Restore(v.c.saved); err != nil {
		t.Fatal(err)
	}
	restarted.boot, restarted.synced = "b", 0
	restarted.live(24 * time.Hour)
	restarted.said() // the day has passed, and the clock is not trusted
	restarted.synced = 1
	restarted.live(2 * time.Hour)
	restarted.said("26 09:30") // late, once it is
}

func TestADailyWordSaysWhatIsUnknownAndWhy(t *testing.T) {
	v := newWordVan(t, "2026-11-25 07:00", 8*60)
	v.live(2 * time.Hour)
	d := v.last
	if d == nil {
		t.Fatal("no word")
	}
	if d.Kind != "still-watching" || d.At != "08:00" || d.FuelKg != nil || d.FuelWhy == "" || d.NightsLeftN != nil || d.NightsWhy == "" ||
		d.GasBand != "blind" || d.Certified != "unknown" {
		t.Errorf("the word of a van with a broken thermometer: %+v", d)
	}
	if len(d.Faults) != 1 || !strings.Contains(d.Faults[0], "cabin_c: ") {
		t.Errorf("faults %v, want the thermometer's", d.Faults)
	}
	if !strings.Contains(strings.Join(d.Alarms, " "), "sensor-fault: ") {
		t.Errorf("alarms %v, want the fault's", d.Alarms)
	}
	fuel := 4.2
	d.FuelKg, d.FuelLowKg, d.FuelHighKg = &fuel, &fuel, &fuel
	e := Event{Stamp: sensors.Stamp{Up: time.Hour, Wall: v.wall.UTC().Truncate(time.Millisecond)}, Seq: 9, Daily: d}
	b, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	var back Event
	if err := json.Unmarshal(b, &back); err != nil || !reflect.DeepEqual(e, back) || back.Kind() != "still-watching" {
		t.Errorf("%s reads back as %+v, %v", b, back, err)
	}
}
