package estimate

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"frostline/sensors"
)

// oneChannel is a conditioner with a single wire, fed one reading a period.
type oneChannel struct {
	t      *testing.T
	c      *conditioner
	period time.Duration
	up     time.Duration
	events []Happening
}

func wiredAlone(t *testing.T, ch sensors.Channel, period time.Duration) *oneChannel {
	p := Params{
		Scale: Scale{CountsPerKg: 40000, ZeroCounts: 50000, CapacityKg: 50},
		Gas:   Gas{SupplyV: 5, LoadOhm: 10000},
	}
	return &oneChannel{t: t, c: newConditioner(sensors.Wiring{{Channel: ch, Period: period}}, p), period: period}
}

// wires is a wiring of channels with one period.
func wires(period time.Duration, channels ...sensors.Channel) sensors.Wiring {
	var w sensors.Wiring
	for _, ch := range channels {
		w = append(w, sensors.Wire{Channel: ch, Period: period})
	}
	return w
}

func (o *oneChannel) hear(r sensors.Reading) (ChannelState, bool) {
	o.up += o.period
	state, fresh := o.c.step(sensors.Stamp{Up: o.up}, []sensors.Reading{r})
	o.events = append(o.events, o.c.happened()...)
	return state[0], fresh[0]
}

// settle feeds values of a healthy channel about v: no two neighbours are equal.
func (o *oneChannel) settle(n int, v, noise float64) {
	o.t.Helper()
	for i := range n {
		if s, fresh := o.hear(sensors.Of(v + noise*float64(i%3-1))); !fresh || s.Quality != sensors.Good {
			o.t.Fatalf("healthy reading %d of %v is %v (%s), want good", i, v, s.Quality, s.Why)
		}
	}
}

// impossible is a reading that cannot be true, after a healthy value.
type impossible struct {
	channel sensors.Channel
	healthy float64 // value before the fault
	noise   float64
	bad     sensors.Reading
	why     string
}

// impossibleCodes are the faults and codes of sensing.md 3.1, 4.1 and 4.3, and their kin.
func impossibleCodes() map[string]impossible {
	return map[string]impossible{
		"a word from the driver is kept":            {sensors.LoadCounts, 700000, 30, sensors.Fault("timeout"), "timeout"},
		"a thermometer's CRC fault is kept":         {sensors.CabinC, 19, 0.0625, sensors.Fault("crc"), "crc"},
		"a fault without a word has a word":         {sensors.CabinC, 19, 0.0625, sensors.Reading{Quality: sensors.Bad}, "without a word"},
		"not a number is no weight":                 {sensors.LoadCounts, 700000, 30, sensors.Of(math.NaN()), "not a number"},
		"infinity is no temperature":                {sensors.OutsideC, 3, 0.0625, sensors.Of(math.Inf(-1)), "not a number"},
		"the highest ADC code is saturation":        {sensors.LoadCounts, 700000, 30, sensors.Of(8388607), "saturated"},
		"the lowest ADC code is saturation":         {sensors.LoadCounts, 700000, 30, sensors.Of(-8388608), "saturated"},
		"beyond 24 bits is saturation":              {sensors.LoadCounts, 700000, 30, sensors.Of(9e9), "saturated"},
		"code -1 was read before it was ready":      {sensors.LoadCounts, 700000, 30, sensors.Of(-1), "code -1"},
		"code 0 is a missing chip":                  {sensors.LoadCounts, 700000, 30, sensors.Of(0), "code 0"},
		"255 is slipped bits":                       {sensors.LoadCounts, 700000, 30, sensors.Of(255), "2^n-1"},
		"1048575 is slipped bits":                   {sensors.LoadCounts, 700000, 30, sensors.Of(1048575), "2^n-1"},
		"4194303 is slipped bits":                   {sensors.LoadCounts, 700000, 30, sensors.Of(4194303), "2^n-1"},
		"more than the cell can carry":              {sensors.LoadCounts, 700000, 30, sensors.Of(6000000), "cell can carry"},
		"far below an empty cradle":                 {sensors.LoadCounts, 700000, 30, sensors.Of(-900000), "cell can carry"},
		"85.000 is a power-on code":                 {sensors.ShellC, 10, 0.0625, sensors.Of(85), "85.000"},
		"127.9375 is a weak supply":                 {sensors.CabinC, 19, 0.0625, sensors.Of(127.9375), "127.9375"},
		"-127 is a missing thermometer":             {sensors.CabinC, 19, 0.0625, sensors.Of(-127), "-127"},
		"-273.15 is a failed read":                  {sensors.CabinC, 19, 0.0625, sensors.Of(-273.15), "-273.15"},
		"0.000 out of nowhere is a shorted line":    {sensors.CabinC, 19, 0.0625, sensors.Of(0), "0.000"},
		"-0.0625 out of nowhere is a read of ones":  {sensors.WaterlineC, 9, 0.0625, sensors.Of(-0.0625), "-0.0625"},
		"-46 is no air":                             {sensors.OutsideC, -3, 0.0625, sensors.Of(-46), "outside -45 to 70"},
		"wires of a bad barometer read -145":        {sensors.LockerC, -3, 0.0625, sensors.Of(-145), "outside -45 to 70"},
		"a processor zone gives 85 000":             {sensors.CabinC, 19, 0.0625, sensors.Of(85000), "outside -45 to 70"},
		"650 hPa in hPa is no pressure in kPa":      {sensors.BaroKPa, 98, 0.01, sensors.Of(650), "60 to 110"},
		"a vacuum is no weather":                    {sensors.BaroKPa, 98, 0.01, sensors.Of(30), "60 to 110"},
		"humidity above 100":                        {sensors.HumidityPct, 55, 0.1, sensors.Of(101), "0 to 100"},
		"a gas input above its ADC":                 {sensors.GasV, 0.6, 0.001, sensors.Of(12), "volts the input cannot have"},
		"a gas input below ground":                  {sensors.GasV, 0.6, 0.001, sensors.Of(-1), "volts the input cannot have"},
		"a blown battery fuse":                      {sensors.BatteryV, 12.8, 0.01, sensors.Of(0), "no voltage"},
		"a battery no vehicle has":                  {sensors.BatteryV, 12.8, 0.01, sensors.Of(400), "no vehicle"},
		"a heater supply that is gone":              {sensors.GasHeaterV, 5, 0.01, sensors.Of(0), "no voltage"},
		"a switch that is neither open nor closed":  {sensors.COAlarm, 0, 0, sensors.Of(0.5), "neither 0 nor 1"},
		"a button that reads two":                   {sensors.AckButton, 0, 0, sensors.Of(2), "neither 0 nor 1"},
		"a store whose age is negative":             {sensors.StoreAgeS, 3, 1, sensors.Of(-5), "below zero"},
		"a queue with a negative length":            {sensors.OutboxN, 3, 1, sensors.Of(-1), "below zero"},
		"an alarm contact whose line is cut":        {sensors.CertifiedAlarm, 0, 0, sensors.Fault("open"), "open"},
		"the program's clock flag that is nonsense": {sensors.ClockSynced, 1, 0, sensors.Of(7), "neither 0 nor 1"},
	}
}

