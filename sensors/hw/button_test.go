package hw

import (
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/sensors"
)

// From the line the button hangs on to the alarm it silences, through everything between.
func TestTheButtonOnItsLineAcknowledgesWhatItMay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newModelPins("GPIO5", "GPIO6", "GPIO7")
		up, shut := true, false // the button is not pressed, the heater's contact open
		for _, name := range []string{"GPIO5", "GPIO6", "GPIO7"} {
			p.line(name).drive = level(&up)
		}
		p.line("GPIO6").drive = level(&shut)
		wires := every(button, Wire{Channel: sensors.CertifiedAlarm, Driver: GPIO, Line: "GPIO6"})
		bus, ads, _, _ := bench()
		ads.volts[7] = 11 / 5.7
		wires = append(wires, every(Wire{Channel: sensors.BatteryV, Driver: I2C, Device: "ads1115", Attribute: "in_voltage3", Gain: 5.7, Bus: ownBus})...)
		w := wiringOf(wires...)
		b, err := Open(Options{Root: adapterTree(t).root, Wires: wires, Wiring: w, pins: p, dial: func(_, _ string) i2c.Bus { return bus }})
		if err != nil {
			t.Fatal(err)
		}
		defer closeAll(b)
		s := alerts.Defaults()
		c := core.New(core.Params{Wiring: w, Setpoints: s})
		var snap *core.Snapshot
		step := func(n int) {
			for range n {
				time.Sleep(time.Second)
				synctest.Wait()
				in := core.Input{Readings: make([]sensors.Reading, len(w))}
				if in.Stamp, err = b.Read(t.Context(), in.Readings); err != nil {
					t.Fatal(err)
				}
				snap = c.Step(in)
			}
		}
		state := func(id string) alerts.State {
			for _, a := range snap.Alarms {
				if a.ID == id {
					return a.State
				}
			}
			t.Fatalf("no alarm %s", id)
			return 0
		}
		step(10)
		p.do(func() { shut = true }) // the certified alarm sounds
		step(90)
		if state("battery-low") != alerts.Unacked || state("certified-alarm") != alerts.Unacked {
			t.Fatalf("before the press: battery %v, certified %v", state("battery-low"), state("certified-alarm"))
		}
		p.do(func() { up = false })
		time.Sleep(200 * time.Millisecond)
		p.do(func() { up = true })
		step(2)
		if state("battery-low") != alerts.Acked {
			t.Errorf("after a press of 200 ms: battery %v, want acknowledged", state("battery-low"))
		}
		if state("certified-alarm") != alerts.Unacked {
			t.Errorf("the button silenced the certified alarm's own: %v", state("certified-alarm"))
		}
	})
}
