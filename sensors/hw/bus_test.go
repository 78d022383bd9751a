package hw

import (
	"bytes"
	"context"
	"log/slog"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"frostline/sensors"
)

var (
	cell  = Wire{Channel: sensors.LoadCounts, Driver: IIO, Device: "nau7802", Period: time.Second}
	gas   = Wire{Channel: sensors.GasV, Driver: IIO, Device: "ads1115", Attribute: "in_voltage0", Period: time.Second}
	shell = Wire{Channel: sensors.ShellC, Driver: W1, Address: "28-0000072f1a3c", Period: 10 * time.Second}
	line2 = Wire{Channel: sensors.WaterlineC, Driver: W1, Address: "28-0000072f2b4d", Period: 10 * time.Second}
)

func adcFiles(raw string) files {
	return files{"name": "ads1115\n", "in_voltage0_raw": raw + "\n", "in_voltage_scale": "0.125\n"}
}

// van lays a load cell, a gas sensor and two thermometers, each on a bus of its own but for
// the thermometers.
func van(t *testing.T) tree {
	tr := newTree(t)
	tr.plug(IIO, "platform/i2c-1/1-002a", "iio:device0", files{"name": "nau7802\n", "in_voltage0_raw": "522734\n"})
	tr.plug(IIO, "platform/i2c-3/3-0048", "iio:device1", adcFiles("4896"))
	for _, w := range []Wire{shell, line2} {
		tr.plug(W1, "w1_bus_master1", w.Address, files{"w1_slave": slave(goodSlave, "YES", "23062")})
	}
	return tr
}

// tick lets a second pass and reads. Between ticks it stops short of the second, so that
// the buses' own seconds lie between two ticks and not upon one.
func tick(t *testing.T, b *Board, n int) []sensors.Reading {
	t.Helper()
	time.Sleep(time.Second)
	synctest.Wait()
	return read(t, b, n)
}

func TestWallIsUTCWithoutAMonotonicPartAndAClosedBoardStaysClosed(t *testing.T) {
	tr := van(t)
	synctest.Test(t, func(t *testing.T) {
		b := open(t, tr.root, cell)
		st, err := b.Read(t.Context(), make([]sensors.Reading, 1))
		if err != nil || st.Wall.Location() != time.UTC || st.Wall != st.Wall.Round(0) || !st.Wall.Equal(time.Now()) {
			t.Errorf("wall %v, %v, want now in UTC without a monotonic part", st.Wall, err)
		}
		b.Close()
		b.Close()
		if err := b.Rewire(Options{}); err == nil {
			t.Error("a closed board was opened again")
		}
	})
}

func TestASupplyWatchThatAppearsLateIsRead(t *testing.T) {
	tr := newTree(t)
	wiring := sensors.Wiring{{Channel: sensors.BoardUndervolt, Period: 10 * time.Second}}
	synctest.Test(t, func(t *testing.T) {
		b, err := Open(Options{Root: tr.root, Wiring: wiring})
		if err != nil {
			t.Fatal(err)
		}
		defer closeAll(b)
		synctest.Wait()
		if found := b.Probe(t.Context()); len(found) != 0 {
			t.Errorf("what need not be there is not worth a line: %+v", found)
		}
		dir := tr.plug(Hwmon, "platform/soc/firmware/rpi_volt/hwmon", "hwmon0", files{"name": "rpi_volt\n"})
		for _, want := range []string{"0", "1"} {
			tr.put(dir, files{"in0_lcrit_alarm": want + "\n"})
			var last sensors.Reading
			for range 11 {
				if r := tick(t, b, 1)[0]; r != (sensors.Reading{}) {
					last = r
				}
			}
			if last.Quality != sensors.Good || last.Value != float64(want[0]-'0') {
				t.Errorf("the board says %s, got %+v", want, last)
			}
		}
	})
}

