package estimate

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"frostline/daemon/supply"
	"frostline/sensors"
)

// fails lets a heater of 0.148 kg/h burn for an hour and then ask in vain for ten minutes.
func fails(c *coldVan) *Estimates {
	c.reads[sensors.HeatCall] = 1
	c.run(time.Hour, 0.148)
	return c.run(10*time.Minute, 0)
}

// TestEachCauseComesFirstOnItsEvidence gives what product.md and estimation.md 2 name for
// each cause. A cause for which only its commonness speaks is not told as if it were known.
func TestEachCauseComesFirstOnItsEvidence(t *testing.T) {
	for name, x := range map[string]struct {
		play  func(t *testing.T) *Estimates
		first string
		told  bool   // not "cannot tell"
		says  string // in the first cause's evidence
	}{
		"the fuel is used up": {func(t *testing.T) *Estimates {
			return fails(newColdVan(t, 0.2, 5))
		}, CauseEmpty, true, "kg left"},
		"too cold to boil off": {func(t *testing.T) *Estimates {
			c := seen(t, 3, -30, -30)
			c.p.Cylinder.CapacityKg = 5
			c.shape, _ = supply.Guess(5)
			return fails(c.start())
		}, CauseThin, true, "the regulator's limit is at -29 °C"},
		"deep frost with fuel left": {func(t *testing.T) *Estimates {
			return fails(seen(t, 5, -10, -10))
		}, CauseIce, true, "likely if the fuel is wet"},
		"deep frost, the liquid not known": {func(t *testing.T) *Estimates {
			return fails(newColdVan(t, 5, -10))
		}, CauseIce, true, "air about the regulator -10 °C"},
		"after a drive": {func(t *testing.T) *Estimates {
			c := newColdVan(t, 5, 5, sensors.Ignition)
			c.run(time.Hour, 0)
			c.reads[sensors.Ignition] = 1
			c.run(20*time.Minute, 0)
			c.reads[sensors.Ignition] = 0
			c.run(20*time.Minute, 0)
			c.reads[sensors.HeatCall] = 1
			return c.run(15*time.Minute, 0)
		}, CauseValve, true, "nothing has burned since the drive"},
		"after a change of cylinder": {func(t *testing.T) *Estimates {
			c := newColdVan(t, 0.8, 5)
			c.run(time.Hour, 0.148)
			c.away(10*time.Minute, 7.9, 9)
			c.reads[sensors.HeatCall] = 1
			return c.run(15*time.Minute, 0)
		}, CauseValve, true, "change of cylinder"},
		"heater and burner stop at once": {func(t *testing.T) *Estimates {
			c := newColdVan(t, 5, 12)
			c.reads[sensors.HeatCall] = 1
			c.run(30*time.Minute, 0.148)
			c.run(20*time.Minute, 0.148+0.08)
			return c.run(10*time.Minute, 0)
		}, CauseValve, false, "everything stopped at once"},
		"no volts": {func(t *testing.T) *Estimates {
			c := newColdVan(t, 5, 5, sensors.BatteryV)
			c.reads[sensors.BatteryV] = 10.9
			return fails(c)
		}, CauseHeater, true, "house battery 10.9 V"},
		"no volts on a frosty night": {func(t *testing.T) *Estimates {
			c := seen(t, 5, -10, -10, sensors.BatteryV)
			c.reads[sensors.BatteryV] = 10.9
			return fails(c)
		}, CauseHeater, true, "house battery 10.9 V"},
		"a small flame burns although the heater failed": {func(t *testing.T) *Estimates {
			c := newColdVan(t, 5, 12)
			fails(c)
			c.run(12*time.Minute, 0.045)
			return c.run(15*time.Minute, 0)
		}, CauseHeater, true, "another flame has burned since it failed"},
		"nothing speaks for any": {func(t *testing.T) *Estimates {
			return fails(newColdVan(t, 5, 12, sensors.BatteryV))
		}, CauseHeater, false, "house battery 12.7 V"},
	} {
		t.Run(name, func(t *testing.T) {
			e := x.play(t)
			if e.Starved != Yes || len(e.Causes) != 6 {
				t.Fatalf("starved %v with %d causes, want yes with six", e.Starved, len(e.Causes))
			}
			soundCauses(t, e)
			first := e.Causes[0]
			if told := !strings.HasPrefix(e.StarvedWhy, "cannot tell which: "); first.ID != x.first || told != x.told || !strings.Contains(first.Evidence, x.says) {
				t.Errorf("%q\n%+v\nwant %s first, told %v, for %q", e.StarvedWhy, e.Causes, x.first, x.told, x.says)
			}
			if !strings.Contains(e.StarvedWhy, first.Says) || !strings.Contains(e.StarvedWhy, e.Causes[2].Says) {
				t.Errorf("reads %q, want the first three causes in it", e.StarvedWhy)
			}
		})
	}
}