func TestEveryImpossibleCodeBecomesAQualityWithItsReason(t *testing.T) {
	for name, k := range impossibleCodes() {
		t.Run(name, func(t *testing.T) {
			o := wiredAlone(t, k.channel, time.Second)
			if k.channel == sensors.HumidityPct {
				o.hear(sensors.Of(1))
				o.hear(sensors.Of(2))
			}
			for i := range 12 {
				o.hear(sensors.Of(k.healthy + k.noise*float64(i%3-1)))
			}
			before := o.c.state[0]
			if before.Quality != sensors.Good {
				t.Fatalf("healthy channel is %v (%s), want good", before.Quality, before.Why)
			}
			for i := 1; i <= 6; i++ {
				s, fresh := o.hear(k.bad)
				if fresh || s.Value != before.Value {
					t.Fatalf("fault %d became the value %v, want %v kept", i, s.Value, before.Value)
				}
				want := sensors.Good // its last value is at most three periods old
				if i > gracePeriods {
					want = sensors.Bad
				}
				if s.Quality != want {
					t.Fatalf("after %d faults in a row the channel is %v (%s), want %v", i, s.Quality, s.Why, want)
				}
			}
			s := o.c.state[0]
			if !strings.Contains(s.Why, k.why) {
				t.Errorf("reason %q does not say %q", s.Why, k.why)
			}
			if len(o.events) != 1 || o.events[0].Quality != "bad" || o.events[0].Why != s.Why || o.events[0].Kind != SensorChanged {
				t.Errorf("events %+v, want one line with bad and the reason", o.events)
			}
		})
	}
}

