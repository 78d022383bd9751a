package hw

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"frostline/sensors"
)

// once opens one wire and returns the reading of the first tick.
func once(t *testing.T, root string, w Wire, hook func(path string) ([]byte, error)) (sensors.Reading, Found) {
	t.Helper()
	var r sensors.Reading
	var f Found
	synctest.Test(t, func(t *testing.T) {
		wires := every(w)
		b, err := Open(Options{Root: root, Wires: wires, Wiring: wiringOf(wires...), read: hook})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		synctest.Wait()
		r = read(t, b, 1)[0]
		f = b.Probe(t.Context())[0]
	})
	return r, f
}

func TestEveryDriverGivesTheRawValueInTheChannelsUnit(t *testing.T) {
	type value struct {
		name  string
		wire  Wire
		files files
		want  float64
	}
	iio := func(ch sensors.Channel, device, attribute string, gain float64) Wire {
		return Wire{Channel: ch, Driver: IIO, Device: device, Attribute: attribute, Gain: gain}
	}
	hwmon := func(ch sensors.Channel, device, attribute string) Wire {
		return Wire{Channel: ch, Driver: Hwmon, Device: device, Attribute: attribute}
	}
	w1 := Wire{Channel: sensors.ShellC, Driver: W1, Address: "28-0000072f1a3c"}
	w1t := Wire{Channel: sensors.ShellC, Driver: W1, Address: "28-0000072f1a3c", Attribute: "temperature"}
	old := Wire{Channel: sensors.ShellC, Driver: W1, Address: "10-0000072f1a3c"}
	for _, c := range []value{
		{"an I2C bridge gives signed counts", iio(sensors.LoadCounts, "nau7802", "in_voltage0_raw", 0), files{"in_voltage0_raw": "-8112\n", "in_voltage_scale": "0.0002"}, -8112},
		{"a bit-banged bridge is offset binary", iio(sensors.LoadCounts, "hx711", "", 1), files{"in_voltage0_raw": "8911342\n"}, 522734},
		{"an empty bit-banged bridge is zero", iio(sensors.LoadCounts, "hx711", "", 1), files{"in_voltage0_raw": "8388608\n"}, 0},
		{"a bridge pulled up is negative", iio(sensors.LoadCounts, "hx711", "", 1), files{"in_voltage0_raw": "8388000\n"}, -608},
		{"the gas divider is counts times the chip's scale in mV", iio(sensors.GasV, "ads1115", "in_voltage0", 1), files{"in_voltage0_raw": "4896", "in_voltage0_scale": "0.125000000"}, 0.612},
		{"_raw in the name still gives volts", iio(sensors.GasV, "ads1115", "in_voltage3_raw", 0), files{"in_voltage3_raw": "4896", "in_voltage_scale": "0.125"}, 0.612},
		{"a divider is undone by gain", iio(sensors.BatteryV, "ads1115", "in_voltage2", 5.7), files{"in_voltage2_raw": "17600", "in_voltage2_scale": "0.125"}, 12.54},
		{"an offset belongs before the scale", iio(sensors.GasSupplyV, "adc", "in_voltage1", 1), files{"in_voltage1_raw": "900", "in_voltage1_offset": "100", "in_voltage_scale": "5"}, 5},
		{"a differential input finds its scale", iio(sensors.GasV, "ads1115", "in_voltage0-voltage1", 1), files{"in_voltage0-voltage1_raw": "-1000", "in_voltage-voltage_scale": "0.125"}, -0.125},
		{"a differential input may share the plain scale", iio(sensors.GasV, "ads1115", "in_voltage0-voltage1_raw", 1), files{"in_voltage0-voltage1_raw": "1000", "in_voltage_scale": "0.125"}, 0.125},
		{"a barometer in kPa", iio(sensors.BaroKPa, "bmp280", "", 1), files{"in_pressure_input": "98.714285156\n"}, 98.714285156},
		{"a barometer with raw and scale", iio(sensors.BaroKPa, "dps310", "", 1), files{"in_pressure_raw": "98714", "in_pressure_scale": "0.001"}, 98.714},
		{"an iio thermometer below zero", iio(sensors.OutsideC, "bme280", "", 1), files{"in_temp_input": "-3210\n"}, -3.21},
		{"an iio thermometer with offset", iio(sensors.CabinC, "tsys", "in_temp", 1), files{"in_temp_raw": "-200", "in_temp_offset": "10", "in_temp_scale": "62.5"}, -11.875},
		{"humidity is thousandths of a percent", iio(sensors.HumidityPct, "bme280", "", 1), files{"in_humidityrelative_input": "64250"}, 64.25},
		{"a hwmon thermometer", hwmon(sensors.CabinC, "tmp102", ""), files{"temp1_input": "17250\n"}, 17.25},
		{"a hwmon thermometer with a whole probe", hwmon(sensors.OutsideC, "max31723", "temp2_input"), files{"temp2_input": "-18062\n", "temp2_fault": "0\n"}, -18.062},
		{"house battery over a power monitor", hwmon(sensors.BatteryV, "ina219", ""), files{"in0_input": "3", "in1_input": "12636"}, 12.636},
		{"hwmon humidity", hwmon(sensors.HumidityPct, "sht3x", ""), files{"humidity1_input": "40125"}, 40.125},
		{"a 1-wire thermometer", w1, files{"w1_slave": slave(goodSlave, "YES", "23062")}, 23.0625},
		{"a 1-wire thermometer below zero", w1, files{"w1_slave": slave("f8 ff 4b 46 7f ff 08 10 4b", "YES", "-500")}, -0.5},
		{"a 1-wire thermometer really at 85", w1, files{"w1_slave": slave("50 05 4b 46 7f ff 10 10 4b", "YES", "85000")}, 85},
		{"nine bits are enough", w1, files{"w1_slave": slave("f0 ff 4b 46 1f ff 08 10 4b", "YES", "-1000")}, -1},
		{"the older 1-wire family is converted by the kernel", old, files{"w1_slave": slave("2d 00 4b 46 ff ff 02 10 19", "YES", "22875")}, 22.875},
		{"a 1-wire thermometer in m°C", w1t, files{"temperature": "-62\n"}, -0.0625},
		{"m°C keep a code that was cut", w1t, files{"temperature": "127937\n"}, 127.9375},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr := newTree(t)
			lay(tr, c.wire, c.files)
			r, f := once(t, tr.root, c.wire, nil)
			if r.Quality != sensors.Good || !near(r.Value, c.want) {
				t.Errorf("got %v %s %q, want %v; %v", r.Value, r.Quality, r.Fault, c.want, f.Err)
			}
			if f.Err != nil || f.Raw == "" || f.Where == "" {
				t.Errorf("a probe must show where it reads and the raw text, got %+v", f)
			}
		})
	}
}

