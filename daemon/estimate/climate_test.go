package estimate

import (
	"math"
	"strings"
	"testing"
	"time"

	"frostline/sensors"
)

func TestWhatIsReadIsShownWithItsAccuracyAgeAndReason(t *testing.T) {
	w := wires(time.Second, sensors.CabinC, sensors.OutsideC, sensors.LockerC, sensors.WaterlineC, sensors.BatteryV)
	state := []ChannelState{
		{Quality: sensors.Good, Seen: true, Value: 19, LastUp: 7 * time.Second},
		{Quality: sensors.Suspect, Why: "no reading for 40 s", Seen: true, Value: -4, LastUp: 3 * time.Second},
		{Quality: sensors.Bad, Why: "crc", Seen: true, Value: 1, LastUp: time.Second},
		{Quality: sensors.Missing, Why: "no reading for 70 s", Seen: true, Value: 5, LastUp: 2 * time.Second},
		{Quality: sensors.Good, Seen: true, Value: 12.8, LastUp: 7 * time.Second},
	}
	var e Estimates
	fillClimate(newIndexes(w), 0, state, &e)
	for name, k := range map[string]struct {
		got  Quantity
		want Quantity
	}{
		"cabin":   {e.CabinC, Quantity{19, 18.5, 19.5, sensors.Good, "", 7 * time.Second}},
		"outside": {e.OutsideC, Quantity{-4, -7, -1, sensors.Suspect, "no reading for 40 s", 3 * time.Second}},
		"locker":  {e.LockerC, Quantity{0, 0, 0, sensors.Bad, "crc", time.Second}},
		"pipe":    {e.PipeC, Quantity{0, 0, 0, sensors.Missing, "no reading for 70 s", 2 * time.Second}},
		"battery": {e.BatteryV, Quantity{12.8, 12.65, 12.95, sensors.Good, "", 7 * time.Second}},
	} {
		g, w := k.got, k.want
		if math.Abs(g.Value-w.Value)+math.Abs(g.Low-w.Low)+math.Abs(g.High-w.High) > 1e-9 || g.Quality != w.Quality || g.Why != w.Why || g.At != w.At {
			t.Errorf("%s is %+v, want %+v", name, g, w)
		}
	}
	e = Estimates{}
	fillClimate(newIndexes(nil), 0, nil, &e)
	if e.PipeC.Known() || e.PipeC.Why != "not fitted" || e.Heat != Unsure || e.CO != Unsure || e.Certified != Unsure {
		t.Errorf("a van without sensors shows %+v, heat %v CO %v certified %v", e.PipeC, e.Heat, e.CO, e.Certified)
	}
}

func TestAirPressureFallsBackOnTheStandardAtmosphere(t *testing.T) {
	// ISO 2533 table: 101.325, 89.874 and 79.495 kPa at 0, 1000 and 2000 m.
	for altitude, kpa := range map[float64]float64{0: 101.325, 1000: 89.874, 2000: 79.495} {
		q := airKPa(newIndexes(nil), altitude, nil)
		if math.Abs(q.Value-kpa) > 0.01 || q.Quality != sensors.Suspect || q.High-q.Low != 2*weatherKPa || !strings.Contains(q.Why, "altitude") {
			t.Errorf("%v m: %+v, want %v kPa, suspect, with the reason", altitude, q, kpa)
		}
	}
	w := wires(time.Minute, sensors.BaroKPa)
	for q, want := range map[sensors.Quality]float64{sensors.Good: 78, sensors.Suspect: 78, sensors.Bad: 79.495, sensors.Missing: 79.495} {
		got := airKPa(newIndexes(w), 2000, []ChannelState{{Quality: q, Value: 78, Why: "x", Seen: true}})
		if math.Abs(got.Value-want) > 0.01 {
			t.Errorf("a barometer that is %v: %v kPa, want %v", q, got.Value, want)
		}
	}
	if q := airKPa(newIndexes(nil), 1e9, nil); math.IsNaN(q.Value) || q.Value <= 0 {
		t.Errorf("an absurd altitude gives %v kPa", q.Value)
	}
}

func TestADoubtfulContactWakesButDoesNotDeny(t *testing.T) {
	for _, k := range []struct {
		q     sensors.Quality
		value float64
		want  Tristate
	}{
		{sensors.Good, 1, Yes}, {sensors.Good, 0, No}, {sensors.Suspect, 1, Yes},
		{sensors.Suspect, 0, Unsure}, {sensors.Bad, 1, Unsure}, {sensors.Missing, 0, Unsure},
	} {
		if got := contact(0, []ChannelState{{Quality: k.q, Value: k.value}}); got != k.want {
			t.Errorf("%v contact at %v: %v, want %v", k.q, k.value, got, k.want)
		}
	}
}
