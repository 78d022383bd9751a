package estimate

import (
	"math"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"frostline/daemon/supply"
	"frostline/sensors"
)

// allSound walks everything an Estimates holds: no number that is none, no quantity outside
// its own interval, and nothing doubtful without a reason.
func allSound(t interface {
	Helper()
	Fatalf(string, ...any)
}, path string, v reflect.Value) {
	t.Helper()
	if q, ok := v.Interface().(Quantity); ok {
		soundQuantity(t, path, q)
		return
	}
	switch v.Kind() {
	case reflect.Float64:
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			t.Fatalf("%s is %v", path, x)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			allSound(t, path+"."+v.Type().Field(i).Name, v.Field(i))
		}
	case reflect.Slice:
		for i := range v.Len() {
			allSound(t, path, v.Index(i))
		}
	case reflect.Pointer:
		if !v.IsNil() {
			allSound(t, path, v.Elem())
		}
	}
}

// soundCold checks what must hold of cylinder, seat and causes, whatever was read.
func soundCold(t interface {
	Helper()
	Fatalf(string, ...any)
}, e *Estimates) {
	t.Helper()
	allSound(t, "estimates", reflect.ValueOf(*e))
	for name, q := range map[string]Quantity{"pressure": e.CylinderKPa, "gauge pressure": e.CylinderGaugeKPa, "capacity": e.VapourKgPerH, "ratio": e.SupplyRatio, "outlook": e.Outlook.HoursH} {
		if q.Low < 0 {
			t.Fatalf("%s from %g", name, q.Low)
		}
	}
	if p, g := e.CylinderKPa, e.CylinderGaugeKPa; p.Known() != g.Known() || p.Known() && g.Value > p.Value {
		t.Fatalf("pressure %+v, gauge %+v", p, g)
	}
	f := e.Freeze
	switch f.Risk {
	case supply.NotAssessed:
		if f.ThrottledC != 0 || f.BodyC != 0 || f.SolidC != 0 || f.DepositGPerH != 0 || f.Outside != "" || e.SeatMarginK.Known() {
			t.Fatalf("not assessed, and yet %+v, margin %+v", f, e.SeatMarginK)
		}
	case supply.NotExpected, supply.PossibleIfWet, supply.LikelyIfWet:
		if !e.SeatMarginK.Known() || f.DepositGPerH < 0 || f.SolidC < 0 || f.SolidC > 5.66 { // the cap of physics.md 7.2
			t.Fatalf("%s with %+v, margin %+v", f.Risk, f, e.SeatMarginK)
		}
		if f.Risk == supply.NotExpected && e.SeatMarginK.Low <= supply.CautionK {
			t.Fatalf("not expected with a margin from %g K", e.SeatMarginK.Low)
		}
		if e.SeatMarginK.Value < 0 && f.Risk != supply.LikelyIfWet {
			t.Fatalf("%s with a margin of %g K", f.Risk, e.SeatMarginK.Value)
		}
	default:
		t.Fatalf("freeze-up reads %q", f.Risk)
	}
	if f.Why == "" {
		t.Fatalf("%s without a reason", f.Risk)
	}
	soundCauses(t, e)
}

func soundCauses(t interface {
	Helper()
	Fatalf(string, ...any)
}, e *Estimates) {
	t.Helper()
	if len(e.Causes) == 0 {
		return
	}
	sum := 0.0
	for i, c := range e.Causes {
		sum += c.PartFrac
		if !(c.PartFrac >= 0) || c.Says == "" || i > 0 && c.PartFrac > e.Causes[i-1].PartFrac {
			t.Fatalf("causes %+v are not in order of belief", e.Causes)
		}
	}
	if math.Abs(sum-1) > 1e-9 || e.Starved != Yes || e.StarvedWhy == "" {
		t.Fatalf("beliefs sum to %g, starved %v %q", sum, e.Starved, e.StarvedWhy)
	}
}

// anyParams draws what an owner may have configured, sizes that make no cylinder included.
func anyParams(t *rapid.T) Params {
	p := testParams()
	p.AltitudeM = rapid.Float64Range(-500, 9000).Draw(t, "altitude")
	p.Cylinder.CapacityKg = rapid.SampledFrom([]float64{9.1, 0, 2.7, 5, 9.1, 11, 25}).Draw(t, "capacity")
	p.Cylinder.PropaneMassFrac = rapid.SampledFrom([]float64{1, 0, 0.1, 0.5, 0.8, 0.97, 1}).Draw(t, "blend")
	p.Regulator.TwoStage = rapid.Bool().Draw(t, "two stages")
	p.Regulator.LeastGaugeKPa = rapid.SampledFrom([]float64{0, 5, 35, 140}).Draw(t, "least inlet")
	if rapid.IntRange(0, 3).Draw(t, "shape") == 3 {
		p.Cylinder.Shape = supply.Cylinder{DiameterM: rapid.Float64Range(0.1, 0.5).Draw(t, "diameter"), VolumeL: rapid.Float64Range(3, 80).Draw(t, "volume"), WallM: 0.0026, WallJPerK: 4000}
	}
	return p
}