func TestACutLeadIsBadEachPeriodUntilItIsMended(t *testing.T) {
	tr := newTree(t)
	dir := tr.plug(IIO, "i2c-1/1-002a", "iio:device0", files{"name": "nau7802\n", "in_voltage0_raw": "-5\n"})
	synctest.Test(t, func(t *testing.T) {
		var logged bytes.Buffer
		log := slog.New(slog.NewTextHandler(&logged, nil))
		wires := []Wire{cell}
		b, err := Open(Options{Root: tr.root, Wires: wires, Wiring: wiringOf(wires...), Log: log})
		if err != nil {
			t.Fatal(err)
		}
		defer closeAll(b)
		time.Sleep(100 * time.Millisecond)
		if r := read(t, b, 1)[0]; r != sensors.Of(-5) {
			t.Fatalf("got %+v", r)
		}
		tr.unplug(dir)
		for range 2*3600 + 5 {
			if r := tick(t, b, 1)[0]; r != sensors.Fault(missing) {
				t.Fatalf("a cut lead must be Bad in every period, got %+v", r)
			}
		}
		if n := strings.Count(logged.String(), "does not read"); n != 3 {
			t.Errorf("two hours of one fault make %d lines, want one and one an hour:\n%s", n, logged.String())
		}
		if !strings.Contains(logged.String(), "SDA, SCL") {
			t.Errorf("the log must name the likely wire:\n%s", logged.String())
		}
		tr.plug(IIO, "i2c-1/1-002a", "iio:device7", files{"name": "nau7802\n", "in_voltage0_raw": "17\n"})
		if r := tick(t, b, 1)[0]; r != sensors.Of(17) {
			t.Fatalf("mended under another number: got %+v, want 17", r)
		}
		for range 60 {
			tick(t, b, 1)
		}
		if n := strings.Count(logged.String(), "reads again"); n != 1 {
			t.Errorf("the end of a fault is said %d times, want once", n)
		}
	})
}

func TestALooseContactIsOneFaultInTheLog(t *testing.T) {
	tr := newTree(t)
	dir := tr.plug(W1, "w1_bus_master1", shell.Address, files{"w1_slave": slave(goodSlave, "YES", "23062")})
	synctest.Test(t, func(t *testing.T) {
		var logged bytes.Buffer
		b, err := Open(Options{Root: tr.root, Wires: []Wire{shell}, Wiring: wiringOf(shell), Log: slog.New(slog.NewTextHandler(&logged, nil))})
		if err != nil {
			t.Fatal(err)
		}
		defer closeAll(b)
		for i := range 120 { // twenty minutes, one read in two damaged
			tr.put(dir, files{"w1_slave": slave(goodSlave, []string{"NO", "YES"}[i%2], "23062")})
			time.Sleep(10 * time.Second)
			synctest.Wait()
		}
		if n := strings.Count(logged.String(), "\n"); n != 1 {
			t.Errorf("a contact loose for twenty minutes made %d lines, want 1:\n%s", n, logged.String())
		}
	})
}

func TestChipsThatSwapTheirNumbersKeepTheirChannels(t *testing.T) {
	tr := newTree(t)
	put := func(cellN, adcN string) (dirs [2]string) {
		dirs[0] = tr.plug(IIO, "i2c-1/1-002a", cellN, files{"name": "nau7802\n", "in_voltage0_raw": "522734\n", "in_voltage_scale": "1"})
		dirs[1] = tr.plug(IIO, "i2c-1/1-0048", adcN, adcFiles("4896"))
		return dirs
	}
	dirs := put("iio:device0", "iio:device1")
	synctest.Test(t, func(t *testing.T) {
		b := open(t, tr.root, cell, gas)
		defer closeAll(b)
		time.Sleep(100 * time.Millisecond)
		read(t, b, 2)
		tr.unplug(dirs[0])
		tr.unplug(dirs[1])
		put("iio:device1", "iio:device0")
		if r := tick(t, b, 2); r[0] != sensors.Of(522734) || r[1] != sensors.Of(0.612) {
			t.Errorf("after the numbers changed hands: %+v, want counts and volts as before", r)
		}
	})
}