// near allows the last bits: a wanted value is written in decimals.
func near(got, want float64) bool { return got-want < 1e-9 && want-got < 1e-9 }

// lay plugs the wire's device with these files.
func lay(tr tree, w Wire, f files) (dir string) {
	switch w.Driver {
	case W1:
		return tr.plug(W1, "w1_bus_master1", w.Address, f)
	case IIO:
		dir = tr.plug(IIO, "platform/i2c-1/1-0048", "iio:device0", f)
	case Hwmon:
		dir = tr.plug(Hwmon, "platform/i2c-1/1-0049/hwmon", "hwmon0", f)
	}
	tr.put(dir, files{"name": w.Device + "\n"})
	return dir
}

func TestEveryFaultHasItsWord(t *testing.T) {
	adc := Wire{Channel: sensors.GasV, Driver: IIO, Device: "ads1115", Attribute: "in_voltage0"}
	cell := Wire{Channel: sensors.LoadCounts, Driver: IIO, Device: "nau7802"}
	air := Wire{Channel: sensors.CabinC, Driver: Hwmon, Device: "tmp102"}
	shell := Wire{Channel: sensors.ShellC, Driver: W1, Address: "28-0000072f1a3c"}
	mc := shell
	mc.Attribute = "temperature"
	for _, c := range []struct {
		name  string
		wire  Wire
		files files
		want  string
	}{
		{"no such input", adc, files{"in_voltage1_raw": "1"}, noFile},
		{"an input without scale", adc, files{"in_voltage0_raw": "1"}, noFile},
		{"not a number", adc, files{"in_voltage0_raw": "twelve", "in_voltage_scale": "1"}, garbled},
		{"a number that is none", adc, files{"in_voltage0_raw": "NaN", "in_voltage_scale": "1"}, garbled},
		{"endless", adc, files{"in_voltage0_raw": "1e999", "in_voltage_scale": "1"}, garbled},
		{"not decimal", adc, files{"in_voltage0_raw": "0x10", "in_voltage_scale": "1"}, garbled},
		{"an empty conversion", cell, files{"in_voltage0_raw": "\n"}, empty},
		{"a probe the chip calls broken", air, files{"temp1_input": "25000", "temp1_fault": "1\n"}, probeOpen},
		{"absolute zero", air, files{"temp1_input": "-273150\n"}, sentinel},
		{"a failed 1-wire read", mc, files{"temperature": ""}, empty},
		{"a failed 1-wire scratchpad", shell, files{"w1_slave": ""}, empty},
		{"a damaged scratchpad under a good old temperature", shell, files{"w1_slave": slave(goodSlave, "NO", "23062")}, crc},
		{"data shorted low, and the kernel says YES", shell, files{"w1_slave": slave("00 00 00 00 00 00 00 00 00", "YES", "0")}, zeros},
		{"nobody on the line", shell, files{"w1_slave": slave("ff ff ff ff ff ff ff ff ff", "NO", "-62")}, ones},
		{"85 without a conversion", shell, files{"w1_slave": slave("50 05 4b 46 7f ff 0c 10 1c", "YES", "85000")}, powerOn},
		{"127.94 without a conversion", shell, files{"w1_slave": slave("ff 07 4b 46 7f ff 0c 10 1c", "YES", "127937")}, weakSupply},
		{"a reserved byte off", shell, files{"w1_slave": slave("71 01 4b 46 7f 00 0f 10 4b", "YES", "23062")}, scratchpad},
		{"the other reserved byte off", shell, files{"w1_slave": slave("71 01 4b 46 7f ff 0f 00 4b", "YES", "23062")}, scratchpad},
		{"an impossible resolution", shell, files{"w1_slave": slave("71 01 4b 46 00 ff 0f 10 4b", "YES", "23062")}, scratchpad},
		{"eight bytes", shell, files{"w1_slave": "71 01 4b 46 7f ff 0f 10 : crc=4b YES\n"}, garbled},
		{"no bytes", shell, files{"w1_slave": "hello\n"}, garbled},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr := newTree(t)
			lay(tr, c.wire, c.files)
			r, f := once(t, tr.root, c.wire, nil)
			wantFault(t, r, f, c.want)
		})
	}
	for _, w := range []Wire{adc, cell, air, shell} {
		t.Run("missing "+string(w.Channel), func(t *testing.T) {
			r, f := once(t, newTree(t).root, w, nil)
			wantFault(t, r, f, missing)
		})
	}
}

