package core

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

// mostCheckpointB bounds a checkpoint, whatever was lived: a day of weights and as many nights
// and cylinders as are kept, with room.
const mostCheckpointB = 96 << 10

// brimFrac is how much more than its stamped fill a cylinder can hold.
const brimFrac = 1.2

// oddVan is any van: some of the channels, some of the appliances, a stamp read or not.
func oddVan(t *rapid.T) Params {
	p := Params{Setpoints: alerts.Defaults(), Nights: nights.Params{Zone: time.UTC, StartMin: 18 * 60, EndMin: 10 * 60, HeaterKgPerH: 0.2, Heaters: []string{"heater"}}}
	left := map[sensors.Channel]bool{}
	for range rapid.IntRange(0, 6).Draw(t, "channels left out") {
		left[rapid.SampledFrom(sensors.Known()).Draw(t, "without")] = true
	}
	for i, ch := range sensors.Known() {
		if !left[ch] {
			p.Wiring = append(p.Wiring, sensors.Wire{Channel: ch, Period: time.Second * [...]time.Duration{1, 1, 10}[i%3]})
		}
	}
	e := &p.Estimate
	e.AltitudeM = rapid.SampledFrom([]float64{0, 600, 2400}).Draw(t, "altitude")
	e.Scale = estimate.Scale{CountsPerKg: rapid.SampledFrom([]float64{143000, -72000, 0}).Draw(t, "counts per kg"), ZeroCounts: 50000,
		CalibratedAtC: 20, CapacityKg: 30, ZeroTCGPerK: 2.5, SpanTCPPMPerK: 30, CreepPct30min: 0.02}
	e.Cylinder = estimate.Cylinder{TareKg: rapid.SampledFrom([]float64{7.7, 0, 3.1}).Draw(t, "tare"), TareSDKg: 0.04,
		CapacityKg: rapid.SampledFrom([]float64{9.1, 0, 2.7}).Draw(t, "capacity"), PropaneMassFrac: rapid.SampledFrom([]float64{1, 0, 0.6}).Draw(t, "propane")}
	e.Gas = estimate.Gas{SupplyV: 5, LoadOhm: 10000, R0Ohm: rapid.SampledFrom([]float64{0, 20000}).Draw(t, "R0")}
	all := []estimate.Appliance{{Name: "heater", Kind: estimate.Heater, RatedKW: 3.2}, {Name: "stove", Kind: estimate.Burner, RatedKW: 4, MinKW: 0.4},
		{Name: "boiler", Kind: estimate.WaterHeater, RatedKW: 1.5}, {Name: "second heater", Kind: estimate.Heater, RatedKW: 3.1}}
	e.Appliances = all[:rapid.IntRange(0, len(all)).Draw(t, "appliances")]
	return p
}

// behaviour is how a channel answers through a stretch.
type behaviour int

const (
	plain behaviour = iota // about its level, with noise
	drifting
	jumping
	stuck
	flickering // plain, missing and faulty in turn
	silent
	faulty
	nonsense // codes that chips give when they die
	anything // any 64 bits read as a number
)

var deadCodes = []float64{0, -1, 1, 1048575, 8388607, -8388608, 85, 127.9375, 1e308, -1e308, 5e-324, math.NaN(), math.Inf(1), math.Inf(-1)}

// voice is one channel through a stretch.
type voice struct {
	as           behaviour
	level, slope float64
	noise        float64
}

func (v voice) read(r *rand.Rand, k int) sensors.Reading {
	x := v.level + v.noise*r.NormFloat64()
	switch v.as {
	case drifting:
		x += v.slope * float64(k)
	case jumping:
		x += v.slope * 100 * float64(r.IntN(3))
	case stuck:
		x = v.level
	case flickering:
		switch r.IntN(3) {
		case 0:
			return sensors.Reading{}
		case 1:
			return sensors.Fault("timeout")
		}
	case silent:
		return sensors.Reading{}
	case faulty:
		return sensors.Fault("crc")
	case nonsense:
		x = deadCodes[r.IntN(len(deadCodes))]
	case anything:
		x = math.Float64frombits(r.Uint64())
	}
	return sensors.Of(x)
}

