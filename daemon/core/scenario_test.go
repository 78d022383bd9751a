package core

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"hash"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/daemon/lpg"
	"frostline/sensors"
	"frostline/sensors/sim"
	"frostline/testdata/scenarios"
)

// simParams is what the owner of a simulated van would configure.
func simParams(v *sim.Van) Params {
	o := v.Owner()
	p := Params{Wiring: v.Wiring(), Setpoints: alerts.Defaults()}
	p.Estimate = estimate.Params{AltitudeM: o.AltitudeM,
		Scale: estimate.Scale{CountsPerKg: o.CountsPerKg, ZeroCounts: o.ZeroCounts, CalibratedAtC: o.CalibratedAtC,
			CapacityKg: o.CapacityKg, ZeroTCGPerK: o.ZeroTCGPerK, SpanTCPPMPerK: o.SpanTCPPMPerK, CreepPct30min: o.CreepPct30min},
		Cylinder: estimate.Cylinder{TareKg: o.StampedTareKg, TareSDKg: o.TareSDKg, CapacityKg: o.CylinderKg, PropaneMassFrac: 1},
		Gas:      estimate.Gas{SupplyV: o.GasSupplyV, LoadOhm: o.GasLoadOhm, R0Ohm: o.GasR0Ohm, TestMix: o.GasR0Ohm > 0}}
	for _, a := range o.Appliances {
		p.Estimate.Appliances = append(p.Estimate.Appliances, estimate.Appliance{Name: a.Name,
			Kind: estimate.ApplianceKind(a.Kind), RatedKW: a.KW, MinKW: a.MinKW})
		if a.Kind == "heater" {
			kg, _ := lpg.Pure(lpg.Propane).BurnKgPerH(a.KW, lpg.Net)
			p.Nights.HeaterKgPerH += kg
			p.Nights.Heaters = append(p.Nights.Heaters, a.Name)
		}
	}
	p.Nights.Zone = time.FixedZone("van", int(o.UTCOffsetH*3600))
	p.Setpoints.Zone = p.Nights.Zone
	p.Nights.StartMin, p.Nights.EndMin = 18*60, 10*60
	p.Nights.DriftKgPerK = o.ZeroTCGPerK / 1000
	return p
}

// orderOf is an act of the scenario's owner in the words of the core.
func orderOf(a sim.Act) *Command {
	c := &Command{Actor: "owner"}
	switch a.Do {
	case sim.ActAck:
		c.Ack = a.Alarm
	case sim.ActAckAudible:
		c.AckAudible = true
	case sim.ActReset:
		c.Reset = a.Alarm
	case sim.ActChanged:
		c.Changed = &estimate.Change{TareKg: a.TareKg, CapacityKg: a.CapacityKg, FillKg: a.FillKg}
	case sim.ActSameCylinder:
		c.Changed = &estimate.Change{Same: true}
	case sim.ActExpectedLow:
		c.ExpectedLow = &ExpectedLow{C: a.C}
	case sim.ActWeightWatch:
		on := a.On
		c.WeightWatch = &on
	}
	return c
}

// drive plays a scenario: step is called with each tick of it.
func drive(t testing.TB, name string, step func(v *sim.Van, in Input)) {
	t.Helper()
	text, err := scenarios.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	sc, err := sim.Load(text, name)
	if err != nil {
		t.Fatal(err)
	}
	v := sim.New(sc, 0)
	acts := v.Operator()
	in := Input{Readings: make([]sensors.Reading, len(v.Wiring()))}
	for {
		clear(in.Readings)
		st, err := v.Read(context.Background(), in.Readings)
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		in.Stamp, in.Boot, in.Command = st, v.Boot(), nil
		if len(acts) > 0 && acts[0].At <= v.Elapsed() {
			in.Command, acts = orderOf(acts[0]), acts[1:]
		}
		step(v, in)
	}
}

// live plays a scenario through a core; see is called after each tick.
func live(t testing.TB, name string, see func(in Input, s *Snapshot, truth func() sim.Truth)) {
	t.Helper()
	var c *Core
	drive(t, name, func(v *sim.Van, in Input) {
		if c == nil {
			c = New(simParams(v))
		}
		see(in, c.Step(in), v.Truth)
	})
}

// seen is what came of one scenario. Three tests look at it, each at its part.
type seen struct {
	raised   map[string]bool // alarms
	starvedN int             // alarms of a starved heater
	cause    string          // what was said of the first of them
	fuel     fuelSeen
	starve   starvedMin
}