func TestAClosedValveComesFirstAfterGasAtTheFloor(t *testing.T) {
	est := Estimates{Starved: Yes, Heat: Yes, FuelKg: Quantity{Value: 5, Low: 4.9, High: 5.1, Quality: sensors.Good},
		LockerC: Quantity{Value: 3, Low: 2.5, High: 3.5, Quality: sensors.Good}, LiquidTempC: Unknown(noHistory), AirKPa: Quantity{Value: 101, Low: 100, High: 102, Quality: sensors.Good}}
	v := newVessel(testParams())
	c := newCauses()
	c.watch(1000, &est, 0.06)
	c.rank(1000, &est, v, 0.148, false)
	before := est.Causes
	if before[0].ID != CauseHeater {
		t.Errorf("without gas %s first, want the heater", before[0].ID)
	}
	c.forget()
	c.smelled(1000, Trace)
	if c.rank(2000, &est, v, 0.148, false); est.Causes[0].ID != CauseHeater {
		t.Errorf("after a trace %s first, want the heater: a trace closes no valve", est.Causes[0].ID)
	}
	c.forget()
	c.smelled(2000, Leave)
	c.rank(2000+gasMemoryS-60, &est, v, 0.148, false)
	list, says := est.Causes, est.StarvedWhy
	if list[0].ID != CauseValve || strings.HasPrefix(says, "cannot tell") || !strings.Contains(says, "somebody may have closed it") {
		t.Errorf("hours after gas at the floor: %q, want the valve, told and why", says)
	}
	c.forget()
	if c.rank(2000+gasMemoryS+60, &est, v, 0.148, false); est.Causes[0].ID == CauseValve {
		t.Error("more than six hours after it, want the valve no longer first")
	}
}

func TestTheOrderOfCausesIsStableAndChangesNoMoreThanOnceAMinute(t *testing.T) {
	a, b := newColdVan(t, 5, -2), newColdVan(t, 5, -2)
	x, y := fails(a), fails(b)
	if !reflect.DeepEqual(x.Causes, y.Causes) || x.StarvedWhy != y.StarvedWhy {
		t.Errorf("two runs of the same readings rank %v and %v", x.Causes, y.Causes)
	}
	changed, last := 0, x
	for range 10 * 60 / coldTickS {
		e := a.run(coldTickS*time.Second, 0)
		if e.StarvedWhy != last.StarvedWhy || &e.Causes[0] != &last.Causes[0] {
			changed++
		}
		last = e
	}
	if changed > 10 {
		t.Errorf("ranked anew %d times in ten minutes, want at most once a minute", changed)
	}
}

func TestIceStaysASuspectForAsLongAsTheSeatStaysCold(t *testing.T) {
	c := seen(t, 5, -10, -10)
	fails(c)
	if e := c.run(6*time.Hour, 0); e.Causes[0].ID != CauseIce {
		t.Errorf("six hours later in the same frost %q, want ice first still: nothing has melted it", e.StarvedWhy)
	}
	for c.reads[sensors.LockerC] < 9 { // a thermometer in air moves no faster
		c.reads[sensors.LockerC] += 0.25
		c.run(time.Minute, 0)
	}
	e := c.run(2*time.Hour, 0)
	for _, x := range e.Causes {
		if x.ID == CauseIce && (x.PartFrac > 0.1 || !strings.Contains(x.Evidence, "melts")) {
			t.Errorf("in air of 9 C ice has %.2f of the belief, %q; want little, since it melts", x.PartFrac, x.Evidence)
		}
	}
}

// TestALockoutOnAFrostyNightIsTakenForIce states what cannot be told: conditions for ice,
// and a heater that failed by itself. The heater must then stand second, with a fair part.
func TestALockoutOnAFrostyNightIsTakenForIce(t *testing.T) {
	e := fails(seen(t, 5, -10, -10, sensors.BatteryV))
	if e.Causes[0].ID != CauseIce || e.Causes[1].ID != CauseHeater || e.Causes[1].PartFrac < 0.2 || !strings.Contains(e.StarvedWhy, "heater locked out") {
		t.Errorf("%q, second %s with %.2f; want ice, then the heater with 0.2 or more", e.StarvedWhy, e.Causes[1].ID, e.Causes[1].PartFrac)
	}
}