// voices draws how every channel behaves: mostly as it should, so that the filters run.
func voices(t *rapid.T, p Params) []voice {
	out := make([]voice, len(p.Wiring))
	odd := rapid.IntRange(0, 3).Draw(t, "odd channels")
	for i, w := range p.Wiring {
		v := voice{level: 20, slope: -0.01, noise: 0.05}
		switch {
		case w.Channel == sensors.LoadCounts:
			kg := rapid.SampledFrom([]float64{0, 7.8, 9, 12, 16.8, 19, 29}).Draw(t, "kg")
			s := p.Estimate.Scale
			v = voice{level: s.ZeroCounts + s.CountsPerKg*kg, slope: -s.CountsPerKg * 0.2 / 3600, noise: s.CountsPerKg * 0.0003,
				as: rapid.SampledFrom([]behaviour{plain, drifting, drifting, jumping}).Draw(t, "load")}
		case w.Channel == sensors.GasV:
			v = voice{level: rapid.SampledFrom([]float64{0.4, 1.2, 4.2}).Draw(t, "gas V"), slope: 0.001, noise: 0.003,
				as: rapid.SampledFrom([]behaviour{plain, drifting}).Draw(t, "gas")}
		case w.Channel == sensors.GasSupplyV, w.Channel == sensors.GasHeaterV:
			v.level = 5
		case w.Channel == sensors.BatteryV:
			v.level = 12.5
		case w.Channel == sensors.BaroKPa:
			v.level = 98
		case w.Channel.IsSwitch():
			v = voice{level: float64(rapid.IntRange(0, 1).Draw(t, "switch")), as: stuck}
		case w.Channel.IsTemp():
			v.level = rapid.SampledFrom([]float64{-35, -8, 4, 22, 85}).Draw(t, "°C")
		}
		out[i] = v
	}
	for range odd {
		out[rapid.IntRange(0, len(out)-1).Draw(t, "odd one")].as = behaviour(rapid.IntRange(int(stuck), int(anything)).Draw(t, "behaves"))
	}
	return out
}

// order draws a press of a button that may or may not make sense.
func order(t *rapid.T) *Command {
	id := rapid.SampledFrom([]string{"gas-leave", "gas-blind", "starved", "leak-suspicion", "sensor-fault", "no-such-alarm"}).Draw(t, "alarm")
	kg := rapid.SampledFrom([]float64{0, 7.7, 3, 29, -1, math.NaN(), 1e9})
	on := rapid.Bool().Draw(t, "on")
	return []*Command{
		{Ack: id}, {AckAudible: true}, {Reset: id}, {Shelve: &Shelve{Alarm: id, ForS: 600}}, {Unshelve: id}, {OutOfService: id}, {InService: id},
		{Changed: &estimate.Change{Same: on, TareKg: kg.Draw(t, "tare"), CapacityKg: kg.Draw(t, "capacity"), FillKg: kg.Draw(t, "fill"),
			Name: rapid.SampledFrom([]string{"", "red", "blue"}).Draw(t, "name"), RequalifyBy: "2031-05"}},
		{ExpectedLow: &ExpectedLow{C: rapid.SampledFrom([]float64{-20, 3, math.NaN(), 500}).Draw(t, "low")}},
		{WeightWatch: &on}, {Stop: "asked to"}, {}, {Ack: id, Reset: id},
	}[rapid.IntRange(0, 12).Draw(t, "order")]
}