// fuelSeen counts minutes with a cylinder by how the fuel was told.
type fuelSeen struct {
	n, told, inside int
	worstKg         float64 // error
}

func (f *fuelSeen) add(s *Snapshot, truth func() sim.Truth) {
	if s.Tick%60 != 0 || s.Stamp.Up < 10*time.Minute {
		return
	}
	tr, fuel := truth(), s.Est.FuelKg
	if !tr.CylinderPresent {
		return
	}
	f.n++
	if !fuel.Known() {
		return
	}
	f.told++
	if fuel.Low <= tr.FuelKg && tr.FuelKg <= fuel.High {
		f.inside++
	}
	f.worstKg = max(f.worstKg, math.Abs(fuel.Value-tr.FuelKg))
}

var lives sync.Map // name of a scenario: the function that lives it, once

// livedOnce is what comes of a scenario, which the first test that asks lives.
func livedOnce(t *testing.T, name string) *seen {
	t.Helper()
	once, _ := lives.LoadOrStore(name, sync.OnceValue(func() *seen {
		l := &seen{raised: map[string]bool{}, starve: starvedMin{first: map[string]int{}}}
		live(t, name, func(_ Input, s *Snapshot, truth func() sim.Truth) {
			for _, e := range s.Events {
				if e.Alarm != nil && e.Alarm.To == alerts.Unacked.String() {
					l.raised[e.Alarm.ID] = true
					if e.Alarm.ID == "starved" {
						l.starvedN++
						l.cause = cmp.Or(l.cause, e.Alarm.Why)
					}
				}
			}
			l.fuel.add(s, truth)
			l.starve.add(s, truth)
		})
		return l
	}))
	return once.(func() *seen)()
}

// long skips what takes long, under -short: .ci/test runs those without emulation.
func long(t *testing.T, scenario string) {
	t.Helper()
	if testing.Short() && !slices.Contains([]string{"quiet-night", "leak", "valve-left-shut", "boots-in-the-past", "heater-locks-out", "dead-gas"}, scenario) {
		t.Skip("long: it runs without -short")
	}
}

// TestScenariosWakeForWhatHappensAndForNothingElse plays every scenario of the simulated
// van, which shares no model with the estimators.
func TestScenariosWakeForWhatHappensAndForNothingElse(t *testing.T) {
	// Every boot is blind to gas until the sensor is warm, and says so.
	always := []string{"gas-blind"}
	for name, want := range map[string]struct {
		raised []string // besides always
		may    []string // neither asked for nor wrong
		cause  string   // named first when the heater starves
		again  int      // how often it starves anew after it had burned
	}{
		"quiet-night":           {},
		"cold-front":            {raised: []string{"pipe-cold", "supply-thin"}},
		"empty-at-three":        {raised: []string{"starved", "pipe-cold"}, may: []string{"tonight-short", "fuel-below-night"}, cause: "cylinder empty"},
		"exchange-underfilled":  {},
		"regulator-ices":        {raised: []string{"starved", "pipe-cold"}, cause: "ice at the regulator"},
		"valve-left-shut":       {raised: []string{"starved"}, cause: "valve or excess-flow device shut"},
		"excess-flow-shuts":     {raised: []string{"starved"}, may: []string{"tonight-short"}, cause: "valve or excess-flow device shut"},
		"cylinder-too-cold":     {raised: []string{"starved", "pipe-cold", "supply-thin"}, may: []string{"leak-suspicion"}, cause: "pressure too thin"}, // it limps at half its rate for hours, like a burner left on
		"heater-locks-out":      {raised: []string{"starved"}, cause: "cannot tell which: heater locked out", again: 1},                                 // twice, hours apart
		"regulator-fails":       {raised: []string{"starved"}, cause: "cannot tell which: heater locked out"},
		"slow-loss-20":          {raised: []string{"leak-suspicion"}, may: []string{"pipe-cold", "gas-trace"}},
		"burner-left-open":      {raised: []string{"gas-warning", "gas-leave"}, may: []string{"gas-trace", "starved", "leak-suspicion"}},
		"leak":                  {raised: []string{"gas-warning", "gas-leave"}, may: []string{"gas-trace", "starved", "leak-suspicion"}},
		"gas-sensor-cold-start": {may: []string{"gas-trace"}},
		"day-on-the-road":       {},
		"boots-in-the-past":     {raised: []string{"clock-untrusted", "monitoring-lost"}},
		"battery-runs-down":     {raised: []string{"battery-low", "starved"}, may: []string{"pipe-cold"}, cause: "house battery low"},
		"dead-scale":            {raised: []string{"sensor-fault"}},
		"dead-gas":              {},
		"dead-thermometer":      {raised: []string{"sensor-fault"}},
		"dead-baro":             {raised: []string{"sensor-fault"}},
		"dead-humidity":         {may: []string{"sensor-fault"}},
		"dead-heat-call":        {raised: []string{"sensor-fault"}},
		"dead-battery-sense":    {raised: []string{"sensor-fault"}},
	} {
		t.Run(name, func(t *testing.T) {
			long(t, name)
			t.Parallel()
			l := livedOnce(t, name)
			raised, starvedN, cause := maps.Clone(l.raised), l.starvedN, l.cause
			if !strings.HasPrefix(cause, want.cause) {
				t.Errorf("the heater starves for %q, want %q first", cause, want.cause)
			}
			if starvedN > 1+want.again {
				t.Errorf("starved was raised %d times, want %d at most: one cause, one message", starvedN, 1+want.again)
			}
			for _, id := range append(always, want.raised...) {
				if !raised[id] {
					t.Errorf("%s was not raised", id)
				}
				delete(raised, id)
			}
			for _, id := range want.may {
				delete(raised, id)
			}
			for id := range raised {
				t.Errorf("%s was raised for nothing", id)
			}
		})
	}
}