// closeAll closes and waits for the reads that were under way: made-up time ends with its
// test, and they would sleep for ever. A hung read must have been let go.
func closeAll(b *Board) {
	b.Close()
	b.rig.mu.Lock()
	var done []chan struct{}
	for _, x := range b.rig.buses {
		done = append(done, x.done)
	}
	b.rig.mu.Unlock()
	for _, d := range done {
		<-d
	}
}

// slow answers a path only after a while.
func slow(suffix string, after time.Duration) func(string) ([]byte, error) {
	return func(path string) ([]byte, error) {
		if strings.HasSuffix(path, suffix) {
			time.Sleep(after)
		}
		return readAttribute(path)
	}
}

func TestASlowBusDelaysNoOther(t *testing.T) {
	tr := van(t)
	wires := []Wire{cell, gas, shell, line2}
	synctest.Test(t, func(t *testing.T) {
		b, err := Open(Options{Root: tr.root, Wires: wires, Wiring: wiringOf(wires...), read: slow("w1_slave", 750*time.Millisecond)})
		if err != nil {
			t.Fatal(err)
		}
		defer closeAll(b)
		time.Sleep(100 * time.Millisecond)
		synctest.Wait()
		var heard [4]int
		for range 60 {
			for i, r := range read(t, b, 4) {
				if r.Quality == sensors.Bad {
					t.Fatalf("%s: slow is not a fault, got !%s", wires[i].Channel, r.Fault)
				}
				if r.Quality == sensors.Good {
					heard[i]++
				}
			}
			time.Sleep(time.Second)
			synctest.Wait()
		}
		if heard != [4]int{60, 60, 6, 6} {
			t.Errorf("heard %v in a minute, want 60, 60, 6, 6", heard)
		}
	})
}

func TestABusThatCannotKeepUpIsFairAndNotStuck(t *testing.T) {
	tr := newTree(t)
	var wires []Wire
	channels := []sensors.Channel{sensors.CabinC, sensors.OutsideC, sensors.LockerC, sensors.WaterlineC, sensors.ShellC, sensors.RegulatorC}
	for i, ch := range channels {
		w := Wire{Channel: ch, Driver: W1, Address: "28-00000000000" + string(rune('0'+i)), Period: time.Second}
		if ch == sensors.RegulatorC {
			w.Period = 10 * time.Second
		}
		tr.plug(W1, "w1_bus_master1", w.Address, files{"w1_slave": slave(goodSlave, "YES", "23062")})
		wires = append(wires, w)
	}
	synctest.Test(t, func(t *testing.T) {
		b, err := Open(Options{Root: tr.root, Wires: wires, Wiring: wiringOf(wires...), read: slow("w1_slave", 750*time.Millisecond)})
		if err != nil {
			t.Fatal(err)
		}
		defer closeAll(b)
		heard := make([]int, len(wires))
		for range 90 {
			for i, r := range tick(t, b, len(wires)) {
				if r.Quality == sensors.Bad {
					t.Fatalf("%s: !%s", channels[i], r.Fault)
				}
				if r.Quality == sensors.Good {
					heard[i]++
				}
			}
		}
		for i, n := range heard {
			// 120 reads of 0.75 s in 90 s: 9 of the unhurried one, the rest shared by five.
			low, high := 21, 23
			if wires[i].Period > time.Second {
				low, high = 8, 10
			}
			if n < low || n > high {
				t.Errorf("%s was heard %d times in 90 s, want %d to %d", channels[i], n, low, high)
			}
		}
	})
}

