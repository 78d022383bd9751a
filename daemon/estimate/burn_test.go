package estimate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

func TestTheHeaterIsSeenNamedAndCounted(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(10*time.Minute, 0)
	rate := kgPerHFromKW(1.9) * 1.05
	e := b.run(6*time.Minute, rate)
	holds(t, "burn", e.BurnKgPerH, rate)
	near(t, "burn", e.BurnKgPerH.Value, rate, 0.02)
	near(t, "heater's burn", e.HeaterKgPerH.Value, rate, 0.02)
	if on := b.lastOf(BurnerOn); on.Appliance != "heater" || on.KgPerH == nil {
		t.Errorf("lit: %q, want the heater with a rate", on.Appliance)
	}
	e = b.run(10*time.Minute, 0)
	if e.BurnKgPerH.Value != 0 || e.BurnKgPerH.High > 0.05 {
		t.Errorf("ten minutes after, burn is %.3f up to %.3f, want 0 and little", e.BurnKgPerH.Value, e.BurnKgPerH.High)
	}
	if n := b.count(BurnerOff); n != 1 {
		t.Errorf("%d flames went out, want 1", n)
	}
	near(t, "burned", e.BurnedKg, 0.1*rate, 0.003)
}

func TestTwoBurnersAreNotTheHeater(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(10*time.Minute, 0)
	e := b.run(10*time.Minute, kgPerHFromKW(3.4))
	near(t, "burn", e.BurnKgPerH.Value, kgPerHFromKW(3.4), 0.02)
	sum := 0.0
	for _, s := range e.Shares {
		sum += s.KgPerH
	}
	near(t, "sum of the shares", sum, e.BurnKgPerH.Value, 1e-9)
	e = b.run(10*time.Minute, kgPerHFromKW(0.8))
	near(t, "burn of one on low", e.BurnKgPerH.Value, kgPerHFromKW(0.8), 0.02)
	near(t, "heater's burn", e.HeaterKgPerH.Value, 0, 1e-9)
}

func TestALargeBurnerAndTheHeaterCannotBeToldApartAndItIsSaid(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(10*time.Minute, 0)
	e := b.run(10*time.Minute, kgPerHFromKW(1.75))
	if len(e.Shares) != 3 || e.Shares[0].Sure {
		t.Errorf("shares %+v: want three that are not sure", e.Shares)
	}
	holds(t, "heater's burn", e.HeaterKgPerH, kgPerHFromKW(1.75))
	holds(t, "the others' burn", e.OtherKgPerH, 0)
}

func TestPeopleMovingAboutAreNoBurn(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(10*time.Minute, 0)
	at := b.kg
	for range 12 {
		b.kg = at + 0.003*b.rng.NormFloat64()
		b.run(5*time.Minute, 0)
	}
	near(t, "burned in an hour", b.last.BurnedKg, 0, 0.010)
	if n := b.count(BurnerOn); n > 1 {
		t.Errorf("%d flames in an hour of people moving, want at most 1", n)
	}
}

func TestTheBurnedTotalOfANightAgreesWithTheWeight(t *testing.T) {
	b := newBench(t, 16.0)
	b.noiseKg = 0.001
	b.run(10*time.Minute, 0)
	start := b.kg
	b.lockerC, b.kgPerK = 5, 0.0004
	for range 24 {
		b.run(7*time.Minute, 0.155)
		b.run(13*time.Minute, 0)
	}
	burned := start - b.kg
	if e := b.last.BurnedKg/burned - 1; e < -0.02 || e > 0.02 {
		t.Errorf("burned total is %+.1f %% off after a night of %.3f kg, want within 2 %%", 100*e, burned)
	}
}

func TestTheHeatersRateIsLearned(t *testing.T) {
	b := newBench(t, 16.0)
	rate := kgPerHFromKW(1.9) * 1.09
	for range 12 {
		b.run(8*time.Minute, 0)
		b.run(8*time.Minute, rate)
	}
	near(t, "learned rate", b.est.weigh.burn.split.learn.KgPerH, rate, 0.004)
}

