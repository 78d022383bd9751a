package estimate

import (
	"math"
	"testing"
	"time"

	"frostline/daemon/lpg"
	"frostline/daemon/supply"
	"frostline/sensors"
)

// coldHolds wants a temperature that is unknown, or known and right.
func coldHolds(t *testing.T, when string, c *coldVan, e *Estimates) {
	t.Helper()
	if q := e.LiquidTempC; q.Known() && (c.liquidC < q.Low || c.liquidC > q.High) {
		t.Errorf("%s the liquid is said to be %.1f C (%.1f to %.1f) and is at %.1f", when, q.Value, q.Low, q.High, c.liquidC)
	}
}

func TestHoursThatNobodySawLeaveTheLiquidUnknownAndNotWrong(t *testing.T) {
	for name, dark := range map[string]func(c *coldVan) func(){
		"the locker's thermometer was away while it froze": func(c *coldVan) func() {
			c.silent[sensors.LockerC], c.reads[sensors.LockerC] = true, -20
			c.run(10*time.Hour, 0)
			return func() { c.silent[sensors.LockerC] = false }
		},
		"a restart without the thermometer": func(c *coldVan) func() {
			c.reads[sensors.LockerC] = -20
			c.run(12*time.Hour, 0)
			c.restart(30, nil)
			c.silent[sensors.LockerC] = true
			c.run(4*time.Hour, 0)
			return func() { c.silent[sensors.LockerC] = false }
		},
		"the scale was away while gas was drawn": func(c *coldVan) func() {
			c.silent[sensors.LoadCounts] = true
			c.run(6*time.Hour, 0.45)
			return func() { c.silent[sensors.LoadCounts] = false }
		},
	} {
		t.Run(name, func(t *testing.T) {
			c := newColdVan(t, 9, 5)
			c.run(12*time.Hour, 0)
			dark(c)()
			for range 24 {
				coldHolds(t, "afterwards", c, c.run(10*time.Minute, 0))
			}
			if e := c.run(14*time.Hour, 0); !e.LiquidTempC.Known() {
				t.Errorf("half a day later it is still unknown: %q", e.LiquidTempC.Why)
			}
			coldHolds(t, "half a day later", c, c.last)
		})
	}
}

func TestAWeekAwayIsNoMoreThanAnUnknownPast(t *testing.T) {
	c := newColdVan(t, 8, 5)
	c.run(12*time.Hour, 0)
	c.off = true
	c.run(20*time.Hour, 0)
	c.off = false
	c.run(10*time.Minute, 0)
	if v := c.est.vessel.varK2; v > startSDK*startSDK+1 {
		t.Errorf("variance %.0f K2, want at most that of a cylinder of unknown past", v)
	}
}

func TestTheSizeFollowsTheCylinderOnTheScale(t *testing.T) {
	c := newColdVan(t, 3, 5)
	c.run(20*time.Minute, 0)
	c.away(2*time.Minute, 15.1, 8.8)
	if err := c.est.Change(Change{TareKg: 15.1, CapacityKg: 18, Name: "big"}); err != nil {
		t.Fatal(err)
	}
	check := func(when string, wantKg float64) {
		t.Helper()
		e := c.run(10*time.Minute, 0)
		v := c.est.vessel
		if math.Abs(e.CapacityKg.Value-wantKg) > 0.1 || math.Abs(v.p.CapacityKg-wantKg) > 0.1 || math.Abs(v.shape.VolumeL-wantKg/0.42) > 0.6 {
			t.Errorf("%s: capacity %.1f kg, modelled as %.1f kg in %.1f L; want %.1f kg", when, e.CapacityKg.Value, v.p.CapacityKg, v.shape.VolumeL, wantKg)
		}
	}
	check("the big one", 18)
	c.away(2*time.Minute, 7.7, 3)
	check("the first one back, recognised", 9.07)
	c.away(2*time.Minute, 15.1, 5)
	if err := c.est.Change(Change{Name: "big"}); err != nil {
		t.Fatal(err)
	}
	check("the big one back, by its name", 18)
	c.restart(5, nil)
	check("after a restart", 18)
}

