package hw

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"

	"frostline/sensors"
)

// bench is a bus with the usual chips and the way to read one of their inputs.
func bench() (*modelBus, *modelADS, *modelNAU, *modelBME) {
	ads, nau, bme := newModelADS(), newModelNAU(), newModelBME(0x60)
	return &modelBus{chips: map[uint16]model{0x48: ads, 0x2a: nau, 0x76: bme}}, ads, nau, bme
}

// wants reads an input and looks at value or fault word.
func wants(t *testing.T, c chip, input string, value float64, word string) {
	t.Helper()
	v, raw, err := c.read(input)
	if word == "" {
		if err != nil || math.Abs(v-value) > 1e-4*max(1, math.Abs(value)) || raw == "" {
			t.Errorf("%s %s: got %v (%s), %v, want %v", c, input, v, raw, err, value)
		}
		return
	}
	if err == nil || wordOf(I2C, err) != word {
		t.Errorf("%s %s: got %v, %v, want !%s", c, input, v, err, word)
	}
}

func TestAChipSaysItsBusAndAddress(t *testing.T) {
	bus, _, _, _ := bench()
	if got := newADS1115(bus, 0x48).String(); got != "ads1115 on bcm2835 (i2c@7e804000) at 0x48" {
		t.Errorf("got %q", got)
	}
}

func TestEachChipGivesItsValues(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, ads, nau, _ := bench()
		ads.volts = [8]float64{-0.25, 0, 0, 0.5, 0.612, 4.98, 2.2, 0}
		a := newADS1115(bus, 0x48)
		for range 2 { // one after the other, so that each could bring the value before
			wants(t, a, "in_voltage0", 0.612, "")
			wants(t, a, "in_voltage1", 4.98, "")
			wants(t, a, "in_voltage2", 2.2, "")
			wants(t, a, "in_voltage3", 0, "")
			wants(t, a, "in_voltage0-voltage1", -0.25, "")
			wants(t, a, "in_voltage2-voltage3", 0.5, "")
		}
		n := newNAU7802(bus, 0x2a)
		for _, counts := range []int32{522734, -8112, 1, 8388606, -8388607} {
			nau.counts = counts
			wants(t, n, "in_voltage0", float64(counts), "")
			time.Sleep(time.Second)
		}
		b := newBME280(bus, 0x76)
		wants(t, b, "in_temp", 25.0825, "")
		wants(t, b, "in_pressure", 100.653, "")
		bus.chips[0x77] = newModelBME(0x58)
		p := newBMP280(bus, 0x77)
		wants(t, p, "in_temp", 25.0825, "")
		wants(t, p, "in_pressure", 100.653, "")
	})
}

// The example in the data sheet of the barometer, from memory: 519888 is 25.08 °C and 415148
// is 100653.27 Pa. The same sheet gives the humidity in whole numbers too; the two forms were
// written by other hands than ours and must agree.
func TestTheTrimIsAppliedAsTheDataSheetHasIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, _, _, _ := bench()
		m := newBME280(bus, 0x76).(*bme280)
		if _, _, err := m.read("in_temp"); err != nil {
			t.Fatal(err)
		}
		fine := m.cal.fine(519888)
		if c, pa := fine/5120, m.cal.pa(415148, fine); math.Abs(c-25.08) > 0.005 || math.Abs(pa-100653.27) > 0.1 {
			t.Errorf("got %.4f °C and %.2f Pa, want 25.08 and 100653.27", c, pa)
		}
		c := m.cal
		if c.h1 != 75 || c.h2 != 365 || c.h3 != 0 || c.h4 != 0x13<<4|0xA || c.h5 != 0x03<<4|0x2 || c.h6 != 30 {
			t.Errorf("the trim of humidity was read as %+v", c)
		}
		inside := 0
		for raw := int32(12000); raw < 60000; raw += 500 {
			for _, fine := range []float64{-60000, 0, 76800, 128422, 200000} {
				got, want := c.pct(raw, fine), wholeHumidity(c, raw, int32(fine))
				if want > 0 && want < 100 {
					inside++
				}
				if math.Abs(got-want) > 0.05 {
					t.Fatalf("code %d at %.0f: %.3f %%, in whole numbers %.3f", raw, fine, got, want)
				}
			}
		}
		if inside < 50 {
			t.Errorf("only %d codes within 0 to 100 %% were compared", inside)
		}
		if (&bmeTrim{}).pa(415148, fine) != 0 {
			t.Error("a trim of zeros must not divide by zero")
		}
	})
}

