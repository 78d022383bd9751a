package estimate

import (
	"math"
	"strings"
	"testing"
	"time"

	"frostline/sensors"
)

func TestAPowerOnCodeNeverSeedsAChannel(t *testing.T) {
	for name, code := range map[string]float64{"85.000": 85, "0.000": 0, "-0.0625": -0.0625, "127.9375": 127.9375} {
		o := wiredAlone(t, sensors.WaterlineC, 10*time.Second)
		for range 3 {
			if s, fresh := o.hear(sensors.Of(code)); fresh || s.Seen || s.Quality >= sensors.Suspect {
				t.Fatalf("%s as first reading: %+v, want nothing believed", name, s)
			}
		}
		if len(o.events) != 0 {
			t.Errorf("%s in the first three periods wrote %+v, want no line", name, o.events)
		}
		for i := 1; i <= 3; i++ {
			s, fresh := o.hear(sensors.Of(7 + 0.0625*float64(i)))
			want := sensors.Suspect
			if i == goodAgain {
				want = sensors.Good
			}
			if !fresh || s.Quality != want {
				t.Fatalf("reading %d after %s: %v (%s), want %v", i, name, s.Quality, s.Why, want)
			}
		}
	}
}

func TestTheFirstTwoHumiditiesAfterPowerUpAreDropped(t *testing.T) {
	o := wiredAlone(t, sensors.HumidityPct, time.Minute)
	for _, v := range []float64{91, 78} {
		if s, fresh := o.hear(sensors.Of(v)); fresh || s.Seen {
			t.Fatalf("first humidity %v was believed", v)
		}
	}
	if s, fresh := o.hear(sensors.Of(59)); !fresh || s.Value != 59 {
		t.Fatalf("third humidity: %+v, want 59 taken", s)
	}
}

func TestAWinterNightPassesThroughZeroAndIsBelieved(t *testing.T) {
	o := wiredAlone(t, sensors.OutsideC, 10*time.Second)
	for i := range 200 {
		v := math.Round((1.5-0.015*float64(i))*16) / 16
		if s, fresh := o.hear(sensors.Of(v)); !fresh || s.Quality != sensors.Good {
			t.Fatalf("%v on the way through zero is %v (%s), want good", v, s.Quality, s.Why)
		}
	}
}

func TestAZeroThatStaysExactIsDoubtedUntilItMoves(t *testing.T) {
	o := wiredAlone(t, sensors.WaterlineC, 10*time.Second)
	o.settle(6, 0.125, 0.0625)
	var s ChannelState
	for range 61 {
		s, _ = o.hear(sensors.Of(0))
	}
	if s.Quality != sensors.Suspect || s.Value != 0 {
		t.Fatalf("0.000 for 10 min is %v at %v, want suspect at 0", s.Quality, s.Value)
	}
	for range goodAgain {
		s, _ = o.hear(sensors.Of(-0.125))
	}
	if s.Quality != sensors.Good {
		t.Fatalf("after it moved: %v (%s), want good", s.Quality, s.Why)
	}
}

func TestATemperatureThatJumpsMustStay(t *testing.T) {
	o := wiredAlone(t, sensors.LockerC, 10*time.Second)
	o.settle(10, 4, 0.0625)
	if _, fresh := o.hear(sensors.Of(31)); fresh {
		t.Fatal("4 C to 31 C in ten seconds was believed")
	}
	if s, fresh := o.hear(sensors.Of(4.0625)); !fresh || s.Quality != sensors.Good {
		t.Fatalf("after a glitch: fresh %v, %v (%s); want good", fresh, s.Quality, s.Why)
	}
	var s ChannelState
	for i := range jumpsAgree {
		s, _ = o.hear(sensors.Of(16 + 0.25*float64(i)))
	}
	if s.Quality != sensors.Suspect || s.Value != 16.5 {
		t.Fatalf("a step that stays: %v %v (%s), want suspect at 16.5", s.Quality, s.Value, s.Why)
	}
	for range goodAgain {
		s, _ = o.hear(sensors.Of(16.75))
	}
	if s.Quality != sensors.Good {
		t.Fatalf("and stayed: %v (%s), want good", s.Quality, s.Why)
	}
}

func TestEightKelvinInTenMinutesAreDoubtedOutside(t *testing.T) {
	for ch, want := range map[sensors.Channel]sensors.Quality{sensors.OutsideC: sensors.Suspect, sensors.CabinC: sensors.Good} {
		o := wiredAlone(t, ch, 10*time.Second)
		o.settle(10, 2, 0.0625)
		worst := sensors.Good
		for i := range 58 {
			s, fresh := o.hear(sensors.Of(2 + 0.1875*float64(i)))
			if worst = min(worst, s.Quality); !fresh {
				t.Errorf("%s reading %d was refused: %s", ch, i, s.Why)
			}
		}
		if worst != want {
			t.Errorf("%s rising 10.7 K in 10 min: at worst %v, want %v", ch, worst, want)
		}
	}
}

