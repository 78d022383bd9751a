package alerts

import (
	"math"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

func gasBands() []estimate.GasBand {
	return []estimate.GasBand{estimate.Blind, estimate.Background, estimate.Trace, estimate.Warning, estimate.Leave}
}

// row is a row of sensing.md 6.4 (or of layout.md, for what the program adds), with a way
// to make its condition true, false just inside the deadband, and false beyond it.
type row struct {
	id         string
	day, night Priority
	on, off    time.Duration
	latch      bool
	again      time.Duration // re-alarm, sensing.md 6.5
	silent     bool
	fixed      bool // neither shelved nor taken out of service
	raise      func(*Facts)
	inside     func(*Facts) // within the deadband: raises nothing, and clears nothing; nil if there is none
	clear      func(*Facts)
	dead       func(*Facts) // the sensor behind it dies; nil if the condition is never unknown
}

func q(v, low, high float64) estimate.Quantity {
	return estimate.Quantity{Value: v, Low: low, High: high, Quality: sensors.Good}
}

func band(level, hold estimate.GasBand) func(*Facts) {
	return func(f *Facts) { f.Est.GasLevel, f.Est.GasHold, f.Est.Band = level, hold, level }
}

func channel(ch sensors.Channel, quality sensors.Quality, v float64) func(*Facts) {
	return func(f *Facts) {
		c, _ := fitted(f, ch)
		c.Quality, c.Value = quality, v
	}
}

func gasRows() []row {
	const s, min = time.Second, time.Minute
	blind := band(estimate.Blind, estimate.Background)
	return []row{
		{id: "gas-leave", day: Critical, night: Critical, on: 5 * s, off: 600 * s, latch: true, again: 2 * min, fixed: true,
			raise: band(estimate.Leave, estimate.Leave), inside: band(estimate.Warning, estimate.Leave),
			clear: band(estimate.Warning, estimate.Warning), dead: blind},
		{id: "certified-alarm", day: Critical, night: Critical, on: 0, off: 10 * min, latch: true, again: 2 * min, fixed: true,
			raise: func(f *Facts) { f.Est.Certified = estimate.Yes }, clear: func(f *Facts) { f.Est.Certified = estimate.No },
			dead: func(f *Facts) { f.Est.Certified = estimate.Unsure }},
		{id: "co-alarm", day: Critical, night: Critical, on: 0, off: 10 * min, latch: true, again: 2 * min, fixed: true,
			raise: func(f *Facts) { f.Est.CO = estimate.Yes }, clear: func(f *Facts) { f.Est.CO = estimate.No },
			dead: func(f *Facts) { f.Est.CO = estimate.Unsure }},
		{id: "gas-warning", day: High, night: High, on: 30 * s, off: 300 * s, again: 10 * min, fixed: true,
			raise: band(estimate.Warning, estimate.Warning), inside: band(estimate.Trace, estimate.Warning),
			clear: band(estimate.Trace, estimate.Trace), dead: blind},
		{id: "gas-trace", day: Medium, night: Medium, on: 5 * min, off: 15 * min, silent: true, fixed: true,
			raise: band(estimate.Trace, estimate.Trace), inside: band(estimate.Background, estimate.Trace),
			clear: band(estimate.Background, estimate.Background), dead: blind},
		{id: "gas-blind", day: High, night: High, on: 10 * s, off: 60 * s, fixed: true, // the table allows 0 to 60 s
			raise: blind, clear: band(estimate.Background, estimate.Background)},
		{id: "leak-suspicion", day: Medium, night: Medium, on: 0, off: time.Hour, fixed: true, // "test window"
			raise:  func(f *Facts) { f.Est.Watch.Suspected, f.Est.Watch.LossGPerH = true, q(20, 12, 28) },
			inside: func(f *Facts) { f.Est.Watch.Suspected, f.Est.Watch.LossGPerH = false, q(9, 1, 17) },
			clear:  func(f *Facts) { f.Est.Watch.Suspected, f.Est.Watch.LossGPerH = false, q(3, -5, 11) },
			dead:   func(f *Facts) { f.Est.Watch.Suspected, f.Est.Watch.Quiet = false, false }},
	}
}

func vanRows() []row {
	const s, min = time.Second, time.Minute
	nightsLeft := func(v, low float64) func(*Facts) {
		return func(f *Facts) { f.Tonight.NightsLeft = q(v, low, v+1) }
	}
	return []row{
		{id: "monitoring-lost", day: High, night: High, on: 0, off: 60 * s, fixed: true,
			raise: func(f *Facts) { f.Lost = true }, clear: func(f *Facts) { f.Lost = false }},
		{id: "starved", day: High, night: High, on: 60 * s, off: 30 * min, // the table's 5 min made ten alarms of one night
			raise: func(f *Facts) { f.Est.Starved, f.Est.Heat = estimate.Yes, estimate.Yes },
			inside: func(f *Facts) { // a flame that the cylinder cannot keep
				f.Est.Starved, f.Est.Heat, f.Est.HeatFrac, f.Est.SupplyRatio = estimate.No, estimate.Yes, 0.9, q(0.4, 0.2, 0.6)
			},
			clear: func(f *Facts) { f.Est.Starved, f.Est.SupplyRatio = estimate.No, q(1.4, 1.1, 1.7) },
			dead:  func(f *Facts) { f.Est.Starved = estimate.Unsure }},
		{id: "pipe-cold", day: Medium, night: High, on: 10 * min, off: 30 * min,
			raise: func(f *Facts) { f.Est.PipeC = q(2, 1.5, 2.5) }, inside: func(f *Facts) { f.Est.PipeC = q(2.9, 2.4, 3.4) },
			clear: func(f *Facts) { f.Est.PipeC = q(3.1, 2.6, 3.6) }, dead: func(f *Facts) { f.Est.PipeC = estimate.Unknown("crc") }},
		{id: "battery-low", day: Medium, night: High, on: 60 * s, off: 300 * s,
			raise: func(f *Facts) { f.Est.BatteryV = q(11.8, 11.7, 11.9) }, inside: func(f *Facts) { f.Est.BatteryV = q(12.05, 12, 12.1) },
			clear: func(f *Facts) { f.Est.BatteryV = q(12.15, 12, 12.2) }, dead: func(f *Facts) { f.Est.BatteryV = estimate.Unknown("stale") }},
		{id: "overfilled", day: High, night: High, on: 60 * s, off: 10 * min,
			raise:  func(f *Facts) { f.Est.Overfilled, f.Est.FuelKg = true, q(9.4, 9.2, 9.6) },
			inside: func(f *Facts) { f.Est.Overfilled, f.Est.FuelKg = false, q(9.2, 9.0, 9.4) },
			clear:  func(f *Facts) { f.Est.Overfilled, f.Est.FuelKg = false, q(9.1, 8.9, 9.3) },
			dead:   func(f *Facts) { f.Est.Overfilled, f.Est.FuelKg = false, estimate.Unknown("moving") }},
		{id: "tonight-short", day: Medium, night: Medium, on: 10 * min, off: 60 * min,
			raise: func(f *Facts) { f.Tonight.Enough = estimate.No; nightsLeft(0.8, 0.5)(f) },
			inside: func(f *Facts) {
				f.Tonight.Enough = estimate.Yes
				nightsLeft(3, 2.09)(f)
			},
			clear: func(f *Facts) { f.Tonight.Enough = estimate.Yes; nightsLeft(3, 2.11)(f) },
			dead:  func(f *Facts) { f.Tonight.Enough = estimate.Unsure; f.Tonight.NightsLeft = estimate.Unknown("moving") }},
		{id: "fuel-below-night", day: Medium, night: Medium, on: 10 * min, off: 60 * min,
			raise: nightsLeft(0.99, 0.5), inside: nightsLeft(1.04, 0.5), clear: nightsLeft(1.06, 0.5),
			dead: func(f *Facts) { f.Tonight.NightsLeft = estimate.Unknown("moving") }},
		{id: "supply-thin", day: Medium, night: Medium, on: 5 * min, off: 120 * min,
			raise:  func(f *Facts) { f.Est.SupplyRatio = q(1.3, 0.99, 1.6) },
			inside: func(f *Facts) { f.Est.SupplyRatio = q(1.4, 1.09, 1.7) },
			clear:  func(f *Facts) { f.Est.SupplyRatio = q(1.4, 1.11, 1.7) },
			dead:   func(f *Facts) { f.Est.SupplyRatio = estimate.Unknown("no flow") }},
		{id: "sensor-fault", day: Medium, night: Medium, on: 30 * s, off: 60 * s,
			raise: channel(sensors.CabinC, sensors.Bad, 0), clear: channel(sensors.CabinC, sensors.Good, 17)},
		{id: "requalification-due", day: Low, night: Low,
			raise: func(f *Facts) { f.Stamp.Wall = time.Date(2031, 5, 1, 15, 0, 0, 0, time.UTC) },
			clear: func(f *Facts) { f.Stamp.Wall = time.Date(2031, 4, 30, 15, 0, 0, 0, time.UTC) },
			dead:  func(f *Facts) { f.Est.ClockTrusted = false }},
		{id: "clock-untrusted", day: Low, night: Low, on: 10 * min, off: 10 * min, silent: true,
			raise: func(f *Facts) { f.Est.ClockTrusted = false }, clear: func(f *Facts) { f.Est.ClockTrusted = true }},
		{id: "store-failing", day: Low, night: Low, on: 10 * min, off: 10 * min, silent: true,
			raise: channel(sensors.StoreAgeS, sensors.Good, 901), inside: channel(sensors.StoreAgeS, sensors.Good, 700),
			clear: channel(sensors.StoreAgeS, sensors.Good, 600), dead: channel(sensors.StoreAgeS, sensors.Missing, 0)},
		{id: "broker-away", day: Low, night: Low, on: 10 * min, off: 10 * min, silent: true,
			raise: channel(sensors.BrokerLink, sensors.Good, 0), clear: channel(sensors.BrokerLink, sensors.Good, 1),
			dead: channel(sensors.BrokerLink, sensors.Missing, 0)},
		{id: "messages-stuck", day: Low, night: Low, on: 10 * min, off: 10 * min, silent: true,
			raise: channel(sensors.MailLink, sensors.Good, 0), clear: channel(sensors.MailLink, sensors.Good, 1),
			dead: func(f *Facts) {
				channel(sensors.MailLink, sensors.Missing, 0)(f)
				channel(sensors.WebhookLink, sensors.Missing, 0)(f)
			}},
		{id: "outbox-lost", day: Medium, night: Medium, on: 0, off: 60 * s,
			raise: channel(sensors.OutboxLost, sensors.Good, 1), clear: channel(sensors.OutboxLost, sensors.Good, 0),
			dead: channel(sensors.OutboxLost, sensors.Missing, 0)},
		{id: "board-undervolt", day: Medium, night: Medium, on: 60 * s, off: 300 * s,
			raise: channel(sensors.BoardUndervolt, sensors.Good, 1), clear: channel(sensors.BoardUndervolt, sensors.Good, 0),
			dead: channel(sensors.BoardUndervolt, sensors.Missing, 0)},
		{id: "sounder-failing", day: Medium, night: Medium, on: 60 * s, off: 60 * s,
			raise: channel(sensors.SounderOK, sensors.Good, 0), clear: channel(sensors.SounderOK, sensors.Good, 1),
			dead: channel(sensors.SounderOK, sensors.Missing, 0)},
	}
}

// bench is the whole catalogue over an ordinary van, and one row of it under test.
type bench struct {
	t *testing.T
	row
	e *Engine
	f *Facts
	i int
}

func newBench(t *testing.T, r row) *bench {
	set := Defaults()
	set.Broker, set.RequalifyBy = true, "2031-05"
	b := &bench{t: t, row: r, e: NewEngine(Catalogue(set), set), f: ordinaryFacts()}
	b.i = b.e.index(r.id)
	if b.i < 0 {
		t.Fatalf("no alarm %s in the catalogue", r.id)
	}
	b.run(time.Second)
	b.want(Normal, "in an ordinary van")
	return b
}

// run steps by the second.
func (b *bench) run(d time.Duration) {
	for end := b.f.Stamp.Up + d; b.f.Stamp.Up < end; {
		b.f.Stamp.Up += time.Second
		b.e.Step(b.f)
	}
}

func (b *bench) want(s State, when string) {
	b.t.Helper()
	if got := b.e.Status()[b.i]; got.State != s {
		b.t.Fatalf("%s: %s is %v (%s), want %v", when, b.id, got.State, got.Why, s)
	}
}

// timed steps from the tick that changes the condition until the state leaves from, and
// wants that to take exactly d.
func (b *bench) timed(from State, d time.Duration, what string) {
	b.t.Helper()
	b.run(time.Second)
	start := b.f.Stamp.Up
	for b.e.Status()[b.i].State == from {
		if b.f.Stamp.Up-start > d {
			b.t.Fatalf("%s of %s: still %v after %v, want %v", what, b.id, from, b.f.Stamp.Up-start, d)
		}
		b.run(time.Second)
	}
	if took := b.f.Stamp.Up - start; took != d {
		b.t.Errorf("%s of %s took %v, want %v", what, b.id, took, d)
	}
}

func TestEveryAlarmBehavesAsItsRowSays(t *testing.T) {
	rows := append(gasRows(), vanRows()...)
	for _, r := range rows {
		t.Run(r.id, func(t *testing.T) {
			b := newBench(t, r)
			b.checkDeadband()
			b.raise(b.f)
			b.timed(Normal, r.on, "on-delay")
			b.want(Unacked, "raised")
			b.checkRaised()
			if r.inside != nil {
				r.inside(b.f)
				b.run(r.off + time.Minute)
				if got := b.e.Status()[b.i].State; got != Unacked {
					t.Fatalf("%s cleared within its deadband", r.id)
				}
			}
			if r.dead != nil {
				r.dead(b.f)
				b.run(r.off + time.Minute)
				b.want(Unacked, "with its sensor dead")
				if got := b.e.Status()[b.i].Quality; got >= sensors.Suspect {
					t.Errorf("with its sensor dead quality reads %v", got)
				}
				b.f.Est.ClockTrusted = true
				b.f.Est.Watch.Quiet = true
			}
			r.clear(b.f)
			b.timed(Unacked, r.off, "off-delay")
			gone := Returned
			if r.latch {
				gone = LatchedUnacked
			}
			b.want(gone, "condition gone")
		})
	}
	if all := Catalogue(Defaults()); len(all) != len(rows) {
		t.Errorf("%d rows tested, the catalogue has %d", len(rows), len(all))
	}
}

// checkDeadband wants that what is inside the deadband raises nothing by itself.
func (b *bench) checkDeadband() {
	if b.inside == nil {
		return
	}
	keep := *b.f.Est
	b.inside(b.f)
	b.f.Est.GasHold = b.f.Est.GasLevel // nothing was reached before
	b.run(b.on + time.Minute)
	b.want(Normal, "in the deadband before it was ever raised")
	b.clear(b.f)
	tonight, channels := b.f.Tonight, b.f.Est.Channels
	*b.f.Est = keep
	b.f.Tonight, b.f.Est.Channels = tonight, channels
	b.run(time.Second)
}

func (b *bench) checkRaised() {
	b.t.Helper()
	s := b.e.Status()[b.i]
	if s.Priority != b.day {
		b.t.Errorf("%s has priority %v by day, want %v", b.id, s.Priority, b.day)
	}
	if r := b.e.alarms[b.i].rule; r.priority(&Facts{Est: b.f.Est, AtNight: true}) != b.night {
		b.t.Errorf("%s has priority %v at night, want %v", b.id, r.priority(&Facts{Est: b.f.Est, AtNight: true}), b.night)
	}
	if s.Sounding == b.silent || s.Silent != b.silent {
		b.t.Errorf("%s: sounding %v, silent %v; want silent %v", b.id, s.Sounding, s.Silent, b.silent)
	}
	if s.Latches != b.latch || s.ReAlarm != b.again {
		b.t.Errorf("%s: latches %v, re-alarm %v; want %v, %v", b.id, s.Latches, s.ReAlarm, b.latch, b.again)
	}
	if s.CanShelve == b.fixed || s.CanLeave == b.fixed {
		b.t.Errorf("%s: can be shelved %v, can leave service %v; want %v", b.id, s.CanShelve, s.CanLeave, !b.fixed)
	}
	_, errShelve := b.e.Shelve(b.id, "ann", 9*time.Hour, b.f.Stamp)
	_, errLeave := b.e.OutOfService("no-such", "ann", b.f.Stamp)
	if errShelve == nil || errLeave == nil {
		b.t.Errorf("%s: a shelf of nine hours and an unknown id were taken", b.id)
	}
}

func TestTheVanInOrderRaisesNothingInADay(t *testing.T) {
	e, f := ordinaryVan()
	for range 24 * 360 {
		f.Stamp.Up += 10 * time.Second
		f.Stamp.Wall = f.Stamp.Wall.Add(10 * time.Second)
		for _, m := range e.Step(f) {
			if m.To != Suppressed.String() || m.ID != "broker-away" {
				t.Errorf("in an ordinary day: %+v", m)
			}
		}
	}
}

func TestWarningForTenMinutesIsLeave(t *testing.T) {
	b := newBench(t, gasRows()[0])
	band(estimate.Warning, estimate.Warning)(b.f)
	for b.f.Est.WarningForS < 599 {
		b.f.Est.WarningForS++
		b.run(time.Second)
	}
	b.want(Normal, "after 599 s of warning")
	b.f.Est.WarningForS = 600
	b.run(6 * time.Second)
	b.want(Unacked, "after 600 s of warning")
	b.f.Est.WarningForS = 0
	b.clear(b.f)
	b.run(599 * time.Second)
	b.want(Unacked, "599 s after the level fell")
	b.run(2 * time.Second)
	b.want(LatchedUnacked, "10 min after the level fell")
}

func TestASensorThatIsNotProvedRaisesButDeniesNothing(t *testing.T) {
	b := newBench(t, gasRows()[0])
	at := func(level estimate.GasBand) func(*Facts) {
		return func(f *Facts) { f.Est.GasLevel, f.Est.GasHold, f.Est.Band = level, level, estimate.Blind }
	}
	at(estimate.Leave)(b.f)
	b.run(10 * time.Second)
	b.want(Unacked, "leave by a sensor still warming up")
	if _, err := b.e.Ack(b.id, "ann", b.f.Stamp); err != nil {
		t.Fatal(err)
	}
	at(estimate.Trace)(b.f)
	for range 15 { // re-alarms come in between
		b.run(time.Minute)
		if s := b.e.Status()[b.i]; !s.State.Standing() || s.State >= Returned || s.Quality >= sensors.Suspect {
			t.Fatalf("a lower level of a blind sensor: %v, quality %v; want it standing and doubted", s.State, s.Quality)
		}
	}
}

func TestALeaveIsResetByAPersonOnlyAndSaysWhatThatIsWorth(t *testing.T) {
	b := newBench(t, gasRows()[0])
	b.raise(b.f)
	b.run(10 * time.Second)
	b.clear(b.f)
	b.run(700 * time.Second)
	if _, err := b.e.Reset(b.id, "ann", b.f.Stamp); err == nil {
		t.Fatal("reset before it was acknowledged")
	}
	if _, err := b.e.Ack(b.id, "ann", b.f.Stamp); err != nil {
		t.Fatal(err)
	}
	b.dead(b.f)
	b.run(time.Second)
	if _, err := b.e.Reset(b.id, "ann", b.f.Stamp); err == nil {
		t.Fatal("reset with the sensor blind")
	}
	b.clear(b.f)
	b.run(time.Second)
	moves, err := b.e.Reset(b.id, "ann", b.f.Stamp)
	if err != nil {
		t.Fatal(err)
	}
	if want := "reset by a person; this does not mean the air is fit to breathe; a qualified person decides on return"; moves[0].Why != want || moves[0].Actor != "ann" {
		t.Errorf("reset is logged as %+v, want why %q by ann", moves[0], want)
	}
}

func TestEachFaultOfASensorRaisesItsOwnAlarm(t *testing.T) {
	for _, ch := range sensors.Known() {
		e, f := ordinaryVan()
		channel(ch, sensors.Bad, math.NaN())(f)
		for range 120 {
			f.Stamp.Up += time.Second
			e.Step(f)
		}
		got := e.Status()[e.index("sensor-fault")].State == Unacked
		if want := isSensor(ch); got != want {
			t.Errorf("a bad %s: sensor fault %v, want %v", ch, got, want)
		}
	}
}

func TestAVanWithoutAGasSensorIsToldSoAndNotAlarmed(t *testing.T) {
	e, f := ordinaryVan()
	f.Est.Channels = nil
	band(estimate.Blind, estimate.Blind)(f)
	for range 600 {
		f.Stamp.Up += time.Second
		e.Step(f)
	}
	for _, id := range []string{"gas-blind", "gas-leave"} {
		s := e.Status()[e.index(id)]
		if s.State != Normal || s.Quality != sensors.Missing || s.Why != "no floor gas sensor is fitted; the certified alarm is the only watch" {
			t.Errorf("%s is %v, quality %v, why %q", id, s.State, s.Quality, s.Why)
		}
	}
}

func TestALeakIsMoreUrgentWithGasAtTheFloor(t *testing.T) {
	b := newBench(t, gasRows()[6])
	b.raise(b.f)
	b.run(2 * time.Second)
	if p := b.e.Status()[b.i].Priority; p != Medium {
		t.Errorf("priority %v without gas, want medium", p)
	}
	band(estimate.Trace, estimate.Trace)(b.f)
	b.run(time.Second)
	if p := b.e.Status()[b.i].Priority; p != High {
		t.Errorf("priority %v with trace, want high", p)
	}
}

func TestNamedSuppressionsAreShownAndOthersStayHeard(t *testing.T) {
	tests := map[string]struct {
		set  func(*Setpoints)
		make func(*Facts)
		ids  []string
	}{
		CylinderRemoved: {func(*Setpoints) {}, func(f *Facts) { f.Est.Cylinder = estimate.Removed },
			[]string{"overfilled", "tonight-short", "fuel-below-night", "supply-thin"}},
		WaterDrained:        {func(s *Setpoints) { s.WaterDrained = true }, func(*Facts) {}, []string{"pipe-cold"}},
		VanStored:           {func(s *Setpoints) { s.Stored = true }, func(*Facts) {}, []string{"starved", "tonight-short", "fuel-below-night", "supply-thin"}},
		BrokerNotConfigured: {func(s *Setpoints) { s.Broker = false }, func(*Facts) {}, []string{"broker-away"}},
	}
	for name, c := range tests {
		t.Run(name, func(t *testing.T) {
			set := Defaults()
			set.Broker = true
			c.set(&set)
			e, f := NewEngine(Catalogue(set), set), ordinaryFacts()
			c.make(f)
			e.Step(f)
			var got []string
			for _, s := range e.Status() {
				if s.State == Suppressed {
					got = append(got, s.ID)
					if s.SuppressedBy != name {
						t.Errorf("%s is suppressed by %q, want %q", s.ID, s.SuppressedBy, name)
					}
				}
			}
			if len(got) != len(c.ids) {
				t.Fatalf("suppressed %v, want %v", got, c.ids)
			}
			for i := range got {
				if got[i] != c.ids[i] {
					t.Errorf("suppressed %v, want %v", got, c.ids)
				}
			}
		})
	}
}

func TestANewCylinderDoesNotInheritTheOldOnesAlarm(t *testing.T) {
	b := newBench(t, vanRows()[6])
	b.raise(b.f)
	b.run(15 * time.Minute)
	b.want(Unacked, "the old cylinder is nearly empty")
	b.f.Est.Cylinder = estimate.Removed
	b.dead(b.f)
	b.run(time.Minute)
	b.want(Suppressed, "while it is off the scale")
	b.f.Est.Cylinder = estimate.Present
	b.run(time.Minute)
	b.want(Normal, "while the weight of the next one settles")
	b.f.Tonight.NightsLeft = q(6, 5, 7)
	b.run(time.Hour)
	b.want(Normal, "with a full one in its place")
}

func TestTheNoticeOfAShortTonightComesWhileDrivingIsPossible(t *testing.T) {
	set := Defaults()
	set.Zone = time.FixedZone("UTC+1", 3600)
	run := func(fromH, fromM int, min int, change func(*Facts)) (raised string) {
		e, f := NewEngine(Catalogue(set), set), ordinaryFacts()
		f.Stamp.Wall = time.Date(2026, 11, 25, fromH-1, fromM, 0, 0, time.UTC) // local hour given
		f.Tonight.NightsLeft = q(2.4, 1.8, 3)
		change(f)
		for range min * 60 {
			f.Stamp.Up += time.Second
			f.Stamp.Wall = f.Stamp.Wall.Add(time.Second)
			for _, m := range e.Step(f) {
				if m.ID == "tonight-short" && m.To == Unacked.String() {
					return f.Stamp.Wall.In(set.Zone).Format("15:04")
				}
			}
		}
		return ""
	}
	same := func(*Facts) {}
	if got := run(8, 0, 300, same); got != "11:00" {
		t.Errorf("with tomorrow doubtful the notice came at %q, want 11:00", got)
	}
	if got := run(12, 0, 600, same); got != "" {
		t.Errorf("without a change the notice came at %q in the afternoon", got)
	}
	if got := run(15, 0, 60, func(f *Facts) { f.Est.Moving, f.Tonight.NightsLeft = true, q(1.9, 1.4, 2.6) }); got != "15:10" {
		t.Errorf("on a drive with under two nights left the notice came at %q, want 15:10", got)
	}
	if got := run(15, 0, 60, func(f *Facts) { f.Est.Moving = true }); got != "" {
		t.Errorf("on a drive with more than two nights left a notice came at %q", got)
	}
	if got := run(20, 0, 60, func(f *Facts) { f.Tonight.Enough = estimate.No }); got != "20:10" {
		t.Errorf("when the verdict fell to not enough the notice came at %q, want 20:10", got)
	}
}

func TestADeadPipeThermometerSaysWhatTheAirOutsideIs(t *testing.T) {
	b := newBench(t, vanRows()[2])
	b.f.Est.PipeC = estimate.Unknown("crc")
	b.run(time.Second)
	if got, want := b.e.Status()[b.i].Why, "freeze watch blind: crc; outside it is -6.0 °C"; got != want {
		t.Errorf("why reads %q, want %q", got, want)
	}
}
