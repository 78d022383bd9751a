package estimate

import (
	"strings"
	"testing"
	"time"

	"frostline/sensors"
)

func TestNoiseIsNoExcuseInGasAndOneGlitchIsNoNoise(t *testing.T) {
	x := newGasRig(t, divider())
	x.clean(2 * time.Hour)
	x.volts(3.2, time.Second)
	x.clean(30 * time.Second)
	if x.out.Band != Background {
		t.Fatalf("after one glitch: %s (%s), want background", x.out.Band, x.out.BandWhy)
	}
	for range 400 { // puffs of gas past the sensor, 2 to 40 %LEL
		x.gas([]float64{2.2, 40, 8, 20}[x.n%4]*ppmPerPctLEL, time.Second)
	}
	if x.out.Band == Blind || x.out.Band == Background {
		t.Fatalf("turbulent gas: %s (%s), want a level", x.out.Band, x.out.BandWhy)
	}
}

func TestEveryFailureOfTheGasSensorIsToldApart(t *testing.T) {
	heated := []sensors.Channel{sensors.GasHeaterV, sensors.GasSupplyV}
	ok := func(x *gasRig) { x.r[1], x.r[2] = sensors.Of(5), sensors.Of(5) }
	for name, k := range map[string]struct {
		fail   func(x *gasRig)
		within time.Duration
		why    string
		band   GasBand
		cools  bool // the sensor was unheated, and warms up again
	}{
		"unplugged: no volts":          {func(x *gasRig) { x.volts(0.01, time.Second) }, 2 * time.Second, gasUnplugged, Blind, true},
		"shorted to its supply":        {func(x *gasRig) { x.volts(4.95, time.Second) }, 7 * time.Second, gasRail, Leave, false},
		"shorted, the code frozen":     {func(x *gasRig) { x.r[0] = sensors.Of(4.99); x.tick() }, 1000 * time.Second, gasRail, Leave, false},
		"heater open: too clean":       {func(x *gasRig) { x.volts(0.13, time.Second) }, 62 * time.Second, gasHeaterOpen, Blind, true},
		"heater low":                   {func(x *gasRig) { x.r[1] = sensors.Of(4.5); x.clean(time.Second) }, 2 * time.Second, gasHeaterOff, Blind, false},
		"heater high":                  {func(x *gasRig) { x.r[1] = sensors.Of(5.3); x.clean(time.Second) }, 2 * time.Second, gasHeaterOff, Blind, false},
		"heater supply gone":           {func(x *gasRig) { x.r[1] = sensors.Of(0); x.clean(time.Second) }, 5 * time.Second, gasHeaterOff, Blind, true},
		"divider supply low":           {func(x *gasRig) { x.r[2] = sensors.Of(4.2); x.clean(time.Second) }, 2 * time.Second, gasSupplyOff, Blind, false},
		"divider supply gone":          {func(x *gasRig) { x.r[2] = sensors.Of(0); x.clean(time.Second) }, 5 * time.Second, gasSupplyOff, Blind, true},
		"stuck code":                   {func(x *gasRig) { x.r[0] = sensors.Of(0.6); x.tick() }, 102 * time.Second, "stuck", Blind, false},
		"stale":                        {func(x *gasRig) { x.r[0] = sensors.Reading{}; x.tick() }, 5 * time.Second, "no reading for", Blind, false},
		"ADC lost":                     {func(x *gasRig) { x.r[0] = sensors.Fault("nak"); x.tick() }, 5 * time.Second, "nak", Blind, false},
		"floating input, three values": {func(x *gasRig) { x.volts([]float64{0.4, 0.9, 0.6}[x.n%3], time.Second) }, 2 * time.Minute, gasNoise, Blind, false},
	} {
		t.Run(name, func(t *testing.T) {
			x := newGasRig(t, divider(), heated...)
			ok(x)
			x.clean(2 * time.Hour)
			if x.out.Band != Background || x.out.GasFault != "" {
				t.Fatalf("a healthy sensor in clean air: %s (%s)", x.out.Band, x.out.BandWhy)
			}
			for from := x.up; x.up-from < k.within; {
				k.fail(x)
			}
			if x.out.Band != k.band || !strings.HasPrefix(x.out.GasFault, k.why) || !strings.HasPrefix(x.out.BandWhy, k.why) {
				t.Fatalf("band %s (%s), fault %q; want %s because %q", x.out.Band, x.out.BandWhy, x.out.GasFault, k.band, k.why)
			}
			if x.out.FloorGasPctLEL.Quality == sensors.Good {
				t.Errorf("a failed sensor still reads %+v", x.out.FloorGasPctLEL)
			}
			// Blind ends 60 s after the fault, not with it.
			ok(x)
			x.clean(30 * time.Second)
			if x.out.WarmingUp != k.cools {
				t.Errorf("30 s after the fault: warming up %v, want %v", x.out.WarmingUp, k.cools)
			}
			if k.why != gasNoise && x.out.Band != Blind {
				t.Errorf("30 s after the fault: %s (%s), want blind", x.out.Band, x.out.BandWhy)
			}
			x.clean(10 * time.Minute)
			if x.out.Band != Background || x.out.GasFault != "" {
				t.Errorf("10 min after the fault: %s (%s)", x.out.Band, x.out.BandWhy)
			}
		})
	}
}

