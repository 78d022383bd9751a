package estimate

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"frostline/sensors"
)

// longRig is read once a minute, for weeks.
func longRig(t *testing.T, p Gas) *gasRig {
	x := newGasRig(t, p)
	x.every = time.Minute
	return x
}

func TestALeakOfThirtyDaysIsNeverAbsorbed(t *testing.T) {
	p := divider()
	provisional := Gas{SupplyV: 5, LoadOhm: 20000}
	for name, k := range map[string]struct {
		p      Gas
		before time.Duration // in clean air
		ramp   time.Duration // over which the leak grows
		pctLEL float64
	}{
		"constant, test mix":              {p, 10 * 24 * time.Hour, 0, 2.2},
		"from power-on, test mix":         {p, 0, 0, 2.2},
		"growing over 20 days, test mix":  {p, 10 * 24 * time.Hour, 20 * 24 * time.Hour, 2.2},
		"constant, provisional":           {provisional, 24 * time.Hour, 0, 1.1},
		"growing over 20 days, prov.":     {provisional, 24 * time.Hour, 20 * 24 * time.Hour, 1.1},
		"growing in the first week, prov": {provisional, time.Hour, 5 * 24 * time.Hour, 1.1},
	} {
		t.Run(name, func(t *testing.T) {
			x := longRig(t, k.p)
			x.clean(k.before)
			for from := x.up; x.up-from < k.ramp; {
				share := float64(x.up-from) / float64(k.ramp)
				x.gas(max(0.05, k.pctLEL*share)*ppmPerPctLEL, time.Minute)
			}
			x.gas(k.pctLEL*ppmPerPctLEL, 10*time.Minute)
			for from := x.up; x.up-from < 30*24*time.Hour; {
				x.gas(k.pctLEL*ppmPerPctLEL, time.Minute)
				if x.out.Band != Trace {
					t.Fatalf("after %v of %.1f %%LEL: %s (%s), want trace", x.up-from, k.pctLEL, x.out.Band, x.out.BandWhy)
				}
			}
		})
	}
}

func TestProvisionalModeShowsNoNumberAndTakesOnlyCleanerAir(t *testing.T) {
	x := longRig(t, Gas{SupplyV: 5, LoadOhm: 20000})
	x.clean(25 * time.Minute)
	if q := x.out.FloorGasPctLEL; q.Known() || !strings.Contains(q.Why, "indicative") {
		t.Fatalf("a provisional sensor shows %+v", q)
	}
	if x.out.Band != Background || !strings.Contains(x.out.BandWhy, "indicative") {
		t.Fatalf("%s (%s), want background by an indicative scale", x.out.Band, x.out.BandWhy)
	}
	first := x.g.mem.Base.CleanOhm
	if want := 20000 * (5 - 0.6) / 0.6; math.Abs(first/want-1) > 0.01 {
		t.Fatalf("clean air taken as %.0f ohm, want %.0f", first, want)
	}
	pct := x.g.pct(5000)
	x.volts(1.0, 10*24*time.Hour) // some vapour for ten days
	if got := x.g.pct(5000); got != pct {
		t.Errorf("ten days of vapour moved the scale: 5 kOhm was %.3f %%LEL and is %.3f", pct, got)
	}
	if got := x.g.mem.Base.CleanOhm; got != first {
		t.Errorf("vapour moved the reference from %.0f to %.0f ohm", first, got)
	}
	if got, least := x.g.mem.Base.Ohm, first*math.Pow(1-basePerDay/dayBlocks, 10*dayBlocks); got < least-1 {
		t.Errorf("the baseline fell to %.0f ohm in ten days, want at least %.0f (1 %% a day)", got, least)
	}
	x.volts(0.5, 24*time.Hour)
	if got := x.g.mem.Base.CleanOhm; got <= first {
		t.Errorf("cleaner air did not move the reference up from %.0f ohm", first)
	}
}

func TestAVanThatPowersOnInGasIsBounded(t *testing.T) {
	x := longRig(t, Gas{SupplyV: 5, LoadOhm: 20000})
	x.volts(4.8, 10*time.Minute) // 0.83 kOhm: no clean air looks like this
	if x.out.Band != Leave && x.out.Band != Warning && x.out.Band != Trace {
		t.Fatalf("powered on in dense gas: %s (%s), want at least trace", x.out.Band, x.out.BandWhy)
	}
	x.volts(4.8, 40*24*time.Hour)
	if x.out.Band == Background || x.out.Band == Blind || x.g.mem.Base.CleanOhm != 0 {
		t.Fatalf("forty days later: %s, clean air %v ohm; want a level and no reference", x.out.Band, x.g.mem.Base.CleanOhm)
	}
}