func wholeHumidity(c bmeTrim, h, fine int32) float64 {
	x := int64(fine) - 76800
	x = ((int64(h)<<14 - int64(c.h4)<<20 - int64(c.h5)*x + 16384) >> 15) *
		((((((x*int64(c.h6))>>10)*(((x*int64(c.h3))>>11)+32768))>>10+2097152)*int64(c.h2) + 8192) >> 14)
	x -= ((((x >> 15) * (x >> 15)) >> 7) * int64(c.h1)) >> 4
	return float64(min(max(x, 0), 419430400)>>12) / 1024
}

func TestAChipThatLostItsSupplyIsSetAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, ads, nau, bme := bench()
		ads.volts[4], nau.counts = 0.612, 522734
		for _, k := range []struct {
			chip  chip
			model model
			input string
			value float64
		}{
			{newADS1115(bus, 0x48), ads, "in_voltage0", 0.612},
			{newNAU7802(bus, 0x2a), nau, "in_voltage0", 522734},
			{newBME280(bus, 0x76), bme, "in_pressure", 100.653},
		} {
			wants(t, k.chip, k.input, k.value, "")
			k.model.lose()
			wants(t, k.chip, k.input, 0, reset)
			wants(t, k.chip, k.input, k.value, "")
			bus.after = k.model.lose // between the value and the look at the settings
			wants(t, k.chip, k.input, 0, reset)
			if v, _, err := k.chip.read(k.input); err == nil && math.Abs(v-k.value) > 1e-3*k.value {
				t.Errorf("%s: %v after a loss that was told before", k.chip, v)
			}
			wants(t, k.chip, k.input, k.value, "")
		}
	})
}

// A service that is started again finds its chips as it left them: set, and without what the
// process before had learned of them.
func TestAChipThatIsSetAlreadyIsReadAfterARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, ads, nau, _ := bench()
		ads.volts[4], nau.counts = 0.612, 522734
		bus.chips[0x77] = newModelBME(0x58)
		for range 2 {
			wants(t, newADS1115(bus, 0x48), "in_voltage0", 0.612, "")
			wants(t, newNAU7802(bus, 0x2a), "in_voltage0", 522734, "")
			wants(t, newBME280(bus, 0x76), "in_pressure", 100.653, "")
			wants(t, newBME280(bus, 0x76), "in_temp", 25.0825, "")
			wants(t, newBMP280(bus, 0x77), "in_pressure", 100.653, "")
		}
	})
}

// The code of a value that was not measured is also one of 26.46 °C: a real value leaves it.
func TestACodeOfNothingMeasuredMayBeAValue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, _, _, bme := bench()
		m := newBME280(bus, 0x76)
		wants(t, m, "in_temp", 25.0825, "")
		bme.t = bmeSkipped
		bus.after = func() { bme.t += 16 }
		wants(t, m, "in_temp", 26.465, "")
		bme.h = bmeSkippedH
		bus.after = func() { bme.h++ }
		if v, _, err := m.read("in_humidityrelative"); err != nil || v < 40 || v > 90 {
			t.Errorf("got %v, %v", v, err)
		}
		bme.h = bmeSkippedH
		wants(t, m, "in_humidityrelative", 0, notMeasured)
	})
}