// A flame that is seen late at both ends teaches no lower rate than it had.
func TestTheLearnedRateIsThatOfTheMiddleOfAFlame(t *testing.T) {
	b := newBench(t, 20.0)
	b.noiseKg = 0.0008
	rate := kgPerHFromKW(1.9) * 1.05
	for range 40 {
		b.run(7*time.Minute, 0)
		b.run(6*time.Minute, rate)
	}
	near(t, "learned rate", b.est.weigh.burn.split.learn.KgPerH, rate, 0.01*rate)
}

// A thermostat's cycle is learned: once it is known a flame is believed sooner.
func TestAFlameIsSeenSoonerWhereTheThermostatIsKnown(t *testing.T) {
	rate := kgPerHFromKW(1.9)
	lag := func(b *bench) (s int) {
		for b.run(time.Second, rate).BurnKgPerH.Value < rate/2 && s < 300 {
			s++
		}
		b.run(6*time.Minute, rate)
		b.run(6*time.Minute, 0)
		return s
	}
	first, last := 0, 0
	for seed := range uint64(8) {
		b := newBench(t, 16.0)
		b.rng, b.noiseKg = rand.New(rand.NewPCG(seed, 5)), 0.0008
		b.run(2*time.Hour, 0)
		first += lag(b)
		for range 8 {
			lag(b)
		}
		last += lag(b)
	}
	if last >= first {
		t.Errorf("eight first flames after hours of nothing were seen %d s late together, and %d s after eight of a thermostat; want less", first, last)
	}
}

// People who get up while the heater is lit hide its flame from the rate, not from the weight.
func TestAFallLikeTheHeatersIsNoStarvation(t *testing.T) {
	b := newBench(t, 12.7)
	b.call = 0
	b.run(20*time.Minute, 0)
	b.call = 1
	b.run(time.Minute, 0)
	for range 6 { // 2.5 g a minute in two steps, as the heater's, that nothing takes for a burn
		b.kg -= 0.0025
		b.run(time.Minute, 0)
	}
	if e := b.last; e.BurnKgPerH.Value > 0.05 || e.Starved != No {
		t.Errorf("15 g less after seven minutes of heat demand, all booked as people (burn %.3f): starved %v, want no", e.BurnKgPerH.Value, e.Starved)
	}
	if e := b.run(7*time.Minute, 0); e.Starved != Yes {
		t.Errorf("nothing less in seven more minutes: starved %v, want yes", e.Starved)
	}
}

// Where no heat is called for nothing is starved, though nobody weighs: else an alarm
// that stood when the van drove off could not end.
func TestNothingIsStarvedWithoutADemandOnTheRoadToo(t *testing.T) {
	b := newBench(t, 12.7)
	b.call = 1
	if e := b.run(15*time.Minute, 0); e.Starved != Yes {
		t.Fatalf("heat called for and nothing burns: starved %v, want yes", e.Starved)
	}
	if e := b.drive(10*time.Minute, 0, 0.2); e.Starved != Unsure {
		t.Errorf("on the road: starved %v, want unsure", e.Starved)
	}
	b.call = 0
	if e := b.drive(time.Minute, 0, 0.2); e.Starved != No {
		t.Errorf("on the road, no heat called for: starved %v, want no", e.Starved)
	}
}

// Noise that looks like a flame for a minute, and is taken back by the weight, is no flame.
func TestAFlickerOfTheBurnDoesNotPutStarvedOff(t *testing.T) {
	rate, seen := kgPerHFromKW(1.9), 0
	for seed := range uint64(20) {
		b := newBench(t, 12.7)
		b.rng, b.noiseKg = rand.New(rand.NewPCG(seed, 11)), 0.0025
		b.call = 0
		b.run(20*time.Minute, 0)
		b.call = 1
		b.run(4*time.Minute, 0)
		flicker := false
		for range 60 {
			e := b.run(time.Second, rate)
			flicker = flicker || e.BurnKgPerH.Value > starvedFrac*rate && e.BurnKgPerH.Low == 0
		}
		b.kg += rate * 60 / 3600
		if flicker {
			seen++
		}
		if e := b.run(2*time.Minute, 0); e.Starved != Yes {
			t.Errorf("seed %d, flicker %v: seven minutes after heat was called for, and as heavy as then: starved %v, want yes", seed, flicker, e.Starved)
		}
	}
	if seen == 0 {
		t.Error("no flicker was taken for a flame, so nothing was asked")
	}
}