func TestAnImplausibleCleanAirIsReplacedByTheLeastPlausible(t *testing.T) {
	x := longRig(t, Gas{SupplyV: 5, LoadOhm: 20000})
	x.volts(4.0, time.Hour) // 5 kOhm
	if got := x.g.mem.Base; got.CleanOhm != leastCleanOhm || got.Ohm != leastCleanOhm {
		t.Errorf("5 kOhm at power-on: clean air %.0f, baseline %.0f ohm; want %.0f", got.CleanOhm, got.Ohm, leastCleanOhm)
	}
}

func TestTheBaselineStandsStillWhileTheAirIsDoubtful(t *testing.T) {
	cooking := Quantity{Value: 0.1, Low: 0.05, High: 0.2, Quality: sensors.Good}
	for name, k := range map[string]struct {
		was    Estimates
		badRH  bool
		frozen bool
	}{
		"an ordinary day":              {Estimates{}, false, false},
		"a burner that may be off":     {Estimates{OtherKgPerH: Quantity{High: 0.1, Quality: sensors.Good}}, false, false},
		"someone cooks":                {Estimates{OtherKgPerH: cooking}, false, true},
		"weight falls with all off":    {Estimates{Watch: WeightWatch{Suspected: true}}, false, true},
		"the humidity sensor is gone":  {Estimates{}, true, true},
		"an unknown burn is no reason": {Estimates{OtherKgPerH: Quantity{Low: 1, Quality: sensors.Bad}}, false, false},
	} {
		x := newGasRig(t, divider(), sensors.CabinC, sensors.HumidityPct)
		x.every = time.Minute
		for range 3 * 1440 {
			x.n++
			x.r[0], x.r[1], x.r[2] = sensors.Of(0.7+0.0005*float64(x.n%3)), sensors.Of(20+0.0625*float64(x.n%2)), sensors.Of(65+0.1*float64(x.n%2))
			if x.n > 1440 {
				x.was = k.was
				if k.badRH {
					x.r[2] = sensors.Fault("crc")
				}
			}
			x.tick()
		}
		blocks := x.g.mem.Base.BlocksN
		if frozen := blocks < 15; frozen != k.frozen {
			t.Errorf("%s: %d blocks of baseline in three days, frozen %v, want %v", name, blocks, frozen, k.frozen)
		}
	}
}

func TestTheBaselineKeepsWithinThirtyPercentOfCommissioning(t *testing.T) {
	x := longRig(t, divider())
	x.clean(24 * time.Hour)
	x.volts(1.0, 60*24*time.Hour) // poisoned, or permanent vapour below trace: Rs at 55 %
	clean := x.g.commissionedOhm()
	if got := x.g.mem.Base.Ohm; math.Abs(got/(0.7*clean)-1) > 0.01 {
		t.Errorf("baseline %.0f ohm after two months, want held at 70 %% of %.0f", got, clean)
	}
	if x.out.Band != Background || x.out.BandWhy != bandDrifted {
		t.Errorf("%s (%s), want background with the drift said", x.out.Band, x.out.BandWhy)
	}
}

func TestACleanSkyThatGoesAwayInADayIsTrace(t *testing.T) {
	x := longRig(t, divider())
	x.clean(3 * 24 * time.Hour)
	x.volts(1.2, 26*time.Hour) // the cleanest air now shows less than half the resistance
	if x.out.Band != Trace || x.out.BandWhy != bandDrift || x.out.GasLevel != Trace {
		t.Fatalf("%s (%s), level %s, want trace because of the drift", x.out.Band, x.out.BandWhy, x.out.GasLevel)
	}
	x.volts(1.2, 4*24*time.Hour) // a step and no drift: the other rules watch on
	if x.out.GasHold != Background {
		t.Fatalf("four days at the new level: held at %s (%s), want background", x.out.GasHold, x.out.BandWhy)
	}
}