// TestWhateverComesInNothingImpossibleComesOut lives stretches of any van: sensors that die in
// every way, gaps, clocks that step, buttons pressed in any order, boots in order, by a power
// cut, by a reload, from cold, and one that nobody announced.
func TestWhateverComesInNothingImpossibleComesOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := oddVan(t)
		c := New(p)
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "noise"), 1))
		boot, bootN := "boot-1", 1
		var up, latest time.Duration // now, and the latest of this boot: an unannounced one starts below it
		wall := time.Date(2026, 11, 25, 17, 0, 0, 0, time.UTC)
		var saved []byte
		var kept, newest Totals // as of the newest checkpoint, and of the newest tick
		in := Input{Readings: make([]sensors.Reading, len(p.Wiring))}
		begin := func(restore func(c *Core) error) {
			c = New(p)
			if err := restore(c); err != nil {
				t.Fatalf("a checkpoint of our own is refused: %v", err)
			}
			newest = kept
		}
		for range rapid.IntRange(1, 8).Draw(t, "stretches") {
			if saved != nil {
				switch rapid.SampledFrom([]string{"on", "on", "on", "boot", "power cut", "reload", "cold", "unannounced"}).Draw(t, "goes") {
				case "boot":
					bootN++
					newest = kept
				case "power cut":
					begin(func(c *Core) error { return c.Restore(saved) })
					bootN++
				case "reload":
					now := c.Checkpoint()
					kept = newest
					begin(func(c *Core) error { return c.Restore(now) })
				case "cold":
					begin(func(c *Core) error { return c.RestoreCold(saved) })
				case "unannounced":
					up = 0
				}
				if name := fmt.Sprintf("boot-%d", bootN); name != boot {
					boot, up = name, rapid.SampledFrom([]time.Duration{0, 3 * time.Second, 5 * time.Hour}).Draw(t, "up")
					latest = up
				}
			}
			gap := rapid.SampledFrom([]time.Duration{0, 0, time.Minute, 10 * time.Hour, 400 * 24 * time.Hour}).Draw(t, "gap")
			up, wall = up+gap, wall.Add(gap)
			wall = wall.Add(rapid.SampledFrom([]time.Duration{0, 0, 3 * time.Hour, -3 * time.Hour, 400 * 24 * time.Hour, -60 * 365 * 24 * time.Hour}).Draw(t, "clock steps"))
			if rapid.IntRange(0, 9).Draw(t, "label") == 0 {
				wall = rapid.SampledFrom([]time.Time{{}, time.Unix(0, 0).UTC(), time.Date(9990, 1, 1, 0, 0, 0, 0, time.UTC)}).Draw(t, "wall")
			}
			dt := rapid.SampledFrom([]time.Duration{time.Second, time.Second, 10 * time.Second, 200 * time.Millisecond, time.Minute, time.Hour}).Draw(t, "tick")
			say := voices(t, p)
			n := rapid.IntRange(1, 150).Draw(t, "ticks")
			at := rapid.IntRange(0, n).Draw(t, "ordered at")
			for k := range n {
				up, wall = up+dt, wall.Add(dt)
				if y := wall.Year(); y > 9998 || y < 1 { // what no clock and no recording can say
					wall = time.Time{}
				}
				in.Stamp, in.Boot, in.Command = sensors.Stamp{Up: up, Wall: wall}, boot, nil
				if k == at {
					in.Command = order(t)
				}
				for i, v := range say {
					in.Readings[i] = v.read(r, k)
				}
				s := c.Step(in)
				latest = max(latest, up)
				soundSnapshot(t, s, latest)
				if s.Totals.BurnedKg < newest.BurnedKg || s.Totals.CylinderChanges < newest.CylinderChanges || s.Totals.Boots < newest.Boots {
					t.Fatalf("totals fell from %+v to %+v", newest, s.Totals)
				}
				newest = s.Totals
				if s.Checkpoint != nil {
					saved, kept = s.Checkpoint, s.Totals
				}
			}
		}
	})
}

// failer is what both testing and rapid can do.
type failer interface {
	Helper()
	Fatalf(string, ...any)
}

// soundSnapshot checks what must hold of every snapshot: no number that is none, every
// interval in order and around its value, nothing doubtful without a reason, no fuel beyond
// what a cylinder can hold, a checkpoint and events that can be written.
func soundSnapshot(t failer, s *Snapshot, latest time.Duration) {
	t.Helper()
	soundValue(t, "snapshot", reflect.ValueOf(s), latest)
	e := s.Est
	if q := e.FuelKg; q.Low < 0 || e.CapacityKg.Known() && q.High > e.CapacityKg.Value*brimFrac*(1+1e-12) {
		t.Fatalf("fuel %+v in a cylinder of %+v", q, e.CapacityKg)
	}
	for name, q := range map[string]estimate.Quantity{"gross": e.GrossKg, "burn": e.BurnKgPerH, "heater": e.HeaterKgPerH, "other": e.OtherKgPerH,
		"vapour": e.VapourKgPerH, "pressure": e.CylinderKPa, "smallest loss": e.Watch.SmallestGPerH} {
		if q.Low < 0 {
			t.Fatalf("%s from %g", name, q.Low)
		}
	}
	for i := range s.Events {
		if _, err := json.Marshal(s.Events[i]); err != nil {
			t.Fatalf("event %+v: %v", s.Events[i], err)
		}
	}
	if n := len(s.Checkpoint); n > mostCheckpointB {
		t.Fatalf("a checkpoint of %d bytes, want %d at most", n, mostCheckpointB)
	}
}