func TestWhatTheOwnerWritesIntoTheConfigurationLaterHolds(t *testing.T) {
	c := newColdVan(t, 8, 5)
	c.p.Cylinder.CapacityKg = 0
	c.start()
	c.run(time.Hour, 0)
	size, _ := supply.Named("de-11kg")
	c.p.Cylinder.CapacityKg, c.p.Cylinder.Shape = 11, size.Cylinder()
	c.restart(5, nil)
	if e := c.run(10*time.Minute, 0); e.CapacityKg.Value != 11 || c.est.vessel.shape.VolumeL != size.WaterL {
		t.Errorf("capacity %.1f kg, %.1f L; want the 11 kg and %.1f L that are configured now", e.CapacityKg.Value, c.est.vessel.shape.VolumeL, size.WaterL)
	}
}

func TestAnotherOneSaidAfterASameGuessIsAnother(t *testing.T) {
	c := newColdVan(t, 5, 5)
	c.fuel, _ = lpg.BlendByMass(0.6, lpg.NButane)
	c.p.Cylinder.PropaneMassFrac = 0.6
	c.start()
	c.run(12*time.Hour, 0)
	c.run(4*time.Hour, 0.3)
	c.off = true
	c.run(5*time.Minute, 0)
	c.off, c.liquidC = false, 20 // as heavy by chance, and from a warm shop
	c.run(5*time.Minute, 0)
	if err := c.est.Change(Change{TareKg: 7.5}); err != nil {
		t.Fatal(err)
	}
	if e := c.run(5*time.Minute, 0); e.LiquidTempC.Known() {
		t.Errorf("the liquid is %.1f C (%.1f to %.1f), want unknown for another cylinder", e.LiquidTempC.Value, e.LiquidTempC.Low, e.LiquidTempC.High)
	}
}

func TestAChokedHeaterHidesNoLeak(t *testing.T) {
	for _, gas := range []bool{false, true} {
		c := seen(t, 3, -12, -12)
		c.reads[sensors.HeatCall] = 1
		within := 2 * time.Hour
		if gas {
			within = 20 * time.Minute
		}
		suspected := false
		for range int(within / (5 * time.Minute)) {
			if gas {
				c.est.causes.smelled(c.upS, Leave)
			}
			suspected = suspected || c.run(5*time.Minute, 0.28).Watch.Suspected
		}
		if !suspected {
			t.Errorf("gas at the floor %v: 0.28 kg/h in deep cold, twice what the heater takes, is no loss after %v", gas, within)
		}
	}
}

func TestAStewIsNoLeakWhereABurnerHasTheHeatersRate(t *testing.T) {
	c := newColdVan(t, 8, 12)
	c.reads[sensors.HeatCall] = 0
	c.run(2*time.Hour, 0)
	if e := c.run(80*time.Minute, 0.14); e.Watch.Suspected {
		t.Errorf("%q after 80 min of one burner", e.Watch.Why)
	}
}

func TestARestartKeepsTheEvidenceForTheCause(t *testing.T) {
	c := seen(t, 5, -3, -3)
	e := fails(c)
	before := e.Causes[0].ID
	c.restart(20, nil)
	if e = c.run(15*time.Minute, 0); e.Starved != Yes || e.Causes[0].ID != before {
		t.Errorf("%s became %q by a restart", before, e.StarvedWhy)
	}
	s := c.est.Save()
	s.Causes = causesState{LitAgeS: math.NaN(), PassedAgeS: math.Inf(1), GasAgeS: math.NaN(), RiskAgeS: 1, Risk: "certain", PeakKgPerH: math.NaN(), SinceAgeS: math.NaN()}
	c.start()
	c.est.Restore(s, 20, 0, true)
	soundCold(t, c.run(15*time.Minute, 0))
}