func TestTheAdapterIsFoundByName(t *testing.T) {
	tr := adapterTree(t)
	for _, k := range []struct{ bus, word, node, says string }{
		{ownBus, "", "/dev/i2c-1", ""},
		{"fef04500.i2c", "", "/dev/i2c-20", ""},
		{"i2c-20", "", "/dev/i2c-20", ""},
		{"", ambiguous, "", `"bcm2835 (i2c@7e804000)" (i2c-1), "fef04500.i2c" (i2c-20)`},
		{"i2c-3", missing, "", `"bcm2835 (i2c@7e804000)" (i2c-1)`},
	} {
		d, err := sysfs{tr.root, readAttribute}.locate(Wire{Driver: I2C, Device: "ads1115", Channel: sensors.GasV, Bus: k.bus}, device{})
		switch {
		case k.word == "" && (err != nil || d.node != k.node || !strings.HasSuffix(d.bus, "/i2c-"+strings.TrimPrefix(k.node, "/dev/i2c-"))):
			t.Errorf("bus %q: got %+v, %v, want %s", k.bus, d, err, k.node)
		case k.word != "" && (err == nil || wordOf(I2C, err) != k.word || !strings.Contains(err.Error(), k.says)):
			t.Errorf("bus %q: got %v, want !%s saying %s", k.bus, err, k.word, k.says)
		}
	}
	_, err := sysfs{t.TempDir(), readAttribute}.locate(Wire{Driver: I2C, Device: "ads1115", Channel: sensors.GasV}, device{})
	if err == nil || wordOf(I2C, err) != missing {
		t.Errorf("a board without adapters: %v", err)
	}
	// An adapter that shares wires with the kernel's own chips shares their goroutine.
	tr.plug(IIO, "platform/soc/fe804000.i2c/i2c-1/1-002a", "iio:device0", files{"name": "nau7802\n"})
	own, _ := sysfs{tr.root, readAttribute}.locate(Wire{Driver: I2C, Device: "ads1115", Channel: sensors.GasV, Bus: ownBus}, device{})
	if kernels := (sysfs{tr.root, readAttribute}).busOf(IIO, "bus/iio/devices/iio:device0"); kernels != own.bus {
		t.Errorf("buses %s and %s are one pair of wires", kernels, own.bus)
	}
	// The kernel's driver at the same address keeps the chip.
	dir := tr.plug(I2C, "platform/soc/fe804000.i2c/i2c-1", "1-0048", files{"name": "ads1115\n"})
	if _, err := (sysfs{tr.root, readAttribute}).locate(Wire{Driver: I2C, Device: "ads1115", Channel: sensors.GasV, Bus: ownBus}, device{}); err != nil {
		t.Errorf("a chip without a kernel driver: %v", err)
	}
	tr.put(dir+"/driver", nil)
	_, err = sysfs{tr.root, readAttribute}.locate(Wire{Driver: I2C, Device: "ads1115", Channel: sensors.GasV, Bus: ownBus}, device{})
	if err == nil || wordOf(I2C, err) != claimed {
		t.Errorf("a chip the kernel drives: %v, want !%s", err, claimed)
	}
}