// soundValue walks everything a value holds.
func soundValue(t failer, path string, v reflect.Value, up time.Duration) {
	t.Helper()
	if v.Type() == quantityType {
		soundQuantity(t, path, v.Interface().(estimate.Quantity), up)
		return
	}
	switch v.Kind() {
	case reflect.Float64:
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			t.Fatalf("%s is %v", path, x)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if f := v.Type().Field(i); f.IsExported() {
				soundValue(t, path+"."+f.Name, v.Field(i), up)
			}
		}
	case reflect.Slice, reflect.Array:
		if v.Type().Elem().Kind() == reflect.Uint8 {
			return
		}
		for i := range v.Len() {
			soundValue(t, path, v.Index(i), up)
		}
	case reflect.Pointer:
		if !v.IsNil() && v.Type() != commandType { // what came in, not what goes out
			soundValue(t, path, v.Elem(), up)
		}
	}
}

var (
	quantityType = reflect.TypeFor[estimate.Quantity]()
	commandType  = reflect.TypeFor[*Command]()
)

func soundQuantity(t failer, path string, q estimate.Quantity, up time.Duration) {
	t.Helper()
	for _, x := range [...]float64{q.Value, q.Low, q.High} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			t.Fatalf("%s is %+v", path, q)
		}
	}
	switch {
	case q.Known() && !(q.Low <= q.Value && q.Value <= q.High):
		t.Fatalf("%s lies outside its interval: %+v", path, q)
	case q.Quality != sensors.Good && q.Why == "":
		t.Fatalf("%s is doubtful without a reason: %+v", path, q)
	case q.Known() && q.At > up+time.Microsecond: // seconds are kept as floating point
		t.Fatalf("%s rests on a reading of the future: %+v at %v", path, q, up)
	}
}

// heldB is what a value holds on to, in bytes: slices to their capacity, maps, strings, and all
// that pointers lead to.
func heldB(v reflect.Value, seen map[uintptr]bool) int {
	n := 0
	switch v.Kind() {
	case reflect.Pointer:
		if p := v.Pointer(); p != 0 && !seen[p] {
			seen[p] = true
			n = int(v.Type().Elem().Size()) + heldB(v.Elem(), seen)
		}
	case reflect.Interface:
		if !v.IsNil() {
			n = heldB(v.Elem(), seen)
		}
	case reflect.Slice:
		n = v.Cap() * int(v.Type().Elem().Size())
		for i := range v.Len() {
			n += heldB(v.Index(i), seen)
		}
	case reflect.Array:
		for i := range v.Len() {
			n += heldB(v.Index(i), seen)
		}
	case reflect.Map:
		for i := v.MapRange(); i.Next(); {
			n += int(v.Type().Key().Size()+v.Type().Elem().Size()) + heldB(i.Key(), seen) + heldB(i.Value(), seen)
		}
	case reflect.String:
		n = v.Len()
	case reflect.Struct:
		for i := range v.NumField() {
			n += heldB(v.Field(i), seen)
		}
	}
	return n
}