func TestSilenceIsNoFaultThenSuspectThenUnknown(t *testing.T) {
	for name, k := range map[string]struct{ period, tick time.Duration }{
		"a scale at 1 Hz":                   {time.Second, time.Second},
		"a thermometer every ten seconds":   {10 * time.Second, time.Second},
		"a barometer every minute":          {time.Minute, time.Second},
		"ten-second ticks, periods of ten":  {10 * time.Second, 10 * time.Second},
		"a 1 s scale read in ticks of 10 s": {time.Second, 10 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			c := newConditioner(sensors.Wiring{{Channel: sensors.BatteryV, Period: k.period}}, Params{})
			up := time.Duration(0)
			one := func(r sensors.Reading) ChannelState {
				state, _ := c.step(sensors.Stamp{Up: up}, []sensors.Reading{r})
				up += k.tick
				return state[0]
			}
			one(sensors.Of(12.7))
			last := up
			one(sensors.Of(12.8))
			period := max(k.period, k.tick)
			for up-last <= 10*period {
				age := up - last
				s := one(sensors.Reading{})
				want := sensors.Good
				switch {
				case age > 6*period:
					want = sensors.Missing
				case age > 3*period:
					want = sensors.Suspect
				}
				if s.Quality != want {
					t.Fatalf("%v after the last reading: %v (%s), want %v", age, s.Quality, s.Why, want)
				}
				if want != sensors.Good && !strings.HasPrefix(s.Why, "no reading for ") {
					t.Fatalf("reason %q, want how long there was none", s.Why)
				}
			}
			if n := len(c.happened()); n != 0 {
				t.Fatalf("%d lines in a tick without a change", n)
			}
			for range goodAgain - 1 {
				if s := one(sensors.Of(12.6)); s.Quality != sensors.Suspect {
					t.Fatalf("just back: %v, want suspect", s.Quality)
				}
			}
			if s := one(sensors.Of(12.6)); s.Quality != sensors.Good {
				t.Fatalf("back for %d readings: %v, want good", goodAgain, s.Quality)
			}
		})
	}
}

func TestASensorThatNeverSpokeSaysSo(t *testing.T) {
	o := wiredAlone(t, sensors.CabinC, 10*time.Second)
	for range 10 {
		o.hear(sensors.Reading{})
	}
	if s := o.c.state[0]; s.Quality != sensors.Missing || s.Seen || s.Why != "no reading since the start" {
		t.Fatalf("%+v, want missing since the start", s)
	}
	if len(o.events) != 1 || o.events[0].Quality != "missing" {
		t.Fatalf("events %+v, want one line", o.events)
	}
}

func TestAContactIsBelievedInTheTickItCloses(t *testing.T) {
	o := wiredAlone(t, sensors.CertifiedAlarm, time.Second)
	o.hear(sensors.Of(0))
	for range 20 {
		o.hear(sensors.Fault("timeout"))
	}
	if s, fresh := o.hear(sensors.Of(1)); !fresh || s.Quality != sensors.Good || s.Value != 1 {
		t.Fatalf("contact closed after a fault: %+v, want 1 and good at once", s)
	}
}

func TestANewBootBelievesNothingOfTheOldOne(t *testing.T) {
	o := wiredAlone(t, sensors.CabinC, 10*time.Second)
	o.settle(100, 19, 0.0625)
	o.up = 0
	if s, fresh := o.hear(sensors.Of(85)); fresh || s.Seen || s.Quality >= sensors.Suspect {
		t.Fatalf("85.000 after a power cut: %+v, want nothing believed", s)
	}
	if s, fresh := o.hear(sensors.Reading{}); fresh || s.Seen {
		t.Fatalf("the temperature of the last boot is still shown: %+v", s)
	}
}

func TestAConditionerGoesOnFromACheckpointAsIfNothingHappened(t *testing.T) {
	w := wires(time.Second, sensors.LoadCounts, sensors.CabinC, sensors.BaroKPa, sensors.COAlarm)
	rapid.Check(t, func(rt *rapid.T) {
		a := newConditioner(w, Params{})
		ticks := rapid.SliceOfN(rapid.SliceOfN(anyReading(), len(w), len(w)), 20, 80).Draw(rt, "ticks")
		cut := rapid.IntRange(1, len(ticks)-1).Draw(rt, "cut")
		var b *conditioner
		for i, r := range ticks {
			st := sensors.Stamp{Up: time.Duration(i) * time.Second}
			if i == cut {
				text, err := json.Marshal(a.save())
				if err != nil {
					rt.Fatalf("save: %v", err)
				}
				var s conditionerState
				if err := json.Unmarshal(text, &s); err != nil {
					rt.Fatalf("restore: %v", err)
				}
				b = newConditioner(w, Params{})
				b.restore(s)
			}
			as, af := a.step(st, r)
			if b != nil {
				bs, bf := b.step(st, r)
				if !reflect.DeepEqual(as, bs) || !reflect.DeepEqual(af, bf) || !reflect.DeepEqual(a.happened(), b.happened()) {
					rt.Fatalf("tick %d after a cut at %d: %+v, want %+v", i, cut, bs, as)
				}
			}
		}
	})
}

