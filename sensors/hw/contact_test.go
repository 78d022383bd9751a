package hw

import (
	"testing"
	"testing/synctest"
	"time"

	"frostline/sensors"
)

// pinBoard opens a board whose wires are on model lines.
func pinBoard(t *testing.T, p *modelPins, wires ...Wire) *Board {
	t.Helper()
	b, err := Open(Options{Root: t.TempDir(), Wires: every(wires...), Wiring: wiringOf(every(wires...)...), pins: p})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

var button = Wire{Channel: sensors.AckButton, Driver: GPIO, Line: "GPIO5", Invert: true}

func level(high *bool) func(bool) bool { return func(bool) bool { return *high } }

func TestAPressBetweenTwoTicksIsNotLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newModelPins("GPIO5")
		up := true
		p.line("GPIO5").drive = level(&up)
		b := pinBoard(t, p, button)
		defer closeAll(b)
		time.Sleep(100 * time.Millisecond)
		for i := range 5 {
			if r := tick(t, b, 1)[0]; r != sensors.Of(0) {
				t.Fatalf("tick %d, nobody presses: %+v", i, r)
			}
		}
		time.Sleep(200 * time.Millisecond)
		p.do(func() { up = false })
		time.Sleep(120 * time.Millisecond)
		p.do(func() { up = true })
		time.Sleep(680 * time.Millisecond)
		synctest.Wait()
		if r := read(t, b, 1)[0]; r != sensors.Of(1) {
			t.Errorf("pressed for 120 ms between two ticks: %+v, want 1", r)
		}
		if r := tick(t, b, 1)[0]; r != sensors.Of(0) {
			t.Errorf("a tick later: %+v, want 0", r)
		}
		// A spike of one look is no press. It begins and ends between two looks, which come at
		// multiples of contactEvery.
		time.Sleep(310 * time.Millisecond)
		p.do(func() { up = false })
		time.Sleep(contactEvery)
		p.do(func() { up = true })
		time.Sleep(690*time.Millisecond - contactEvery)
		synctest.Wait()
		if r := read(t, b, 1)[0]; r != sensors.Of(0) {
			t.Errorf("a spike of %s: %+v, want 0", contactEvery, r)
		}
		if n := p.line("GPIO5").asked; n > 8*26 {
			t.Errorf("the line was asked %d times in 8 s, want 25 a second", n)
		}
	})
}

func TestAContactIsReadAsItIsWired(t *testing.T) {
	for _, k := range []struct {
		name string
		wire Wire
		high bool
		want float64
	}{
		{"open to ground", Wire{Channel: sensors.HeatCall, Driver: GPIO, Line: "L", Invert: true}, true, 0},
		{"closed to ground", Wire{Channel: sensors.HeatCall, Driver: GPIO, Line: "L", Invert: true}, false, 1},
		{"to the supply", Wire{Channel: sensors.GasValve, Driver: GPIO, Line: "L", Pull: PullDown}, true, 1},
		{"held from outside", Wire{Channel: sensors.COAlarm, Driver: GPIO, Line: "L", Pull: PullNone}, false, 0},
		{"on a chip told by its label", Wire{Channel: sensors.Ignition, Driver: GPIO, Line: "L", Device: "pinctrl-bcm2711"}, true, 1},
	} {
		t.Run(k.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := newModelPins("", "L")
				p.line("L").drive = level(&k.high)
				b := pinBoard(t, p, k.wire)
				defer closeAll(b)
				if r := tick(t, b, 1)[0]; r != sensors.Of(k.want) {
					t.Errorf("got %+v, want %v", r, k.want)
				}
				if up := k.wire.Pull != PullDown; p.line("L").pulled != up {
					t.Errorf("held up %v, want %v", p.line("L").pulled, up)
				}
			})
		})
	}
}

func TestLinesAreGivenBackBeforeAnotherWiringTakesThem(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newModelPins("GPIO5", "GPIO6", "DT", "SCK")
		chip := &modelHX711{counts: 522734, period: 90 * time.Millisecond}
		chip.wire(p, "DT", "SCK")
		wires := every(button, Wire{Channel: sensors.LoadCounts, Driver: HX711, Data: "DT", Clock: "SCK"})
		o := Options{Root: t.TempDir(), Wires: wires, Wiring: wiringOf(wires...), pins: p}
		b, err := Open(o)
		if err != nil {
			t.Fatal(err)
		}
		for range 3 {
			for range 6 {
				tick(t, b, 2)
			}
			if r := tick(t, b, 2); r[0].Quality != sensors.Good || r[1].Quality != sensors.Good {
				t.Fatalf("got %+v, want button and bridge", r)
			}
			if err := b.Rewire(o); err != nil {
				t.Fatal(err)
			}
		}
		closeAll(b)
		synctest.Wait()
		for i, l := range p.at {
			if l.taken {
				t.Errorf("line %s is still ours after the end", p.names[i])
			}
		}
	})
}

// A data line that lies on ground says "ready" for ever: waiting for what is not there must not
// take the whole of a small board's processor.
func TestAShortedBridgeIsNotAskedWithoutPause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newModelPins("GPIO23", "GPIO24")
		hx := &modelHX711{counts: 500_000, period: 90 * time.Millisecond, short: true}
		hx.wire(p, "GPIO23", "GPIO24")
		h, err := openHX711(p, Wire{Channel: sensors.LoadCounts, Driver: HX711, Data: "GPIO23", Clock: "GPIO24"})
		if err != nil {
			t.Fatal(err)
		}
		defer h.close()
		if _, _, err := h.read(); err == nil || wordOf(HX711, err) != zeros {
			t.Errorf("got %v, want !%s", err, zeros)
		}
		if asked := p.line("GPIO23").asked; asked > 4000 {
			t.Errorf("the data line was asked %d times within %s", asked, hxPatience)
		}
	})
}