// TestFuelStaysWithinItsInterval holds fuel against the truth of the simulated van: 19
// ticks in 20 inside the interval, and the interval no wider than it must be.
func TestFuelStaysWithinItsInterval(t *testing.T) {
	for _, name := range []string{"quiet-night", "cold-front", "regulator-ices", "day-on-the-road", "exchange-underfilled"} {
		t.Run(name, func(t *testing.T) {
			long(t, name)
			t.Parallel()
			f := livedOnce(t, name).fuel
			if share := float64(f.inside) / float64(f.told); share < 0.95 {
				t.Errorf("the interval held the truth %.1f %% of the time, want 95", 100*share)
			}
			if share := float64(f.told) / float64(f.n); share < 0.95 {
				t.Errorf("fuel was known %.1f %% of the time only", 100*share)
			}
			if f.worstKg > 0.35 {
				t.Errorf("fuel was off by %.3f kg at worst", f.worstKg)
			}
		})
	}
}

// TestReplayEqualsLivingIt holds the promise inside the core: the recording of a live run
// gives the same events, and the same snapshots wherever one is looked at.
func TestReplayEqualsLivingIt(t *testing.T) {
	for _, name := range []string{"leak", "boots-in-the-past"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := paramsOf(t, name)
			var rec bytes.Buffer
			enc, err := NewEncoder(&rec, NewHeader(p.Wiring))
			if err != nil {
				t.Fatal(err)
			}
			lived, replayed := sha256.New(), sha256.New()
			live(t, name, func(in Input, s *Snapshot, _ func() sim.Truth) {
				if err := enc.Encode(in); err != nil {
					t.Fatal(err)
				}
				note(t, lived, s)
			})
			if err := enc.Flush(); err != nil {
				t.Fatal(err)
			}
			d, err := NewDecoder(&rec, p.Wiring)
			if err != nil {
				t.Fatal(err)
			}
			c := New(p)
			for {
				in, err := d.Next()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				note(t, replayed, c.Step(in))
			}
			if !bytes.Equal(lived.Sum(nil), replayed.Sum(nil)) {
				t.Error("the replay parts from the life it recorded")
			}
		})
	}
}

// note adds every event, and each tenth snapshot whole, to a digest.
func note(t *testing.T, h hash.Hash, s *Snapshot) {
	enc := json.NewEncoder(h)
	if err := enc.Encode(s.Events); err != nil {
		t.Fatal(err)
	}
	if s.Tick%10 == 0 {
		if err := enc.Encode(s); err != nil {
			t.Fatal(err)
		}
	}
}

func paramsOf(t testing.TB, name string) Params {
	text, err := scenarios.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	sc, err := sim.Load(text, name)
	if err != nil {
		t.Fatal(err)
	}
	return simParams(sim.New(sc, 0))
}