func TestGasSeenByABadlyHeatedSensorIsShown(t *testing.T) {
	x := newGasRig(t, divider(), sensors.GasHeaterV)
	x.r[1] = sensors.Of(5)
	x.clean(10 * time.Minute)
	x.r[1] = sensors.Of(4.6)
	x.clean(time.Minute)
	if x.out.Band != Blind || x.out.GasLevel != Blind {
		t.Fatalf("low heater in clean air: %s, level %s; want blind", x.out.Band, x.out.GasLevel)
	}
	x.gas(12*ppmPerPctLEL, 10*time.Second)
	if x.out.Band != Leave || x.out.GasLevel != Leave || x.out.GasFault != gasHeaterOff || x.out.FloorGasPctLEL.Known() {
		t.Fatalf("low heater in gas: %s, level %s, fault %q, %+v; want leave, the fault and no number", x.out.Band, x.out.GasLevel, x.out.GasFault, x.out.FloorGasPctLEL)
	}
}

func TestAReplugThatLooksLikeGasIsAWarmUp(t *testing.T) {
	x := newGasRig(t, divider())
	x.clean(20 * time.Minute)
	x.volts(0.002, time.Minute)
	x.volts(4.95, 20*time.Second) // the transient saturates
	x.volts(4.0, 20*time.Second)
	x.volts(2.0, 20*time.Second)
	if x.out.Band != Blind || x.out.GasHold != Background || !x.out.WarmingUp {
		t.Fatalf("plugged in again: %s, held at %s, warming %v; want a warm-up", x.out.Band, x.out.GasHold, x.out.WarmingUp)
	}
	x.clean(3 * time.Minute)
	if x.out.Band != Background {
		t.Fatalf("and warm: %s (%s), want background", x.out.Band, x.out.BandWhy)
	}
}

func TestASaturatedSensorThatGoesSilentIsBlindAndForgetsNothing(t *testing.T) {
	x := newGasRig(t, divider())
	x.clean(10 * time.Minute)
	x.volts(4.99, time.Minute)
	for range 30 {
		x.r[0] = sensors.Reading{}
		x.tick()
	}
	if x.out.Band != Blind || x.out.GasHold != Leave || !strings.HasPrefix(x.out.GasFault, "no reading") {
		t.Fatalf("%s (%s), held at %s; want blind, held at leave", x.out.Band, x.out.BandWhy, x.out.GasHold)
	}
}

func TestAFaultClearsNoLevel(t *testing.T) {
	x := newGasRig(t, divider())
	x.clean(10 * time.Minute)
	x.gas(12*ppmPerPctLEL, time.Minute)
	for range 600 {
		x.r[0] = sensors.Fault("timeout")
		x.tick()
	}
	if x.out.Band != Blind || x.out.GasLevel != Blind || x.out.GasHold != Leave {
		t.Fatalf("sensor lost in gas: band %s level %s hold %s, want blind, blind and leave", x.out.Band, x.out.GasLevel, x.out.GasHold)
	}
	x.gas(12*ppmPerPctLEL, 5*time.Second)
	if x.out.Band != Leave {
		t.Fatalf("the sensor is back in gas: %s, want leave at once", x.out.Band)
	}
}