// TestTheValveIsNamedOnARecordedVan replays a van with a leak until its valve was shut. The
// recording has no heat demand input, and without one nobody can say that a heater starves:
// that is checked first. Then it is given the demand that its truth implies.
func TestTheValveIsNamedOnARecordedVan(t *testing.T) {
	const name = "hatch-leak"
	s, _, truth := scoreVan(t, name)
	if s.starved != 0 || len(s.causes) != 0 {
		t.Errorf("without a heat demand input starved for %d min, want it unsure", s.starved)
	}
	shut := s.starve["starve_start"]
	if len(shut) != 1 {
		t.Fatalf("the log has %d starvations, want one", len(shut))
	}
	m := withDemand(t, name, truth, shut[0])
	t.Logf("%s with the demand of its truth: %s", name, m)
	if m.starved < 120 || m.before > 0 {
		t.Errorf("starved for %d min and for %d before the valve was shut, want two hours and none", m.starved, m.before)
	}
	if m.first[CauseValve] != m.starved || m.cannotTell != 0 {
		t.Errorf("of %d starved min the causes named first are %v, cannot tell %d; want the valve in all", m.starved, m.first, m.cannotTell)
	}
}

// demanded is how a recording went that was given a heat demand.
type demanded struct {
	starved, before, cannotTell int // minutes
	first                       map[string]int
	why                         string
}

func (m demanded) String() string {
	return fmt.Sprintf("starved %d min, first %v, cannot tell %d (%s)", m.starved, m.first, m.cannotTell, m.why)
}

// withDemand replays a recorded van of one boot with heat called for while its heater burns,
// and from shut on for ever.
func withDemand(t *testing.T, name string, truth []truthRow, shut time.Time) demanded {
	m := demanded{first: map[string]int{}}
	var v van
	raw, err := os.ReadFile(filepath.Join(tracesDir, name, "van.json"))
	if err == nil {
		err = json.Unmarshal(raw, &v)
	}
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(tracesDir, name, "recording.csv.gz")
	started := bootStart(t, file)
	var est *Estimator
	var cells []int
	var buf []sensors.Reading
	k := 0
	rows(t, file, func(col map[string]int, row []string) {
		if est == nil {
			var w sensors.Wiring
			w, cells = recordedWiring(col, v.Scale.RecordEveryS)
			w = append(w, sensors.Wire{Channel: sensors.HeatCall, Period: time.Second})
			buf = make([]sensors.Reading, len(w))
			est = New(w, v.params())
		}
		upD := time.Duration(number(t, row[col["up_s"]]) * float64(time.Second))
		at := started.Add(upD)
		for i, c := range cells {
			buf[i] = cellReading(t, row[c])
		}
		minute := false
		for k < len(truth) && !truth[k].at.After(at) {
			k, minute = k+1, true
		}
		call := 0.0
		if truth[min(k, len(truth)-1)].heater > 0 || at.After(shut) {
			call = 1
		}
		buf[len(cells)] = sensors.Of(call)
		e := est.Step(sensors.Stamp{Up: upD, Wall: at}, buf)
		if minute && e.Starved == Yes {
			m.minute(e, at, shut)
		}
	})
	return m
}

func (m *demanded) minute(e *Estimates, at, shut time.Time) {
	if at.Before(shut) {
		m.before++
		return
	}
	m.starved++
	m.first[e.Causes[0].ID]++
	if strings.HasPrefix(e.StarvedWhy, "cannot tell") {
		m.cannotTell++
	}
	if m.why == "" {
		m.why = at.Format("15:04 ") + e.StarvedWhy
	}
}

func TestBeliefsOfCausesSumToOneWithoutAnyReading(t *testing.T) {
	none := Unknown("not fitted")
	est := Estimates{Starved: Yes, FuelKg: none, LiquidTempC: none, LockerC: none, OutsideC: none, BatteryV: none, BurnKgPerH: none, HeaterKgPerH: none}
	c := newCauses()
	c.rank(0, &est, newVessel(Params{}), 0, false)
	list, says := est.Causes, est.StarvedWhy
	sum := 0.0
	for _, x := range list {
		sum += x.PartFrac
	}
	if est.CauseTold {
		t.Error("the first is told from the others by nothing")
	}
	if math.Abs(sum-1) > 1e-12 || !strings.HasPrefix(says, "cannot tell which: ") {
		t.Errorf("beliefs sum to %g, %q; want 1, and that it cannot tell", sum, says)
	}
}