func TestAStuckReadHoldsItsBusAndNothingElse(t *testing.T) {
	tr := van(t)
	wires := []Wire{cell, gas, shell, line2}
	synctest.Test(t, func(t *testing.T) {
		let := make(chan struct{})
		var inside atomic.Int32 // reads of the hung thermometer; each costs a thread
		hang := func(path string) ([]byte, error) {
			if strings.HasSuffix(path, shell.Address+"/w1_slave") {
				inside.Add(1)
				<-let
				inside.Add(-1)
			}
			return readAttribute(path)
		}
		b, err := Open(Options{Root: tr.root, Wires: wires, Wiring: wiringOf(wires...), read: hang})
		if err != nil {
			t.Fatal(err)
		}
		defer closeAll(b)
		time.Sleep(100 * time.Millisecond)
		synctest.Wait()
		got := map[string]int{}
		for range 60 {
			r := read(t, b, 4)
			if r[0] != sensors.Of(522734) || r[1] != sensors.Of(0.612) {
				t.Fatalf("a hung thermometer took %+v with it", r[:2])
			}
			got["shell "+r[2].Fault]++
			got["pipe "+r[3].Fault]++
			time.Sleep(time.Second)
			synctest.Wait()
		}
		// Said once each 10 s: at 10, 20, 30, 40 and 50 s.
		if got["shell stuck"] != 5 || got["pipe held"] != 5 {
			t.Errorf("got %v, want five of stuck and five of held", got)
		}
		found := b.Probe(t.Context())
		if f := found[2]; f.Reading != sensors.Fault(stuck) || f.Where != "bus/w1/devices/"+shell.Address || !strings.Contains(f.Do, "data, ground and supply wires") {
			t.Errorf("a probe must name the hung thermometer and its wires, got %+v", f)
		}
		if f := found[3]; f.Reading != sensors.Fault(held) || !strings.Contains(f.Do, "stuck") {
			t.Errorf("a probe must say that another holds the bus, got %+v", f)
		}

		// A new wiring must not spend another thread on the bus that hangs.
		for range 3 {
			if err := b.Rewire(Options{Root: tr.root, Wires: wires, Wiring: wiringOf(wires...), read: hang}); err != nil {
				t.Fatal(err)
			}
		}
		for range 12 {
			if r := tick(t, b, 4); r[0] != sensors.Of(522734) || r[1] != sensors.Of(0.612) || r[2].Quality == sensors.Good || r[3].Quality == sensors.Good {
				t.Fatalf("after a new wiring: %+v", r)
			}
		}
		if n := inside.Load(); n != 1 {
			t.Errorf("%d reads hang after three new wirings, want the one that hung before", n)
		}
		close(let)
		synctest.Wait()
		if r := tick(t, b, 4); r[2] != sensors.Of(23.0625) || r[3] != sensors.Of(23.0625) {
			t.Errorf("a bus that comes back must be read again, got %+v", r[2:])
		}
	})
}

func TestADeviceThatComesLateJoinsItsBus(t *testing.T) {
	tr := newTree(t)
	tr.plug(W1, "w1_bus_master1", shell.Address, files{"w1_slave": slave(goodSlave, "YES", "23062")})
	wires := []Wire{shell, line2, cell}
	synctest.Test(t, func(t *testing.T) {
		b := open(t, tr.root, wires...)
		defer closeAll(b)
		time.Sleep(100 * time.Millisecond)
		synctest.Wait()
		if r := read(t, b, 3); r[0] != sensors.Of(23.0625) || r[1] != sensors.Fault(missing) || r[2] != sensors.Fault(missing) {
			t.Fatalf("before the drivers are loaded: %+v", r)
		}
		tr.plug(W1, "w1_bus_master1", line2.Address, files{"w1_slave": slave(goodSlave, "YES", "23062")})
		tr.plug(IIO, "i2c-1/1-002a", "iio:device0", files{"name": "nau7802\n", "in_voltage0_raw": "3\n"})
		late := map[int]bool{}
		for range 11 {
			for i, r := range tick(t, b, 3) {
				late[i] = late[i] || r.Quality == sensors.Good
			}
		}
		if !late[1] || !late[2] {
			t.Errorf("devices that came late are not read: %v", late)
		}
		b.rig.mu.Lock()
		defer b.rig.mu.Unlock()
		if b.rig.leads[0].bus != b.rig.leads[1].bus {
			t.Error("thermometers of one master must wait for each other")
		}
		if b.rig.leads[2].bus == b.rig.leads[0].bus {
			t.Error("the load cell must not wait for thermometers")
		}
	})
}