func TestAnI2CWireThatCannotWorkIsRefusedAtItsKey(t *testing.T) {
	for _, k := range []struct {
		wire Wire
		key  string
		says string
	}{
		{Wire{Channel: sensors.GasV, Driver: I2C}, "device", "ads1115, bme280, bmp280, nau7802"},
		{Wire{Channel: sensors.GasV, Driver: I2C, Device: "mcp3008"}, "device", `not "mcp3008"`},
		{Wire{Channel: sensors.GasV, Driver: I2C, Device: "ads1115", Address: "0x76"}, "address", "0x48, 0x49, 0x4a, 0x4b"},
		{Wire{Channel: sensors.GasV, Driver: I2C, Device: "ads1115", Address: "48"}, "address", `"48"`},
		{Wire{Channel: sensors.GasV, Driver: I2C, Device: "ads1115", Attribute: "in_voltage4"}, "attribute", "in_voltage0"},
		{Wire{Channel: sensors.LoadCounts, Driver: I2C, Device: "ads1115"}, "device", "cannot give load_counts"},
		{Wire{Channel: sensors.HumidityPct, Driver: I2C, Device: "bmp280"}, "device", "cannot give humidity_pct"},
		{Wire{Channel: sensors.BaroKPa, Driver: I2C, Device: "bme280", Attribute: "in_temp"}, "attribute", "in_pressure"},
		{Wire{Channel: sensors.GasV, Driver: I2C, Device: "ads1115", Label: "floor"}, "label", "means nothing"},
		{Wire{Channel: sensors.GasV, Driver: IIO, Device: "ads1115", Bus: "i2c-1"}, "bus", "means nothing"},
	} {
		err := k.wire.Check()
		var at *KeyError
		if !errors.As(err, &at) || at.Key != k.key || !strings.Contains(err.Error(), k.says) {
			t.Errorf("%+v: got %v, want one about %s saying %s", k.wire, err, k.key, k.says)
		}
	}
	for _, w := range []Wire{
		{Channel: sensors.GasV, Driver: I2C, Device: "ads1115", Address: "0x4B", Attribute: "in_voltage3_raw", Gain: 2},
		{Channel: sensors.LoadCounts, Driver: I2C, Device: "nau7802", Bus: ownBus},
		{Channel: sensors.CabinC, Driver: I2C, Device: "bme280", Attribute: "in_temp_input"},
		{Channel: sensors.HumidityPct, Driver: I2C, Device: "bme280"},
	} {
		if err := w.Check(); err != nil {
			t.Errorf("%+v: %v", w, err)
		}
	}
}

// Whatever a bus answers, a read ends, in bounded time, and never with a value of a chip that
// does not hold its settings.
func TestNoBusCanHoldAChipOrMakeItLie(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		seed := rapid.SliceOfN(rapid.Byte(), 1, 400).Draw(rt, "answers")
		kind := rapid.SampledFrom(ownChips()).Draw(rt, "chip")
		synctest.Test(t, func(t *testing.T) {
			bus := &noiseBus{bytes: seed}
			k := kindOf(kind)
			c := k.open(bus, k.addresses[0])
			for range 20 {
				start := time.Now()
				v, _, err := c.read(inputOfChip(k))
				if took := time.Since(start); took > stuckAfter {
					rt.Fatalf("%s held its bus for %s", c, took)
				}
				if math.IsNaN(v) || math.IsInf(v, 0) || err != nil && v != 0 {
					rt.Fatalf("%s gave %v, %v", c, v, err)
				}
			}
		})
	})
}

func inputOfChip(k chipKind) string {
	if k.inputs != nil {
		return k.inputs[len(k.inputs)-1]
	}
	return "in_pressure"
}

// noiseBus answers with the same bytes over and over; one of them in 16 is an error.
type noiseBus struct {
	modelBus
	bytes []byte
	n     int
}

func (b *noiseBus) Tx(_ uint16, _, r []byte) error {
	next := func() byte { b.n++; return b.bytes[b.n%len(b.bytes)] }
	if next()&0xF == 7 {
		return fmt.Errorf("noise: %w", errRemoteIO)
	}
	for i := range r {
		r[i] = next()
	}
	return nil
}

var _ i2c.Bus = (*noiseBus)(nil)

func TestAnAdapterWithoutItsNodeSaysSo(t *testing.T) {
	bus := dialKernel("/dev/no-such-i2c", "bus of nowhere")
	if err := bus.Tx(0x48, []byte{1}, make([]byte, 2)); err == nil || wordOf(I2C, err) != noNode {
		t.Errorf("no node: got %v, want !%s", err, noNode)
	}
	if err := dialKernel("/dev/null", "no adapter").Tx(0x48, []byte{1}, make([]byte, 2)); !errors.Is(err, syscall.ENOTTY) {
		t.Errorf("a node that is no adapter: got %v, want the kernel's error", err)
	}
	if bus.String() != "bus of nowhere" || bus.SetSpeed(physic.KiloHertz) == nil {
		t.Error("an adapter is called by its name, and nobody sets its speed")
	}
}