// anyOr draws mostly from what is usual, and else from all there may be.
func anyOr(t *rapid.T, label string, low, high, least, most float64) float64 {
	if rapid.IntRange(0, 3).Draw(t, label+" odd") == 3 {
		return rapid.Float64Range(least, most).Draw(t, label)
	}
	return rapid.Float64Range(low, high).Draw(t, label)
}

// TestTheColdStaysSoundWhateverIsRead goes over the whole space of what can be configured and
// read: weather that no thermometer believes, loads of nothing and of too much, silence,
// restarts, changes of cylinder.
func TestTheColdStaysSoundWhateverIsRead(t *testing.T) {
	known := map[supply.Risk]int{}
	var withCauses, outlooks int
	rapid.Check(t, func(t *rapid.T) {
		p := anyParams(t)
		channels := []sensors.Channel{sensors.LoadCounts, sensors.LockerC, sensors.HeatCall}
		for _, ch := range []sensors.Channel{sensors.OutsideC, sensors.ShellC, sensors.RegulatorC, sensors.BaroKPa, sensors.BatteryV, sensors.CabinC} {
			if rapid.Bool().Draw(t, string(ch)) {
				channels = append(channels, ch)
			}
		}
		var wiring sensors.Wiring
		for _, ch := range channels {
			wiring = append(wiring, sensors.Wire{Channel: ch, Period: 10 * time.Second})
		}
		e := New(wiring, p)
		r := make([]sensors.Reading, len(wiring))
		kg := anyOr(t, "kg", 8, 16, -1, 34)
		airC := anyOr(t, "air", -30, 35, -60, 75)
		burn := 0.0
		var up time.Duration
		for range rapid.IntRange(1, 8).Draw(t, "stretches") {
			silent := -1
			switch rapid.IntRange(0, 7).Draw(t, "then") {
			case 0:
				kg = anyOr(t, "kg", 8, 16, -1, 34)
			case 1:
				airC = anyOr(t, "air", -30, 35, -60, 75)
			case 2:
				_ = e.Change(Change{Same: rapid.Bool().Draw(t, "same"), TareKg: rapid.Float64Range(0, 12).Draw(t, "tare"), CapacityKg: rapid.SampledFrom([]float64{0, 5, 11, 28}).Draw(t, "stamp")})
			case 3:
				s := e.Save()
				e = New(wiring, p)
				e.Restore(s, float64(rapid.IntRange(-1, 40000).Draw(t, "dark")), 0, true)
				up = 0
			case 4:
				up += time.Duration(rapid.IntRange(0, 20000).Draw(t, "gap")) * time.Second
			case 5:
				silent = rapid.IntRange(0, len(wiring)-1).Draw(t, "silent")
			}
			burn = rapid.SampledFrom([]float64{0, 0.15, 0.4, 0.02}).Draw(t, "burn")
			wet := rapid.Float64Range(-3, 3).Draw(t, "shell off")
			call := float64(rapid.IntRange(0, 1).Draw(t, "call"))
			for range rapid.IntRange(1, 300).Draw(t, "ticks") {
				up += 10 * time.Second
				kg -= burn / 360
				jitter := 0.02 * math.Sin(float64(up/time.Second))
				for i, ch := range channels {
					switch {
					case i == silent:
						r[i] = sensors.Reading{}
					case ch == sensors.LoadCounts:
						r[i] = sensors.Of(math.Round(50000 + 143000*(kg+0.01*jitter)))
					case ch == sensors.HeatCall:
						r[i] = sensors.Of(call)
					case ch == sensors.BaroKPa:
						r[i] = sensors.Of(95 + wet + jitter)
					case ch == sensors.BatteryV:
						r[i] = sensors.Of(11.9 + wet/3 + jitter)
					case ch == sensors.ShellC:
						r[i] = sensors.Of(airC + 5*wet + jitter)
					default:
						r[i] = sensors.Of(airC + jitter)
					}
				}
				est := e.Step(sensors.Stamp{Up: up, Wall: time.Unix(1.7e9, 0).UTC().Add(up)}, r)
				soundCold(t, est)
				known[est.Freeze.Risk]++
				withCauses += min(len(est.Causes), 1)
				if est.Outlook.HoursH.Known() {
					outlooks++
				}
			}
		}
	})
	t.Logf("risks seen %v, starved with causes %d, outlooks %d", known, withCauses, outlooks)
	if testing.Short() {
		return // twenty walks may by chance see no outlook; a hundred do not
	}
	if known[supply.NotAssessed] == 0 || len(known) < 2 || withCauses == 0 || outlooks == 0 {
		t.Errorf("the walk saw risks %v, causes %d and outlooks %d times; want some of each", known, withCauses, outlooks)
	}
}