// TestMonthsOfEverythingHoldNoMoreThanTwo lives months, the hours around midnight and
// noon of each day: a cylinder with a name of its own comes every other day, sensors die and
// come back, boots follow each other. What is kept, in memory and in the checkpoint, stops
// growing.
func TestMonthsOfEverythingHoldNoMoreThanTwo(t *testing.T) {
	if testing.Short() {
		t.Skip("long: two months")
	}
	t.Parallel()
	const tick, days, halfDays = 30 * time.Second, 140, 100
	_, p, _ := redraw(t, 0)
	for i := range p.Wiring {
		p.Wiring[i].Period = tick
	}
	c := New(p)
	r := rand.New(rand.NewPCG(3, 3))
	load, heat := p.Wiring.Index(sensors.LoadCounts), p.Wiring.Index(sensors.HeatCall)
	in := Input{Boot: "boot-1", Readings: make([]sensors.Reading, len(p.Wiring))}
	say := make([]voice, len(p.Wiring))
	start := time.Date(2026, 9, 1, 0, 0, 0, 0, time.UTC)
	kg := 16.0
	s := p.Estimate.Scale
	var halfB, halfCheckpointB, mostB, mostCheckpoint, placed int
	var sumB, saves [2]float64 // of checkpoints, in the days before halfDays and after
	for k, up := 0, time.Duration(0); k < int(days*24*time.Hour/tick); k++ {
		lived := time.Duration(k) * tick
		day, tickOfDay := int(lived/(24*time.Hour)), k%int(24*time.Hour/tick)
		up += tick
		in.Stamp, in.Command = sensors.Stamp{Up: up, Wall: start.Add(lived)}, nil
		if tickOfDay == 0 {
			for i, w := range p.Wiring {
				v := voice{level: 20, noise: 0.05}
				switch {
				case w.Channel.IsSwitch():
					v = voice{as: stuck, level: 1}
				case w.Channel == sensors.GasV:
					v = voice{level: 0.5, noise: 0.002}
				case w.Channel == sensors.GasSupplyV:
					v.level = 5
				case w.Channel == sensors.BaroKPa:
					v.level = 98
				}
				if r.IntN(12) == 0 {
					v.as = behaviour(1 + r.IntN(int(anything)))
				}
				say[i] = v
			}
			if day%9 == 8 {
				in.Boot = fmt.Sprintf("boot-%d", day)
				up = 0
			}
		}
		hour := (lived % (24 * time.Hour)).Hours()
		if hour > 2.5 && hour < 12 || hour > 14.5 && hour < 23 {
			continue
		}
		for i, v := range say {
			in.Readings[i] = v.read(r, tickOfDay)
		}
		burns := hour < 3 && int(lived/(20*time.Minute))%2 == 0
		if heat >= 0 && say[heat].as == stuck {
			in.Readings[heat] = sensors.Of(map[bool]float64{true: 1}[burns])
		}
		if burns {
			kg -= 0.2 * tick.Hours()
		}
		change := day%2 == 1 && hour > 12
		switch {
		case change && hour < 13:
			kg = 0
		case change && kg == 0:
			kg = 14 + 3*r.Float64()
			in.Command = &Command{Changed: &estimate.Change{TareKg: 7 + r.Float64(), Name: fmt.Sprintf("cylinder %d", day)}}
		}
		if say[load].as == plain {
			in.Readings[load] = sensors.Of(math.Round(s.ZeroCounts + s.CountsPerKg*(kg+0.0003*r.NormFloat64())))
		}
		snap := c.Step(in)
		if snap.Checkpoint == nil {
			continue
		}
		placed = int(snap.Totals.CylinderChanges)
		mostCheckpoint = max(mostCheckpoint, len(snap.Checkpoint))
		if day >= 60 { // the lists are full by then
			part := day / halfDays
			sumB[part] += float64(len(snap.Checkpoint))
			saves[part]++
		}
		if tickOfDay%360 == 0 {
			mostB = max(mostB, heldB(reflect.ValueOf(c), map[uintptr]bool{}))
		}
		if day < halfDays {
			halfB, halfCheckpointB = mostB, mostCheckpoint
		}
	}
	t.Logf("%d cylinders, %d nights: held %d B within %d days, %d B within %d; checkpoint at most %d B, then %d B", placed, c.totals.Nights, halfB, halfDays, mostB, days, halfCheckpointB, mostCheckpoint)
	if placed < 20 || c.totals.Nights < 50 {
		t.Errorf("%d cylinders and %d nights are too few for so many days", placed, c.totals.Nights)
	}
	// What an undo and a card hold comes and goes, so the largest of more checkpoints is larger
	// though nothing grows (960 days: 34 kB); their mean is not.
	early, late := sumB[0]/saves[0], sumB[1]/saves[1]
	t.Logf("a checkpoint has %.0f B in the mean at first, %.0f B later", early, late)
	if !(late <= early*1.05) || mostB > halfB+halfB/20 || mostCheckpoint > halfCheckpointB+halfCheckpointB/20 || mostCheckpoint > mostCheckpointB {
		t.Error("it goes on growing")
	}
}