// TestARestartGoesOnWhereThePowerWasCut cuts the power in the middle of an alarm: what was
// acknowledged stays so by the Restart column of sensing.md 6.2, totals do not fall, and
// the gap is told.
func TestARestartGoesOnWhereThePowerWasCut(t *testing.T) {
	var ins []Input
	live(t, "leak", func(in Input, _ *Snapshot, _ func() sim.Truth) {
		in.Readings = append([]sensors.Reading(nil), in.Readings...)
		ins = append(ins, in)
	})
	p := paramsOf(t, "leak")
	c := New(p)
	var last *Snapshot
	const cut = 1250
	for i := range cut {
		if i == 1200 {
			ins[i].Command = &Command{Actor: "owner", Ack: "gas-warning"}
			ins[i+1].Command = &Command{Actor: "owner", Ack: "gas-leave"}
		}
		last = c.Step(ins[i])
	}
	checkpoint := last.Checkpoint
	if checkpoint == nil {
		checkpoint = c.saved
	}
	again := New(p)
	if err := again.Restore(checkpoint); err != nil {
		t.Fatal(err)
	}
	in := ins[cut]
	in.Boot, in.Stamp.Up, in.Stamp.Wall = "second", 0, in.Stamp.Wall.Add(3*time.Hour)
	first := again.Step(in)
	state := func(s *Snapshot, id string) alerts.State {
		for _, a := range s.Alarms {
			if a.ID == id {
				return a.State
			}
		}
		t.Fatalf("no alarm %s", id)
		return 0
	}
	if got := state(last, "gas-leave"); got != alerts.Acked {
		t.Fatalf("before the cut leave is %v, want acknowledged", got)
	}
	if got := state(first, "gas-leave"); got != alerts.Unacked {
		t.Errorf("after the cut leave is %v; an acknowledged gas alarm is announced anew", got)
	}
	if got := state(first, "monitoring-lost"); got != alerts.Unacked {
		t.Errorf("the gap is %v, want it raised", got)
	}
	why := ""
	for _, a := range first.Alarms {
		if a.ID == "monitoring-lost" {
			why = a.Why
		}
	}
	if !strings.Contains(why, "3 h") {
		t.Errorf("the gap reads %q, want its length of 3 h", why)
	}
	if first.Totals.BurnedKg < last.Totals.BurnedKg-0.15*10.0/60 {
		t.Errorf("burned %g kg after the cut, %g before: more than ten minutes lost", first.Totals.BurnedKg, last.Totals.BurnedKg)
	}
	if first.Totals.Boots != last.Totals.Boots+1 {
		t.Errorf("boots %d, want %d", first.Totals.Boots, last.Totals.Boots+1)
	}
}

// TestAStopInOrderIsNoLossOfMonitoring and a cold start after a panic keeps what people
// entered.
func TestAStopInOrderIsNoLossOfMonitoring(t *testing.T) {
	p := paramsOf(t, "quiet-night")
	c := New(p)
	in := Input{Boot: "a", Readings: make([]sensors.Reading, len(p.Wiring))}
	c.Step(in)
	in.Stamp.Up = time.Second
	in.Command = &Command{Actor: "shell", Stop: "asked to stop"}
	s := c.Step(in)
	again := New(p)
	if err := again.Restore(s.Checkpoint); err != nil {
		t.Fatal(err)
	}
	in.Boot, in.Command = "b", nil
	for _, a := range again.Step(in).Alarms {
		if a.ID == "monitoring-lost" && a.State != alerts.Normal {
			t.Errorf("monitoring lost is %v after a stop in order", a.State)
		}
	}
	cold := New(p)
	if err := cold.RestoreCold(s.Checkpoint); err != nil {
		t.Fatal(err)
	}
	cold.Step(in)
	if err := New(p).Restore([]byte(`{"version":99}`)); err == nil || !strings.Contains(err.Error(), "version 99") {
		t.Errorf("a checkpoint of a newer program was taken: %v", err)
	}
}