func TestEveryErrorOfTheKernelHasItsWord(t *testing.T) {
	adc := Wire{Channel: sensors.GasV, Driver: IIO, Device: "ads1115"}
	air := Wire{Channel: sensors.CabinC, Driver: Hwmon, Device: "tmp102"}
	shell := Wire{Channel: sensors.ShellC, Driver: W1, Address: "28-0000072f1a3c"}
	for _, c := range []struct {
		wire Wire
		err  error
		want string
	}{
		{adc, syscall.EIO, ioError}, {air, syscall.EIO, crc}, {shell, syscall.EIO, crc},
		{adc, syscall.ETIMEDOUT, timeout}, {adc, syscall.Errno(121), nack}, {air, syscall.ENXIO, nack},
		{adc, syscall.EAGAIN, busy}, {adc, syscall.EBUSY, busy}, {shell, syscall.ENODEV, missing},
		{air, syscall.ENODATA, empty}, {air, syscall.EBADMSG, crc}, {adc, syscall.EACCES, permission},
		{adc, syscall.EPERM, permission}, {adc, syscall.EINVAL, ioError}, {adc, errors.New("odd"), ioError},
	} {
		t.Run(fmt.Sprintf("%s %v", c.wire.Driver, c.err), func(t *testing.T) {
			tr := newTree(t)
			lay(tr, c.wire, files{"in_voltage0_raw": "1", "in_voltage_scale": "1", "temp1_input": "1", "w1_slave": slave(goodSlave, "YES", "1")})
			r, f := once(t, tr.root, c.wire, func(path string) ([]byte, error) {
				if strings.HasSuffix(path, "_raw") || strings.HasSuffix(path, "1_input") || strings.HasSuffix(path, "w1_slave") {
					return nil, fmt.Errorf("read %s: %w", path, c.err)
				}
				return readAttribute(path)
			})
			wantFault(t, r, f, c.want)
			if !strings.Contains(f.Err.Error(), c.err.Error()) {
				t.Errorf("the kernel's own words must be kept, got %v", f.Err)
			}
		})
	}
}