func TestStarvedNeedsHeatDemandFiveMinutesAndNoFlame(t *testing.T) {
	b := newBench(t, 12.7)
	b.call = 0
	if e := b.run(10*time.Minute, 0); e.Starved != No {
		t.Errorf("heat not called for: starved %v, want no", e.Starved)
	}
	b.call = 1
	if e := b.run(4*time.Minute, 0); e.Starved != No {
		t.Errorf("after four minutes: starved %v, want no", e.Starved)
	}
	e := b.run(2*time.Minute, 0)
	if e.Starved != Yes || e.Causes[0].ID != CauseHeater {
		t.Errorf("after six minutes: starved %v, %q; want yes, and the heater first for want of any evidence", e.Starved, e.StarvedWhy)
	}
	if e := b.run(3*time.Minute, 0.15); e.Starved != No {
		t.Errorf("with the heater burning: starved %v, want no", e.Starved)
	}
	if e := b.dead(3*time.Minute, 0); e.Starved != Unsure {
		t.Errorf("with a dead scale: starved %v, want unsure", e.Starved)
	}
}

func TestTheShareOfTheHourInWhichHeatIsCalledForIsTold(t *testing.T) {
	b := newBench(t, 12.7)
	b.call = 1
	near(t, "called for from the start", b.run(10*time.Minute, 0.15).HeatFrac, 1, 1e-9)
	for range 48 { // two minutes of five
		b.call = 1
		b.run(2*time.Minute, 0.15)
		b.call = 0
		b.run(3*time.Minute, 0)
	}
	near(t, "at 40 % of the time", b.last.HeatFrac, 0.4, 0.05)
	b.call = 1
	near(t, "after an hour that starved", b.run(time.Hour, 0).HeatFrac, 1-0.6*math.Exp(-1), 0.05)
	b = newBench(t, 12.7)
	b.call = 0
	near(t, "not called for from the start", b.run(10*time.Minute, 0).HeatFrac, 0, 1e-9)
}

func TestTheCauseOfStarvationFollowsFuelColdAndChange(t *testing.T) {
	for name, c := range map[string]struct {
		kg, lockerC float64
		cause       string
	}{
		"nearly empty":              {7.8, 5, CauseEmpty},
		"deep cold with fuel left":  {12, -12, CauseIce},
		"neither":                   {12, 5, CauseHeater},
		"nearly empty in deep cold": {7.75, -12, CauseEmpty},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, c.kg)
			b.lockerC, b.call = c.lockerC, 1
			if e := b.run(10*time.Minute, 0); e.Starved != Yes || e.Causes[0].ID != c.cause {
				t.Errorf("starved %v, %q; want yes, %q", e.Starved, e.StarvedWhy, c.cause)
			}
		})
	}
	t.Run("after a drive the valve comes first", func(t *testing.T) {
		b := newBench(t, 12.7)
		b.run(5*time.Minute, 0)
		b.drive(10*time.Minute, 0, 0.2)
		b.call = 1
		if e := b.run(15*time.Minute, 0); e.Starved != Yes || e.Causes[0].ID != CauseValve {
			t.Errorf("starved %v, %q; want yes, %q", e.Starved, e.StarvedWhy, CauseValve)
		}
	})
}

// What was learned of one heater is not true of the next: another input in the configuration
// starts it anew.
func TestAnotherHeaterInTheConfigurationForgetsTheRateOfTheLast(t *testing.T) {
	b := newBench(t, 12.7)
	b.run(time.Minute, 0)
	learned := learned{KgPerH: 1.1 * kgPerHFromKW(1.9), SDFrac: 0.02}
	b.est.weigh.burn.split.learn = learned
	s := b.est.Save()
	for _, c := range []struct{ savedKW, configKW, want float64 }{
		{s.Scale.HeaterKW, 1.9, learned.KgPerH},
		{s.Scale.HeaterKW, 4, kgPerHFromKW(4)},
		{0, 1.9, learned.KgPerH}, // a save of a version that did not keep it
	} {
		p := testParams()
		p.Appliances[0].RatedKW = c.configKW
		next := New(b.wiring, p)
		s.Scale.HeaterKW = c.savedKW
		next.Restore(s, 10, 0, true)
		near(t, "rate of the heater", next.weigh.burn.heaterKgPerH(), c.want, 1e-9)
	}
}