func TestDevicesThatShareWiresShareABus(t *testing.T) {
	tr := newTree(t)
	s := sysfs{tr.root, readAttribute}
	bus := func(d Driver, place, number string) string {
		return strings.TrimPrefix(s.busOf(d, tr.plug(d, place, number, nil)), s.real("")+"/")
	}
	for _, c := range []struct{ got, want string }{
		{bus(IIO, "platform/soc/i2c-1/1-0048", "iio:device0"), "devices/platform/soc/i2c-1"},
		{bus(Hwmon, "platform/soc/i2c-1/1-0049/hwmon", "hwmon0"), "devices/platform/soc/i2c-1"},
		{bus(IIO, "platform/soc/i2c-1/i2c-4/4-0048", "iio:device1"), "devices/platform/soc/i2c-1"},
		{bus(IIO, "platform/soc/spi0.0", "iio:device2"), "devices/platform/soc/spi0.0/iio:device2"},
		{bus(IIO, "platform/spi_master/spi0/spi0.1", "iio:device3"), "devices/platform/spi_master/spi0"},
		{bus(IIO, "platform/weigh", "iio:device4"), "devices/platform/weigh/iio:device4"},
		{bus(W1, "w1_bus_master1", "28-000000000001"), "devices/w1_bus_master1"},
		{bus(W1, "platform/i2c-1/1-0018/w1_bus_master2", "28-000000000002"), "devices/platform/i2c-1/1-0018/w1_bus_master2"},
		{bus(Hwmon, "w1_bus_master1/28-000000000001/hwmon", "hwmon1"), "devices/w1_bus_master1"},
	} {
		if c.got != c.want {
			t.Errorf("got bus %s, want %s", c.got, c.want)
		}
	}
	if got := s.busOf(W1, "bus/w1/devices/28-00000000000f"); got != filepath.Join(tr.root, "bus/w1/devices") {
		t.Errorf("thermometers of an unknown master share a bus, got %s", got)
	}
}

func TestAProbeThatMayNotWaitSaysWhatHasNotAnswered(t *testing.T) {
	tr := van(t)
	synctest.Test(t, func(t *testing.T) {
		wires := []Wire{gas, shell}
		b, err := Open(Options{Root: tr.root, Wires: wires, Wiring: wiringOf(wires...), read: slow("w1_slave", 2*time.Second)})
		if err != nil {
			t.Fatal(err)
		}
		defer closeAll(b)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		found := b.Probe(ctx)
		if found[0].Raw != "4896" || found[0].Reading != sensors.Of(0.612) || found[0].Where != "bus/iio/devices/iio:device1" {
			t.Errorf("what has answered must be shown, got %+v", found[0])
		}
		if found[1].Err == nil || !strings.Contains(found[1].Err.Error(), "no answer yet") {
			t.Errorf("what has not answered must say so, got %+v", found[1])
		}
		if found = b.Probe(t.Context()); found[1].Reading != sensors.Of(23.0625) {
			t.Errorf("a probe with time must wait for it, got %+v", found[1])
		}
	})
}

func TestEveryFaultWordIsExplainedToSomebodyWithAScrewdriver(t *testing.T) {
	for _, w := range []Wire{cell, gas, shell, {Driver: IIO, Device: hx711}, {Driver: Hwmon, Device: "tmp102"},
		{Driver: I2C, Device: "ads1115"}, {Driver: HX711, Data: "a", Clock: "b"}, {Driver: GPIO, Line: "GPIO5"}} {
		for _, word := range []string{missing, ambiguous, noFile, permission, stuck, held, timeout, nack, crc, ioError, busy,
			empty, garbled, zeros, ones, scratchpad, powerOn, weakSupply, probeOpen, sentinel, reset, config, clipped,
			notMeasured, wrongChip, claimed, noNode, noPlainI2C, inUse, noPull, bounce, floating, slowClock, slipped,
			settling, oddPeriod, earlyRead} {
			means, do := explain(w, word)
			if !oneWord.MatchString(word) || means == "" || do == "" {
				t.Errorf("%s of %s: %q, %q", word, w.name(), means, do)
			}
		}
	}
	if means, _ := explain(cell, "purple"); means != "" {
		t.Error("a word nobody uses was explained")
	}
}