func TestAFrozenThermometerIsDoubtedAfterAQuarterHourAndBadAfterTwoHours(t *testing.T) {
	w := sensors.Wiring{{Channel: sensors.OutsideC, Period: 10 * time.Second}, {Channel: sensors.CabinC, Period: 10 * time.Second}}
	c := newConditioner(w, Params{})
	var suspectAt, badAt time.Duration
	from := time.Hour
	for up := time.Duration(0); up < 4*time.Hour; up += 10 * time.Second {
		n := float64(up / (10 * time.Second))
		out := 3 + 0.0625*math.Mod(n, 2)
		if up >= from {
			out = 3
		}
		state, _ := c.step(sensors.Stamp{Up: up}, []sensors.Reading{sensors.Of(out), sensors.Of(18 + 0.0625*math.Floor(2*math.Sin(n/60)*20))})
		if q := state[1].Quality; q != sensors.Good {
			t.Fatalf("%v: the moving cabin is %v (%s)", up, q, state[1].Why)
		}
		switch q := state[0].Quality; {
		case q == sensors.Suspect && suspectAt == 0:
			suspectAt = up - from
		case q == sensors.Bad && badAt == 0:
			badAt = up - from
			if !strings.HasPrefix(state[0].Why, "stuck") {
				t.Errorf("reason %q, want stuck", state[0].Why)
			}
		case q == sensors.Good && suspectAt > 0:
			t.Fatalf("%v: good again without a change", up)
		}
	}
	if suspectAt < silentAfter || suspectAt > silentAfter+20*time.Second {
		t.Errorf("doubted after %v, want about %v", suspectAt, silentAfter)
	}
	if badAt < stuckAfter || badAt > stuckAfter+30*time.Second {
		t.Errorf("bad after %v, want about %v", badAt, stuckAfter)
	}
}

func TestAThermometerThatWasStuckForDaysIsFoundAsSoonTheNextTime(t *testing.T) {
	o := wiredAlone(t, sensors.OutsideC, 10*time.Second)
	for range 2 {
		for i := range 60 {
			o.hear(sensors.Of(3 + 0.0625*float64(i%2)))
		}
		found := 0
		for i := 1; i <= 3*8640; i++ {
			if s, _ := o.hear(sensors.Of(4)); s.Quality == sensors.Suspect && found == 0 && i > goodAgain {
				found = i
			}
		}
		if found < 85 || found > 95 {
			t.Fatalf("found after %d equal readings, want about 90 (15 min)", found)
		}
	}
}

func TestACoarseThermometerThatAlwaysStandsLongIsNotDoubted(t *testing.T) {
	o := wiredAlone(t, sensors.LockerC, 10*time.Second)
	for i := range 5000 { // half-degree steps every 20 min
		if s, _ := o.hear(sensors.Of(4 + 0.5*float64(i/120%4))); s.Quality != sensors.Good {
			t.Fatalf("reading %d: %v (%s)", i, s.Quality, s.Why)
		}
	}
}

func TestHumidityPinnedForSixHoursIsAFault(t *testing.T) {
	o := wiredAlone(t, sensors.HumidityPct, time.Minute)
	o.hear(sensors.Of(50))
	o.hear(sensors.Of(50))
	var s ChannelState
	for range 6*60 + 2 {
		s, _ = o.hear(sensors.Of(100))
	}
	if s.Quality != sensors.Bad || !strings.Contains(s.Why, "end of its range") {
		t.Fatalf("100 %% for six hours: %v (%s), want bad", s.Quality, s.Why)
	}
}

func TestChannelsThatContradictEachOtherAreSuspect(t *testing.T) {
	w := wires(10*time.Second, sensors.CabinC, sensors.OutsideC, sensors.WaterlineC)
	w = append(w, wires(time.Minute, sensors.HeatCall, sensors.Ignition, sensors.BaroKPa)...)
	const cabin, outside, pipe, baro = 0, 1, 2, 5
	for name, k := range map[string]struct {
		cabinC, outsideC, pipeC, kpaPerH, heat, ignition float64
		want                                             []int
	}{
		"an ordinary evening":                     {18, -3, 9, 0.2, 1, 0, nil},
		"a pipe warmer than the cabin":            {18, -3, 22, 0.2, 1, 0, []int{pipe}},
		"cabin and outside swapped while heating": {-3, 18, -1, 0.2, 1, 0, []int{cabin, outside}},
		"a hot afternoon, no heat":                {20, 31, 20, 0.2, 0, 0, nil},
		"a barometer running away when parked":    {18, -3, 9, 1.5, 1, 0, []int{baro}},
		"a pass on the road":                      {18, -3, 9, 4, 1, 1, nil},
	} {
		t.Run(name, func(t *testing.T) {
			c := newConditioner(w, Params{})
			var state []ChannelState
			for up := time.Duration(0); up < 3*time.Hour; up += 10 * time.Second {
				d := 0.0625 * float64(up/(10*time.Second)%2)
				r := []sensors.Reading{sensors.Of(k.cabinC + d), sensors.Of(k.outsideC + d), sensors.Of(k.pipeC + d), {}, {}, {}}
				if up%time.Minute == 0 {
					r[3], r[4] = sensors.Of(k.heat), sensors.Of(k.ignition)
					r[baro] = sensors.Of(99 - k.kpaPerH*up.Hours())
				}
				state, _ = c.step(sensors.Stamp{Up: up}, r)
			}
			for i := range state {
				want := sensors.Good
				for _, j := range k.want {
					if i == j {
						want = sensors.Suspect
					}
				}
				if state[i].Quality != want {
					t.Errorf("%s is %v (%s), want %v", state[i].Channel, state[i].Quality, state[i].Why, want)
				}
			}
		})
	}
}