// anyReading draws what drivers can say, garbage included.
func anyReading() *rapid.Generator[sensors.Reading] {
	return rapid.Custom(func(t *rapid.T) sensors.Reading {
		switch rapid.IntRange(0, 5).Draw(t, "kind") {
		case 0:
			return sensors.Reading{}
		case 1:
			return sensors.Fault(rapid.SampledFrom([]string{"crc", "timeout", "", "nak"}).Draw(t, "word"))
		case 2:
			return sensors.Of(rapid.SampledFrom([]float64{0, 85, 1, -1, 8388607, 100, -0.0625, 5, 4.99,
				math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64}).Draw(t, "code"))
		case 3:
			return sensors.Of(rapid.Float64Range(-10, 110).Draw(t, "value"))
		case 4:
			return sensors.Of(rapid.Float64().Draw(t, "float"))
		}
		return sensors.Reading{Value: rapid.Float64Range(0, 5).Draw(t, "doubted"), Quality: sensors.Suspect}
	})
}

func TestGarbageNeverMakesABelievedGarbageValue(t *testing.T) {
	var w sensors.Wiring
	for i, ch := range sensors.Known() {
		w = append(w, sensors.Wire{Channel: ch, Period: time.Duration(1+i%10) * time.Second})
	}
	rapid.Check(t, func(rt *rapid.T) {
		c := newConditioner(w, Params{Scale: Scale{CountsPerKg: -40000, CapacityKg: 50}, Gas: Gas{SupplyV: 5, LoadOhm: 10000}})
		up := time.Duration(0)
		for range rapid.IntRange(1, 60).Draw(rt, "n") {
			up += time.Duration(rapid.IntRange(0, 20000).Draw(rt, "ms")) * time.Millisecond
			r := rapid.SliceOfN(anyReading(), len(w), len(w)).Draw(rt, "r")
			state, fresh := c.step(sensors.Stamp{Up: up}, r)
			for i, s := range state {
				if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
					rt.Fatalf("%s has the value %v", s.Channel, s.Value)
				}
				if s.Channel != w[i].Channel || s.LastUp > up || s.Quality >= sensors.Suspect && !s.Seen {
					rt.Fatalf("impossible state %+v at %v", s, up)
				}
				if (s.Why == "") != (s.Quality == sensors.Good) {
					rt.Fatalf("%s is %v with the reason %q", s.Channel, s.Quality, s.Why)
				}
				if fresh[i] && (r[i].Quality < sensors.Suspect || s.Value != r[i].Value || s.LastUp != up) {
					rt.Fatalf("%s fresh with %+v from %+v", s.Channel, s, r[i])
				}
			}
			seen := map[string]bool{}
			for _, h := range c.happened() {
				if seen[h.Channel] {
					rt.Fatalf("two lines for %s in a tick", h.Channel)
				}
				seen[h.Channel] = true
			}
		}
	})
}

func TestConditioningDoesNotAllocate(t *testing.T) {
	c, r := busyVan()
	up := time.Duration(0)
	step := func() {
		up += time.Second
		for i := range r {
			if r[i].Quality == sensors.Good && i < 10 {
				r[i].Value += 0.001 * float64(1-2*(up/time.Second%2))
			}
		}
		c.step(sensors.Stamp{Up: up}, r)
	}
	for range 100 {
		step()
	}
	if n := testing.AllocsPerRun(1000, step); n != 0 {
		t.Errorf("a steady tick allocates %v times, want 0", n)
	}
}

// busyVan is a van with every channel wired.
func busyVan() (*conditioner, []sensors.Reading) {
	var w sensors.Wiring
	var r []sensors.Reading
	for _, ch := range sensors.Known() {
		w = append(w, sensors.Wire{Channel: ch, Period: time.Second})
		v := 1.0
		switch classOf(ch) {
		case classLoad:
			v = 700000
		case classTemp:
			v = 12
		case classBaro:
			v = 99
		case classHumidity:
			v = 60
		case classVolt:
			v = 5
		}
		r = append(r, sensors.Of(v))
	}
	return newConditioner(w, Params{Gas: Gas{SupplyV: 5, LoadOhm: 10000}}), r
}

func BenchmarkConditionATick(b *testing.B) {
	c, r := busyVan()
	b.ReportAllocs()
	up := time.Duration(0)
	for b.Loop() {
		up += time.Second
		r[0].Value = 700000 + float64(up/time.Second%7)
		r[1].Value = 1 + 0.001*float64(up/time.Second%7)
		c.step(sensors.Stamp{Up: up}, r)
	}
}