var oneWord = regexp.MustCompile(`^[a-z0-9-]{1,40}$`)

func wantFault(t *testing.T, r sensors.Reading, f Found, want string) {
	t.Helper()
	if r.Quality != sensors.Bad || r.Fault != want || r.Value != 0 {
		t.Errorf("got %v %s %q, want Bad with !%s", r.Value, r.Quality, r.Fault, want)
	}
	if !oneWord.MatchString(r.Fault) {
		t.Errorf("%q cannot stand in a recording: one lower-case word", r.Fault)
	}
	if f.Err == nil || f.Means == "" || f.Do == "" {
		t.Fatalf("a probe must say what is wrong and what to look at, got %+v", f)
	}
	if !strings.HasPrefix(f.Err.Error(), f.Wire.name()+": ") {
		t.Errorf("the error must begin with the device, got %v", f.Err)
	}
}

func TestALongReadingOfADirectoryIsAnErrorAndNotAHang(t *testing.T) {
	if _, err := readAttribute(t.TempDir()); !errors.Is(err, syscall.EISDIR) {
		t.Errorf("got %v, want the kernel's error", err)
	}
}

func TestTwoChipsOfOneNameAreToldApart(t *testing.T) {
	tr := newTree(t)
	tr.plug(IIO, "i2c-1/1-0048", "iio:device0", files{"name": "ads1115\n", "label": "floor\n", "in_voltage0_raw": "1000", "in_voltage_scale": "1"})
	tr.plug(IIO, "i2c-1/1-0049", "iio:device1", files{"name": "ads1115\n", "label": "battery\n", "in_voltage0_raw": "2000", "in_voltage2_raw": "2500", "in_voltage2_label": "house\n", "in_voltage_scale": "1"})
	tr.plug(Hwmon, "i2c-1/1-004a/hwmon", "hwmon0", files{"name": "lm75\n", "temp1_input": "1000"})
	tr.plug(Hwmon, "i2c-1/1-004b/hwmon", "hwmon1", files{"name": "lm75\n", "temp1_input": "2000", "temp3_input": "3000", "temp3_label": "roof\n"})
	v := func(w Wire) Wire { w.Driver, w.Device, w.Channel = IIO, "ads1115", sensors.GasV; return w }
	c := func(w Wire) Wire { w.Driver, w.Device, w.Channel = Hwmon, "lm75", sensors.CabinC; return w }
	for _, k := range []struct {
		name  string
		wire  Wire
		value float64
		fault string
	}{
		{"by the chip's label", v(Wire{Label: "floor"}), 1, ""},
		{"by the other's label", v(Wire{Label: "battery"}), 2, ""},
		{"by an input's label, which is the input then", v(Wire{Label: "house"}), 2.5, ""},
		{"by bus and address", v(Wire{Address: "1-0049"}), 2, ""},
		{"not at all", v(Wire{}), 0, ambiguous},
		{"by a label nobody has", v(Wire{Label: "attic"}), 0, missing},
		{"hwmon by an input's label", c(Wire{Label: "roof"}), 3, ""},
		{"hwmon by address", c(Wire{Address: "1-004a"}), 1, ""},
		{"hwmon not at all", c(Wire{}), 0, ambiguous},
	} {
		t.Run(k.name, func(t *testing.T) {
			r, f := once(t, tr.root, k.wire, nil)
			if k.fault != "" {
				wantFault(t, r, f, k.fault)
				return
			}
			if r != sensors.Of(k.value) {
				t.Errorf("got %+v, want %v; %v", r, k.value, f.Err)
			}
		})
	}
}