func TestHumidityCorrectionIsBoundedAndErrsTowardsMoreGas(t *testing.T) {
	for name, k := range map[string]struct {
		t, rh     sensors.Quality
		tC, rhPct float64
		want      float64
		known     bool
	}{
		"reference air":          {sensors.Good, sensors.Good, 20, 65, 1.00, true},
		"cold and dry":           {sensors.Good, sensors.Good, -10, 33, 1.30, true},
		"hot and humid":          {sensors.Good, sensors.Good, 50, 85, 0.80, true},
		"no thermometer":         {sensors.Bad, sensors.Good, 20, 65, correctHigh, false},
		"no humidity: driest":    {sensors.Good, sensors.Missing, 20, 65, 1.16, false},
		"colder than a road":     {sensors.Good, sensors.Good, -45, 0, correctHigh, true},
		"a sauna stays in range": {sensors.Good, sensors.Good, 70, 100, 0.7, true},
	} {
		g := newGasWatch(divider(), wires(time.Second, sensors.GasV, sensors.CabinC, sensors.HumidityPct))
		state := []ChannelState{{}, {Quality: k.t, Value: k.tC}, {Quality: k.rh, Value: k.rhPct}}
		f, known := g.weather(state)
		if math.Abs(f-k.want) > 0.02 || known != k.known {
			t.Errorf("%s: factor %.3f known %v, want %.2f and %v", name, f, known, k.want, k.known)
		}
		if g.correction(gasWarmUp-1, state) != 1 {
			t.Errorf("%s: corrected in the warm-up", name)
		}
	}
}

func TestAPoisonedCheckpointStartsTheWatchCold(t *testing.T) {
	for name, spoil := range map[string]func(*gasState){
		"a block number below zero": func(s *gasState) { s.Base.BlocksN = -5 },
		"samples beyond the block":  func(s *gasState) { s.Base.SamplesN = 24 },
		"a ring index outside":      func(s *gasState) { s.Recent.Next = 64 },
		"a level nobody knows":      func(s *gasState) { s.Hold = 9 },
		"a negative resistance":     func(s *gasState) { s.Base.CleanOhm = -1 },
	} {
		x := longRig(t, divider())
		x.clean(30 * time.Minute)
		s := x.g.save()
		spoil(&s)
		y := longRig(t, x.p)
		y.g.restore(s)
		y.clean(2 * time.Minute)
		if y.out.Band != Blind || !y.out.WarmingUp || y.g.mem.Base.BlocksN != 0 {
			t.Errorf("%s: %s, want a cold start", name, y.out.Band)
		}
	}
}

func TestANewBootWarmsUpAgainAndKeepsItsBaseline(t *testing.T) {
	x := longRig(t, Gas{SupplyV: 5, LoadOhm: 20000})
	x.clean(24 * time.Hour)
	text, err := json.Marshal(x.g.save())
	if err != nil {
		t.Fatal(err)
	}
	var s gasState
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(s, x.g.save()) {
		t.Fatal("the state changed on its way through JSON")
	}
	y := longRig(t, x.p)
	y.g.restore(s)
	y.clean(gasWarmUp)
	if y.out.Band != Blind || !y.out.WarmingUp {
		t.Fatalf("just restarted: %s, warming %v; want blind", y.out.Band, y.out.WarmingUp)
	}
	y.clean(time.Minute)
	if y.out.Band != Background || y.g.mem.Base.CleanOhm != s.Base.CleanOhm {
		t.Fatalf("3 min later: %s, clean %v ohm; want background on the stored reference %v", y.out.Band, y.g.mem.Base.CleanOhm, s.Base.CleanOhm)
	}
}

// TestGasThatComesWhileANewSensorSettlesIsNoCleanAir begins a leak at each minute of the first
// boot of a sensor that nobody commissioned: it must be told, and never be learned.
func TestGasThatComesWhileANewSensorSettlesIsNoCleanAir(t *testing.T) {
	for _, minutes := range []int{5, 8, 10, 12, 14, 16, 19, 22} {
		for _, every := range []time.Duration{time.Second, 10 * time.Second} {
			x := newGasRig(t, Gas{SupplyV: 5, LoadOhm: 20000})
			x.every = every
			x.volts(0.6, time.Duration(minutes)*time.Minute)
			for s := 0; s < 300; s += 10 { // to 3.9 V in five minutes
				x.volts(0.6+3.3*float64(s)/300, 10*time.Second)
			}
			told := x.up
			x.volts(3.9, 2*time.Minute)
			if x.out.Band != Warning && x.out.Band != Leave {
				t.Errorf("gas from minute %d, read every %v: %s (%s) two minutes after it stopped rising at %v, want warning or leave", minutes, every, x.out.Band, x.out.BandWhy, told)
			}
			x.volts(3.9, time.Hour)
			if x.out.Band != Leave {
				t.Errorf("gas from minute %d, read every %v: %s (%s) an hour later, want leave", minutes, every, x.out.Band, x.out.BandWhy)
			}
		}
	}
}