// FuzzStep feeds nonsense: mass stays in range, no NaN leaves, alarms only make legal moves
// (the engine's own property test), and nothing panics.
func FuzzStep(f *testing.F) {
	f.Add([]byte("\x00\x01\x02 any bytes at all"), uint8(1))
	f.Add([]byte{255, 0, 128, 7, 7, 7, 7, 7, 7, 7, 9, 200, 13}, uint8(10))
	p := paramsOf(f, "quiet-night")
	f.Fuzz(func(t *testing.T, b []byte, stepS uint8) {
		c := New(p)
		in := Input{Boot: "a", Readings: make([]sensors.Reading, len(p.Wiring))}
		for i, x := range b {
			in.Stamp.Up += time.Duration(stepS%11) * time.Second
			in.Stamp.Wall = time.Unix(int64(x)*1e7, 0).UTC()
			r := &in.Readings[i%len(in.Readings)]
			switch x % 4 {
			case 0:
				*r = sensors.Reading{}
			case 1:
				*r = sensors.Fault("timeout")
			case 2:
				*r = sensors.Of(float64(int8(x)) * math.Pow(10, float64(i%9)-1))
			case 3:
				*r = sensors.Of([]float64{math.MaxFloat64, -math.MaxFloat64, 0, 1<<23 - 1, -1 << 23, 85, 5, 1}[i%8])
			}
			s := c.Step(in)
			for _, q := range []estimate.Quantity{s.Est.FuelKg, s.Est.GrossKg, s.Est.BurnKgPerH, s.Est.CabinC, s.Tonight.NightsLeft, s.Est.FloorGasPctLEL} {
				if math.IsNaN(q.Value+q.Low+q.High) || q.Known() && !(q.Low <= q.Value && q.Value <= q.High) {
					t.Fatalf("tick %d: impossible %+v", i, q)
				}
				if !q.Known() && q.Why == "" {
					t.Fatalf("tick %d: unknown without a reason", i)
				}
			}
			if fuel := s.Est.FuelKg; fuel.Known() && (fuel.Low < 0 || fuel.High > 50) {
				t.Fatalf("tick %d: %g to %g kg in the cylinder", i, fuel.Low, fuel.High)
			}
			if _, err := json.Marshal(s); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// BenchmarkStep is ticks replayed per second per core, and what each allocates.
func BenchmarkStep(b *testing.B) {
	var ins []Input
	live(b, "quiet-night", func(in Input, _ *Snapshot, _ func() sim.Truth) {
		in.Readings = append([]sensors.Reading(nil), in.Readings...)
		ins = append(ins, in)
	})
	c := New(paramsOf(b, "quiet-night"))
	b.ReportAllocs()
	i, boot := 0, 0
	for b.Loop() {
		if i == len(ins) {
			i, boot = 0, boot+1
		}
		in := ins[i]
		in.Boot = in.Boot + string(rune('a'+boot%26))
		c.Step(in)
		i++
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "ticks/s")
}

// TestAQuietTickAllocatesTheSnapshotAndNothingElse counts between two checkpoints and two
// forecasts: the snapshot and the estimates in it, which others keep.
func TestAQuietTickAllocatesTheSnapshotAndNothingElse(t *testing.T) {
	p := paramsOf(t, "quiet-night")
	c := New(p)
	in := Input{Boot: "a", Readings: make([]sensors.Reading, len(p.Wiring))}
	gas, heat := p.Wiring.Index(sensors.GasV), p.Wiring.Index(sensors.HeatCall)
	tick := func() *Snapshot {
		in.Stamp.Up += time.Second
		in.Stamp.Wall = time.Date(2026, 11, 25, 2, 0, 0, 0, time.UTC).Add(in.Stamp.Up)
		in.Readings[gas] = sensors.Of(0.6 + 0.001*float64(in.Stamp.Up/time.Second%7))
		in.Readings[heat] = sensors.Of(0)
		return c.Step(in)
	}
	for tick().Stamp.Up < 3605*time.Second { // a checkpoint and a forecast have just been
	}
	if n := testing.AllocsPerRun(40, func() { tick() }); n > 2 {
		t.Errorf("%g allocations a tick, want the snapshot and its estimates", n)
	}
}

// TestAQuickDeathIsNoStepOfTheClock kills a boot in its first tick and starts the next a
// moment later on its own clock.
func TestAQuickDeathIsNoStepOfTheClock(t *testing.T) {
	p := paramsOf(t, "quiet-night")
	c := New(p)
	in := Input{Boot: "a", Readings: make([]sensors.Reading, len(p.Wiring))}
	in.Stamp = sensors.Stamp{Up: 100 * time.Millisecond, Wall: time.Date(2026, 11, 25, 2, 0, 0, 0, time.UTC)}
	first := c.Step(in)
	again := New(p)
	if err := again.Restore(first.Checkpoint); err != nil {
		t.Fatal(err)
	}
	in.Boot = "b"
	in.Stamp = sensors.Stamp{Up: 120 * time.Millisecond, Wall: in.Stamp.Wall.Add(8 * time.Hour)}
	for _, e := range again.Step(in).Events {
		if e.Happening != nil && e.Happening.Kind == estimate.ClockStep {
			t.Errorf("eight hours in the dark are told as a step of %g s", *e.Happening.Seconds)
		}
	}
}