func TestWiresThatCanNeverWorkAreRefusedAllAtOnce(t *testing.T) {
	w := func(x Wire) Wire {
		if x.Period == 0 {
			x.Period = time.Second
		}
		return x
	}
	wires := []Wire{
		w(Wire{Channel: sensors.GasV, Driver: "serial"}),
		w(Wire{Channel: sensors.GasHeaterV, Driver: IIO}),
		w(Wire{Channel: sensors.ShellC, Driver: W1, Address: "../../etc"}),
		w(Wire{Channel: sensors.CabinC, Driver: IIO, Device: "x", Attribute: "../in_temp"}),
		w(Wire{Channel: sensors.BaroKPa, Driver: IIO, Device: "x", Attribute: "in_voltage0"}),
		w(Wire{Channel: sensors.LoadCounts, Driver: IIO, Device: "x", Attribute: "in_voltage0_input"}),
		w(Wire{Channel: sensors.RegulatorC, Driver: Hwmon}),
		w(Wire{Channel: sensors.HeatCall, Driver: IIO, Device: "x"}),
		w(Wire{Channel: sensors.LockerC, Driver: W1, Address: "28-0000072f1a3c", Attribute: "resolution"}),
		w(Wire{Channel: sensors.ClockSynced, Driver: IIO, Device: "x"}),
		{Channel: sensors.OutsideC, Driver: Hwmon, Device: "x", Period: -time.Second},
		w(Wire{Channel: sensors.WaterlineC, Driver: Hwmon, Device: "x"}),
		w(Wire{Channel: sensors.WaterlineC, Driver: Hwmon, Device: "y"}),
	}
	_, err := Open(Options{Root: t.TempDir(), Wires: append(wires, w(Wire{Channel: sensors.BatteryV, Driver: Hwmon, Device: "x"})), Wiring: wiringOf(wires...)})
	if err == nil {
		t.Fatal("impossible wires were taken")
	}
	for _, want := range []string{`gas_v: driver "serial"`, "gas_heater_v: iio needs device", `shell_c: w1 address "../../etc"`,
		`cabin_c: attribute "../in_temp"`, `baro_kpa: attribute "in_voltage0" cannot give baro_kpa; it must begin like in_pressure`,
		`load_counts: attribute "in_voltage0_input" is no longer raw`, "regulator_c: hwmon needs device", "heat_call: iio cannot give heat_call", `locker_c: w1 attribute "resolution"`,
		"clock_synced: the program fills it in", "outside_c: its period", "waterline_c: it is wired twice", "battery_v: it is not among"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("missing %q in:\n%v", want, err)
		}
	}
	if err := (Wire{Channel: sensors.LoadCounts, Driver: Hwmon, Device: "x"}).Check(); err == nil || !strings.Contains(err.Error(), "hwmon cannot give load_counts") {
		t.Errorf("a bridge over hwmon: got %v", err)
	}
}
