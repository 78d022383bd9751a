package hw

import (
	"flag"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/i2c"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// injected is a van whose sensors are all models, read by a board and judged by the
// estimator.
type injected struct {
	t     *testing.T
	tr    tree
	bus   *modelBus
	ads   *modelADS
	nau   *modelNAU
	bme   *modelBME
	pins  *modelPins
	hx    *modelHX711
	wires []Wire
	board *Board
	est   *estimate.Estimator

	n         int
	gasV      float64
	supplyV   float64 // of the gas divider
	heaterV   float64
	floats    bool // the gas input is open
	frozen    bool // no digit of the gas sensor or the bridge moves
	certified bool // level of the alarm's line
	into      []sensors.Reading
	out       *estimate.Estimates
}

const (
	cleanAirV  = 0.60
	emptyScale = 52000
	grossKg    = 12.0
	perKg      = 42900
)

// shares says which channels wait for each other, so which may be silent together.
var shares = map[sensors.Channel]string{
	sensors.GasV: "i2c", sensors.GasSupplyV: "i2c", sensors.GasHeaterV: "i2c", sensors.BatteryV: "i2c",
	sensors.CabinC: "i2c", sensors.BaroKPa: "i2c", sensors.HumidityPct: "i2c",
	sensors.ShellC: "w1", sensors.OutsideC: "hwmon", sensors.CertifiedAlarm: "gpio",
}

// truth is what a channel must read, give or take. The barometer holds the codes of the data
// sheet's example.
var truth = map[sensors.Channel][2]float64{
	sensors.GasV: {cleanAirV, 0.002}, sensors.GasSupplyV: {5, 0.001}, sensors.GasHeaterV: {5, 0.001},
	sensors.BatteryV: {12.54, 0.01}, sensors.LoadCounts: {emptyScale + grossKg*perKg, 20},
	sensors.CabinC: {25.08, 0.01}, sensors.BaroKPa: {100.653, 0.001}, sensors.HumidityPct: {54, 46},
	sensors.ShellC: {7.0625, 0}, sensors.OutsideC: {8.125, 0}, sensors.CertifiedAlarm: {0, 0},
}

// newInjected lays the van; bridge is how its load cell is read, and alone leaves all but one
// channel and the outside thermometer out, for a long test.
func newInjected(t *testing.T, bridge Driver, alone sensors.Channel) *injected {
	v := &injected{t: t, tr: adapterTree(t), gasV: cleanAirV, supplyV: 5, heaterV: 5}
	v.bus, v.ads, v.nau, v.bme = bench()
	v.pins = newModelPins("GPIO6", "GPIO23", "GPIO24")
	v.pins.line("GPIO6").drive = level(&v.certified)
	v.hx = &modelHX711{counts: emptyScale + grossKg*perKg - 8, period: 90 * time.Millisecond}
	v.hx.wire(v.pins, "GPIO23", "GPIO24")
	v.tr.plug(Hwmon, "platform/soc/fe205000.i2c/i2c-3/3-0048/hwmon", "hwmon0", files{"name": "tmp102\n", "temp1_input": "8125\n"})
	v.tr.plug(W1, "w1_bus_master1", shell.Address, files{"w1_slave": slave("71 00 4b 46 7f ff 0f 10 4b", "YES", "7062")})
	load := Wire{Channel: sensors.LoadCounts, Driver: I2C, Device: "nau7802", Bus: ownBus}
	if bridge == HX711 {
		load = Wire{Channel: sensors.LoadCounts, Driver: HX711, Data: "GPIO23", Clock: "GPIO24"}
	}
	ads := func(ch sensors.Channel, input string, gain float64) Wire {
		return Wire{Channel: ch, Driver: I2C, Device: "ads1115", Bus: ownBus, Attribute: input, Gain: gain}
	}
	v.wires = every(load,
		ads(sensors.GasV, "in_voltage0", 1), ads(sensors.GasSupplyV, "in_voltage1", 1),
		ads(sensors.GasHeaterV, "in_voltage2", 1), ads(sensors.BatteryV, "in_voltage3", 5.7),
		Wire{Channel: sensors.CabinC, Driver: I2C, Device: "bme280", Bus: ownBus},
		Wire{Channel: sensors.BaroKPa, Driver: I2C, Device: "bme280", Bus: ownBus},
		Wire{Channel: sensors.HumidityPct, Driver: I2C, Device: "bme280", Bus: ownBus},
		Wire{Channel: sensors.OutsideC, Driver: Hwmon, Device: "tmp102"},
		Wire{Channel: sensors.ShellC, Driver: W1, Address: shell.Address},
		Wire{Channel: sensors.CertifiedAlarm, Driver: GPIO, Line: "GPIO6", Pull: PullNone})
	if alone != "" {
		v.wires = slices.DeleteFunc(v.wires, func(w Wire) bool { return w.Channel != alone && w.Channel != sensors.OutsideC })
	}
	w := wiringOf(v.wires...)
	v.est = estimate.New(w, estimate.Params{
		Scale: estimate.Scale{CountsPerKg: perKg, ZeroCounts: emptyScale, CapacityKg: 50, ZeroTCGPerK: 2.5},
		Gas:   estimate.Gas{SupplyV: 5, LoadOhm: 20000, R0Ohm: 20000 * (5 - cleanAirV) / cleanAirV / 6.5, TestMix: true},
	})
	v.into = make([]sensors.Reading, len(v.wires))
	v.move()
	b, err := Open(Options{Root: v.tr.root, Wires: v.wires, Wiring: w, pins: v.pins, dial: func(_, _ string) i2c.Bus { return v.bus }})
	if err != nil {
		t.Fatal(err)
	}
	v.board = b
	return v
}

// move lets the last digits live, as they do.
func (v *injected) move() {
	if v.n++; v.frozen {
		return
	}
	v.ads.volts[4] = v.gasV + 0.0005*float64(v.n%3-1)
	if v.floats {
		v.ads.volts[4] = []float64{0.4, 0.9, 0.6}[v.n%3]
	}
	v.ads.volts[5], v.ads.volts[6] = v.supplyV, v.heaterV
	v.ads.volts[7] = 2.2
	v.nau.counts = emptyScale + grossKg*perKg + int32(v.n%7) - 3
}

// tick lets a second pass. Read must wait for nothing.
func (v *injected) tick() {
	v.t.Helper()
	time.Sleep(time.Second)
	synctest.Wait()
	clear(v.into)
	before := time.Now()
	st, err := v.board.Read(v.t.Context(), v.into)
	if err != nil || time.Since(before) != 0 {
		v.t.Fatalf("Read took %s and gave %v; it must wait for no device", time.Since(before), err)
	}
	v.out = v.est.Step(st, v.into)
	v.bus.do(v.move)
}

func (v *injected) reading(ch sensors.Channel) sensors.Reading {
	return v.into[slices.IndexFunc(v.wires, func(w Wire) bool { return w.Channel == ch })]
}

func (v *injected) state(ch sensors.Channel) estimate.ChannelState {
	return v.out.Channels[slices.IndexFunc(v.wires, func(w Wire) bool { return w.Channel == ch })]
}

func group(ch sensors.Channel, bridge Driver) string {
	if ch == sensors.LoadCounts {
		if bridge == HX711 {
			return "hx711"
		}
		return "i2c"
	}
	return shares[ch]
}

// fault is one row of the table.
type injection struct {
	at    string // what is broken
	fault string
	on    sensors.Channel // the channel that must tell
	load  Driver          // of the bridge; I2C unless it is HX711
	after time.Duration   // of health before; ten seconds if nothing is said
	put   func(*injected)
	mend  func(*injected) // nil: it mends itself

	// What must be told, one of these.
	word    string           // by the driver, in the recording
	why     string           // by the core, of the channel
	gas     string           // by the core, of the gas sensor
	band    estimate.GasBand // with gas: what is shown; Blind unless said
	refused bool             // the core refuses single values, and the one before stands
	right   bool             // nothing: the value stays right

	alone  sensors.Channel
	also   string // another bus that is broken with it
	within int    // ticks, 3 if nothing is said
}

func (k *injection) told(v *injected) (string, bool) {
	s, r := v.state(k.on), v.reading(k.on)
	switch {
	case k.word != "":
		return "!" + r.Fault, r.Quality == sensors.Bad && r.Fault == k.word
	case k.why != "":
		return s.Why, s.Quality < sensors.Good && strings.HasPrefix(s.Why, k.why)
	case k.gas != "" || k.band == estimate.Leave:
		band := k.band
		if band == "" {
			band = estimate.Blind
		}
		text := string(v.out.Band) + ": " + v.out.BandWhy
		return text, v.out.Band == band && strings.HasPrefix(v.out.GasFault, k.gas)
	}
	return "", false
}

// lies reports a reading that is believed and not true.
func (k *injection) lies(v *injected) (float64, bool) {
	r, want := v.reading(k.on), truth[k.on]
	return r.Value, r.Quality == sensors.Good && math.Abs(r.Value-want[0]) > want[1]
}

// well reports that everything is as it was.
func (k *injection) well(v *injected) bool {
	_, lie := k.lies(v)
	s := v.state(k.on)
	return v.reading(k.on).Quality == sensors.Good && !lie && (s.Quality == sensors.Good || k.on == sensors.HumidityPct) &&
		(k.on != sensors.GasV || v.out.Band == estimate.Background)
}

// Every fault that the hardware notes list, put into a van that was well: what is told of it
// and after how long. Meanwhile no channel of another bus may miss a tick, no reading that the
// driver calls good may be wrong, and after the mending all must be as before.
func TestEveryInjectedFaultIsToldAndStopsNothingElse(t *testing.T) {
	var table []string
	for _, k := range injections() {
		t.Run(k.at+"/"+k.fault, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				if line := k.run(t); !t.Failed() {
					table = append(table, line)
				}
			})
		})
	}
	if t.Failed() {
		return
	}
	got := fmt.Sprintf(faultsHead, len(table)) + strings.Join(table, "\n") + "\n"
	if *update {
		if err := os.WriteFile(faultsFile, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(faultsFile)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s is another table than what was seen; look at both, then: go test ./sensors/hw -run EveryInjected -update\n%s", faultsFile, got)
	}
}

var update = flag.Bool("update", false, "write the table of faults anew")

const (
	faultsFile = "FAULTS.md"
	faultsHead = `# Injected faults

Each of these %d faults is put into a model of its chip, wire or sysfs tree while the whole board is read once a second and judged by
the core. Words with "!" are the driver's, as a recording holds them; the rest is the core's. Meanwhile Read takes no time,
no channel of another bus misses a tick, no reading that the driver calls good is wrong, and after the mending all is as
before. 1-wire has no stub bus: a laid tree of sysfs stands for it, and for hwmon. No chip of metal was met; a kernel was, which
carried transactions to these models through a character device (.ci/board).

Not in the table, because nothing at the board shows it: a poisoned gas sensor; a contact whose wire is cut while the board
itself holds the line (pull = up or down); an alarm's wire shorted so that it looks open; a line that the board cannot pull,
where the kernel keeps that to itself (that of .ci/board does: fit a resistor outside); a bridge on two lines whose wire
loses a pulse in every read, which looks like a step.

go test ./sensors/hw -run EveryInjected holds this page to what is seen; -update writes it anew.

| where | fault | reported | after |
| --- | --- | --- | --- |
`
)

func (k *injection) run(t *testing.T) string {
	v := newInjected(t, k.load, k.alone)
	defer func() {
		v.bus.do(v.bus.release)
		closeAll(v.board)
	}()
	health := k.after
	if health == 0 {
		health = 10 * time.Second
	}
	if k.on == sensors.GasV {
		health = max(health, 5*time.Minute) // its warm-up
	}
	for range int(health / time.Second) {
		v.tick()
	}
	if !k.well(v) {
		t.Fatalf("the van was not well before: %+v, %+v, gas %s (%s)", v.reading(k.on), v.state(k.on), v.out.Band, v.out.BandWhy)
	}
	refused := v.state(k.on).RefusedN
	v.do(k.put)
	within := k.within
	if within == 0 {
		within = 3
	}
	reported, after := "", 0
	for i := 1; i <= within && after == 0; i++ {
		v.tick()
		k.others(v)
		if f, lie := k.lies(v); lie && (k.word != "" || k.right) {
			t.Fatalf("%d s after it was put in, %v was given for good", i, f)
		}
		if text, ok := k.told(v); ok {
			reported, after = text, i
		}
		if k.refused && v.state(k.on).RefusedN > refused {
			reported, after = "refused; the value before stands", i
			if s := v.state(k.on); s.Quality != sensors.Good || math.Abs(s.Value-truth[k.on][0]) > truth[k.on][1] {
				t.Errorf("after a single bad value: %+v", s)
			}
		}
	}
	switch {
	case k.right:
		if !k.well(v) {
			t.Fatalf("not right any more: %+v", v.reading(k.on))
		}
		reported = "nothing: the value stays right"
	case after == 0:
		t.Fatalf("nothing was told within %d s: %+v, %+v, gas %s %q", within, v.reading(k.on), v.state(k.on), v.out.Band, v.out.GasFault)
	}
	if k.mend != nil {
		v.do(k.mend)
	}
	for i := 0; !k.well(v); i++ {
		if i > 900 {
			t.Fatalf("not well again after a quarter of an hour: %+v, %+v, gas %s (%s)", v.reading(k.on), v.state(k.on), v.out.Band, v.out.BandWhy)
		}
		v.tick()
		k.others(v)
	}
	took := fmt.Sprintf("%d s", after)
	if k.right {
		took = "–"
	}
	return fmt.Sprintf("| %s | %s | %s | %s |", k.at, k.fault, reported, took)
}

// others fails if a channel of another bus missed the tick.
func (k *injection) others(v *injected) {
	v.t.Helper()
	for i, w := range v.wires {
		if group(w.Channel, k.load) != group(k.on, k.load) && group(w.Channel, k.load) != k.also && v.into[i].Quality != sensors.Good {
			v.t.Fatalf("%s is on another bus and reads %+v", w.Channel, v.into[i])
		}
	}
}

// do changes the van between two ticks.
func (v *injected) do(change func(*injected)) {
	v.bus.do(func() { v.pins.do(func() { change(v) }) })
}

const scratch = "bus/w1/devices/28-0000072f1a3c"

func (v *injected) thermometer(bytes, verdict, t string) {
	v.tr.put(scratch, files{"w1_slave": slave(bytes, verdict, t)})
}

func (v *injected) outside(mC string) {
	v.tr.put("class/hwmon/hwmon0", files{"temp1_input": mC + "\n"})
}

// code makes the bit-banged bridge give one code.
func (v *injected) code(c int32) { v.hx.counts, v.hx.noise, v.hx.still = c, 0, true }

// usual gives it back its weight.
func (v *injected) usual() {
	v.hx.counts, v.hx.still = emptyScale+grossKg*perKg-8, false
}

func injections() []injection {
	const (
		ads, nau, bme     = "ADC on I2C", "bridge on I2C", "barometer on I2C"
		hx, w1, air       = "bridge on two lines", "1-wire thermometer", "hwmon thermometer"
		divider, contact_ = "gas sensor", "alarm's contact"
	)
	bus := func(err error) (put, mend func(*injected)) {
		return func(v *injected) { v.bus.err = err }, func(v *injected) { v.bus.err = nil }
	}
	hang, letGo := func(v *injected) { v.bus.hang = make(chan struct{}) }, func(v *injected) { v.bus.release() }
	var list []injection
	add := func(k ...injection) { list = append(list, k...) }

	for _, e := range []struct {
		fault string
		err   error
		word  string
	}{
		{"transaction times out", syscall.ETIMEDOUT, timeout},
		{"another master wins the bus", syscall.EAGAIN, busy},
		{"nobody acknowledges, by the adapter's other word", errRemoteIO, nack},
		{"the adapter fails", syscall.EIO, ioError},
		{"the node may not be opened", syscall.EACCES, permission},
		{"adapter can do SMBus only", &fault{noPlainI2C, syscall.EOPNOTSUPP}, noPlainI2C},
	} {
		put, mend := bus(e.err)
		add(injection{at: ads, fault: e.fault, on: sensors.GasSupplyV, put: put, mend: mend, word: e.word})
	}
	add(
		injection{at: ads, fault: "unplugged", on: sensors.BatteryV, word: nack,
			put: func(v *injected) { delete(v.bus.chips, 0x48) }, mend: func(v *injected) { v.bus.chips[0x48] = v.ads }},
		injection{at: ads, fault: "data line shorted to ground", on: sensors.BatteryV, word: zeros,
			put: func(v *injected) { v.bus.low = true }, mend: func(v *injected) { v.bus.low = false }},
		injection{at: ads, fault: "data line reads ones", on: sensors.BatteryV, word: ones,
			put: func(v *injected) { v.bus.high = true }, mend: func(v *injected) { v.bus.high = false }},
		injection{at: ads, fault: "supply lost for a moment", on: sensors.GasV, word: reset, put: func(v *injected) { v.ads.lose() }},
		injection{at: ads, fault: "supply lost between value and settings", on: sensors.GasV, word: reset,
			put: func(v *injected) { v.bus.after, v.bus.afterOf = v.ads.lose, v.ads }},
		injection{at: ads, fault: "a conversion never ends", on: sensors.BatteryV, word: timeout,
			put: func(v *injected) { v.ads.dead = true }, mend: func(v *injected) { v.ads.dead = false }},
		injection{at: ads, fault: "converts a tenth slower than it says", on: sensors.BatteryV, right: true, within: 20,
			put: func(v *injected) { v.ads.slow = 1.1 }},
		injection{at: ads, fault: "multiplexer stays at another input", on: sensors.BatteryV, word: config,
			put: func(v *injected) { v.ads.stuckMux = true }, mend: func(v *injected) { v.ads.stuckMux = false }},
		injection{at: ads, fault: "another program sets it", on: sensors.GasV, word: config,
			put: func(v *injected) { v.ads.config = 0x4283 &^ adsBegin }},
		injection{at: ads, fault: "input above the range", on: sensors.GasHeaterV, word: clipped,
			put:  func(v *injected) { v.ads.volts[6], v.frozen = 7, true },
			mend: func(v *injected) { v.frozen = false }},
		injection{at: ads, fault: "a transaction hangs", on: sensors.BatteryV, word: held, within: 5,
			put: hang, mend: letGo},
		injection{at: ads, fault: "a driver of the kernel takes it", on: sensors.BatteryV, word: claimed,
			put: func(v *injected) {
				v.tr.put(v.tr.plug(I2C, "platform/soc/fe804000.i2c/i2c-1", "1-0048", nil)+"/driver", nil)
			},
			mend: func(v *injected) { v.tr.unplug("bus/i2c/devices/1-0048") }},
		injection{at: ads, fault: "the adapter is taken away", on: sensors.BatteryV, word: missing,
			put: func(v *injected) { v.tr.unplug("bus/i2c/devices/i2c-1") },
			mend: func(v *injected) {
				v.tr.plug(I2C, "platform/soc/fe804000.i2c", "i2c-7", files{"name": ownBus + "\n"})
			}},

		injection{at: nau, fault: "unplugged", on: sensors.LoadCounts, word: nack,
			put: func(v *injected) { delete(v.bus.chips, 0x2a) }, mend: func(v *injected) { v.bus.chips[0x2a] = v.nau }},
		injection{at: nau, fault: "data line shorted to ground", on: sensors.LoadCounts, word: zeros,
			put: func(v *injected) { v.bus.low = true }, mend: func(v *injected) { v.bus.low = false }},
		injection{at: nau, fault: "data line reads ones", on: sensors.LoadCounts, word: ones,
			put: func(v *injected) { v.bus.high = true }, mend: func(v *injected) { v.bus.high = false }},
		injection{at: nau, fault: "supply lost for a moment", on: sensors.LoadCounts, word: reset, put: func(v *injected) { v.nau.lose() }},
		injection{at: nau, fault: "supply lost between value and settings", on: sensors.LoadCounts, word: reset,
			put: func(v *injected) { v.bus.after, v.bus.afterOf = v.nau.lose, v.nau }},
		injection{at: nau, fault: "another gain than asked for", on: sensors.LoadCounts, word: config,
			put: func(v *injected) { v.nau.reg[nauGain] = nauFront &^ 1 }},
		injection{at: nau, fault: "it converts no more", on: sensors.LoadCounts, word: timeout,
			put: func(v *injected) { v.nau.dead = true }, mend: func(v *injected) { v.nau.dead = false }},
		injection{at: nau, fault: "signal wire broken: highest code", on: sensors.LoadCounts, word: clipped,
			put:  func(v *injected) { v.nau.counts, v.frozen = nauMax, true },
			mend: func(v *injected) { v.frozen = false }},
		injection{at: nau, fault: "signal wire broken: lowest code", on: sensors.LoadCounts, word: clipped,
			put:  func(v *injected) { v.nau.counts, v.frozen = -nauMax-1, true },
			mend: func(v *injected) { v.frozen = false }},
		injection{at: nau, fault: "another chip at its address, after a loss of supply", on: sensors.LoadCounts, word: wrongChip,
			put:  func(v *injected) { v.nau.lose(); v.nau.reg[nauRevision] = 0x02 },
			mend: func(v *injected) { v.nau.reg[nauRevision] = 0x0f }},
		injection{at: nau, fault: "code stands still", on: sensors.LoadCounts, why: "stuck: 25 equal codes", within: 30,
			put: func(v *injected) { v.frozen = true }, mend: func(v *injected) { v.frozen = false }},

		injection{at: bme, fault: "unplugged", on: sensors.BaroKPa, word: nack,
			put: func(v *injected) { delete(v.bus.chips, 0x76) }, mend: func(v *injected) { v.bus.chips[0x76] = v.bme }},
		injection{at: bme, fault: "data line shorted to ground", on: sensors.CabinC, word: zeros,
			put: func(v *injected) { v.bus.low = true }, mend: func(v *injected) { v.bus.low = false }},
		injection{at: bme, fault: "data line reads ones (a status that is always busy)", on: sensors.CabinC, word: ones,
			put: func(v *injected) { v.bus.high = true }, mend: func(v *injected) { v.bus.high = false }},
		injection{at: bme, fault: "supply lost for a moment", on: sensors.CabinC, word: reset, put: func(v *injected) { v.bme.lose() }},
		injection{at: bme, fault: "supply lost between value and settings", on: sensors.CabinC, word: reset,
			put: func(v *injected) { v.bus.after, v.bus.afterOf = v.bme.lose, v.bme }},
		injection{at: bme, fault: "a measurement never ends", on: sensors.CabinC, word: timeout,
			put: func(v *injected) { v.bme.dead = true }, mend: func(v *injected) { v.bme.dead = false }},
		injection{at: bme, fault: "temperature not measured (0x80000)", on: sensors.BaroKPa, word: notMeasured,
			put: func(v *injected) { v.bme.t = bmeSkipped }, mend: func(v *injected) { v.bme.t = 519888 }},
		injection{at: bme, fault: "pressure not measured (0x80000)", on: sensors.BaroKPa, word: notMeasured,
			put: func(v *injected) { v.bme.p = bmeSkipped }, mend: func(v *injected) { v.bme.p = 415148 }},
		injection{at: bme, fault: "humidity not measured (0x8000)", on: sensors.HumidityPct, word: notMeasured,
			put: func(v *injected) { v.bme.h = bmeSkippedH }, mend: func(v *injected) { v.bme.h = 0x6B00 }},
		injection{at: bme, fault: "its trim arrives damaged, after a loss of supply", on: sensors.BaroKPa, word: crc,
			put: func(v *injected) { v.bme.lose(); v.bme.flip = true }, mend: func(v *injected) { v.bme.flip = false; v.bme.lose() }},
		injection{at: bme, fault: "another chip at its address, after a loss of supply", on: sensors.BaroKPa, word: wrongChip,
			put:  func(v *injected) { v.bme.id = 0x61; v.bme.lose() },
			mend: func(v *injected) { v.bme.id = 0x60; v.bme.lose() }},
	)
	hxAdd := func(k ...injection) {
		for _, k := range k {
			k.at, k.on, k.load = hx, sensors.LoadCounts, HX711
			add(k)
		}
	}
	hxAdd(
		injection{fault: "chip not there: data held up", word: timeout, within: 5,
			put: func(v *injected) { v.hx.missing = true }, mend: func(v *injected) { v.hx.missing = false }},
		injection{fault: "data shorted to ground: zeros, and ready for ever", word: zeros, within: 5,
			put: func(v *injected) { v.hx.short = true }, mend: func(v *injected) { v.hx.short = false }},
		injection{fault: "switched off in mid life", word: timeout, within: 5,
			put: func(v *injected) { v.hx.off = true }, mend: func(v *injected) { v.hx.off = false }},
		injection{fault: "the kernel takes 55 µs for each edge", word: slowClock, within: 5,
			put:  func(v *injected) { v.pins.line("GPIO24").delay = 55 * time.Microsecond },
			mend: func(v *injected) { v.pins.line("GPIO24").delay = 0 }},
		injection{fault: "one pulse of 2 ms: it switches itself off", right: true, within: 6,
			put: func(v *injected) { v.pins.line("GPIO24").once = 2 * time.Millisecond }},
		injection{fault: "a pulse is lost in each read: low after the last", word: slipped, within: 5,
			put: func(v *injected) { v.hx.extra = -1 }, mend: func(v *injected) { v.hx.extra = 0 }},
		// At a tick the first of a read's three conversions is over.
		injection{fault: "one pulse too many: all bits one place off", refused: true, after: 15 * time.Second,
			put: func(v *injected) { v.hx.extraIn = 2 }},
		injection{fault: "one pulse too many in the read before: the other channel", refused: true, after: 15 * time.Second,
			put: func(v *injected) { v.hx.extraIn = 1 }},
		injection{fault: "highest code", word: clipped, put: func(v *injected) { v.code(hxMax) }, mend: (*injected).usual},
		injection{fault: "lowest code", word: clipped, put: func(v *injected) { v.code(-hxMax - 1) }, mend: (*injected).usual},
		injection{fault: "code -1: read before it was ready", word: earlyRead, put: func(v *injected) { v.code(-1) }, mend: (*injected).usual},
		injection{fault: "code 0", word: earlyRead, put: func(v *injected) { v.code(0) }, mend: (*injected).usual},
		injection{fault: "code 1048575, 2^20-1", word: earlyRead, put: func(v *injected) { v.code(1<<20 - 1) }, mend: (*injected).usual},
		injection{fault: "converts at another rate", word: oddPeriod, within: 5,
			put: func(v *injected) { v.hx.period = 11 * time.Millisecond }, mend: func(v *injected) { v.hx.period = 90 * time.Millisecond }},
		injection{fault: "code stands still", why: "stuck: 25 equal codes", within: 30,
			put: func(v *injected) { v.hx.still = true }, mend: (*injected).usual},
		injection{fault: "another program has the clock line", word: inUse,
			put:  func(v *injected) { v.pins.line("GPIO24").err = syscall.EBUSY },
			mend: func(v *injected) { v.pins.line("GPIO24").err = nil }},
		injection{fault: "its chip of lines is gone", word: missing, also: "gpio",
			put: func(v *injected) { v.pins.gone = true }, mend: func(v *injected) { v.pins.gone = false }},
	)
	for _, k := range []struct{ fault, bytes, verdict, t, word string }{
		{"85.000, nothing converted", "50 05 4b 46 7f ff 0c 10 1c", "YES", "85000", powerOn},
		{"127.94, supply too weak to convert", "ff 07 4b 46 7f ff 0c 10 1c", "YES", "127937", weakSupply},
		{"data shorted to ground: 0.000 with a good checksum", "00 00 00 00 00 00 00 00 00", "YES", "0", zeros},
		{"data cut: all ones, -0.0625", "ff ff ff ff ff ff ff ff ff", "NO", "-62", ones},
		{"damaged on the way, an old value under it", "71 00 4b 46 7f ff 0f 10 4c", "NO", "7062", crc},
		{"a byte it cannot hold", "71 00 4b 46 7f 00 0f 10 4b", "YES", "7062", scratchpad},
	} {
		add(injection{at: w1, fault: k.fault, on: sensors.ShellC, word: k.word,
			put:  func(v *injected) { v.thermometer(k.bytes, k.verdict, k.t) },
			mend: func(v *injected) { v.thermometer("71 00 4b 46 7f ff 0f 10 4b", "YES", "7062") }})
	}
	add(
		injection{at: w1, fault: "its driver gives an empty file", on: sensors.ShellC, word: empty,
			put:  func(v *injected) { v.tr.put(scratch, files{"w1_slave": ""}) },
			mend: func(v *injected) { v.thermometer("71 00 4b 46 7f ff 0f 10 4b", "YES", "7062") }},
		injection{at: w1, fault: "unplugged", on: sensors.ShellC, word: missing,
			put: func(v *injected) { v.tr.unplug(scratch) },
			mend: func(v *injected) {
				v.tr.plug(W1, "w1_bus_master1", shell.Address, files{"w1_slave": slave("71 00 4b 46 7f ff 0f 10 4b", "YES", "7062")})
			}})
	for _, k := range []struct{ fault, mC, word, why string }{
		{"0.000, the first read after power-up", "0", "", "0.000 or -0.0625 out of nowhere"},
		{"-0.0625, all ones without a checksum", "-62.5", "", "0.000 or -0.0625 out of nowhere"},
		{"85.000 from a chip without a scratchpad", "85000", "", "85.000: power-on code"},
		{"127.94 from a chip without a scratchpad", "127937.5", "", "127.9375: not enough supply"},
		{"-127, a library's word for none", "-127000", "", "-127: code of a missing thermometer"},
		{"-273.15, a value that was never set", "-273150", sentinel, ""},
		{"-650788984, old firmware", "-650788984", sentinel, ""},
		{"140 °C below zero, bad wiring", "-140000", "", "outside -45 to 70 C"},
	} {
		add(injection{at: air, fault: k.fault, on: sensors.OutsideC, word: k.word, why: k.why, within: 6,
			put: func(v *injected) { v.outside(k.mC) }, mend: func(v *injected) { v.outside("8125") }})
	}
	add(
		injection{at: air, fault: "its probe open or shorted", on: sensors.OutsideC, word: probeOpen,
			put:  func(v *injected) { v.tr.put("class/hwmon/hwmon0", files{"temp1_fault": "1\n"}) },
			mend: func(v *injected) { v.tr.put("class/hwmon/hwmon0", files{"temp1_fault": "0\n"}) }},

		injection{at: contact_, fault: "wire cut, the circuit outside held the line", on: sensors.CertifiedAlarm, word: floating,
			put:  func(v *injected) { v.pins.line("GPIO6").drive = nil },
			mend: func(v *injected) { v.pins.line("GPIO6").drive = level(&v.certified) }},
		injection{at: contact_, fault: "chatters without end", on: sensors.CertifiedAlarm, word: bounce,
			put: func(v *injected) {
				up := false
				v.pins.line("GPIO6").drive = func(bool) bool { up = !up; return up }
			},
			mend: func(v *injected) { v.pins.line("GPIO6").drive = level(&v.certified) }},
		injection{at: contact_, fault: "the level cannot be read", on: sensors.CertifiedAlarm, word: ioError,
			put: func(v *injected) { v.pins.line("GPIO6").err = syscall.EIO }, mend: func(v *injected) { v.pins.line("GPIO6").err = nil }},
		injection{at: contact_, fault: "another program takes the line", on: sensors.CertifiedAlarm, word: inUse,
			put: func(v *injected) { v.pins.line("GPIO6").err = syscall.EBUSY }, mend: func(v *injected) { v.pins.line("GPIO6").err = nil }},
		injection{at: contact_, fault: "the board cannot pull the line", on: sensors.CertifiedAlarm, word: noPull,
			put: func(v *injected) { v.pins.line("GPIO6").noPull = true }, mend: func(v *injected) { v.pins.line("GPIO6").noPull = false }},
		injection{at: contact_, fault: "its chip of lines is gone", on: sensors.CertifiedAlarm, word: missing,
			put: func(v *injected) { v.pins.gone = true }, mend: func(v *injected) { v.pins.gone = false }},
		injection{at: contact_, fault: "a spike of one look", on: sensors.CertifiedAlarm, right: true,
			put: func(v *injected) {
				looks := 0
				v.pins.line("GPIO6").drive = func(bool) bool { looks++; return looks == 5 }
			}},
	)
	gasAdd := func(fault, gas string, within int, put func(*injected), mend func(*injected)) {
		add(injection{at: divider, fault: fault, on: sensors.GasV, gas: gas, within: within, put: put, mend: mend})
	}
	volts := func(x float64) func(*injected) { return func(v *injected) { v.gasV = x } }
	cleanAir := volts(cleanAirV)
	heater := func(x float64) func(*injected) { return func(v *injected) { v.heaterV = x } }
	gasAdd("heater open: far cleaner than clean air", "gas sensor heater open", 65, volts(0.13), cleanAir)
	gasAdd("heater at 4.5 V", "gas sensor heater outside 4.8 to 5.2 V", 3, heater(4.5), heater(5))
	gasAdd("heater's supply gone", "gas sensor heater outside 4.8 to 5.2 V", 6, heater(0), heater(5))
	gasAdd("divider's supply at 4.2 V", "gas divider supply more than a tenth off", 3, func(v *injected) { v.supplyV = 4.2 }, func(v *injected) { v.supplyV = 5 })
	gasAdd("sensor unplugged, its resistor there", "gas sensor unplugged", 3, volts(0.001), cleanAir)
	add(injection{at: divider, fault: "resistor open, or a wire at the supply", on: sensors.GasV, gas: "gas input at its supply", band: estimate.Leave,
		within: 8, put: volts(4.95), mend: cleanAir})
	add(injection{at: divider, fault: "input floating", on: sensors.GasV, gas: "gas input floating", after: 80 * time.Minute, alone: sensors.GasV, within: 130,
		put:  func(v *injected) { v.floats = true },
		mend: func(v *injected) { v.floats = false }})
	gasAdd("code stands still", "stuck: the code does not change", 105, func(v *injected) { v.frozen = true }, func(v *injected) { v.frozen = false })
	gasAdd("its ADC is gone", nack, 6, func(v *injected) { delete(v.bus.chips, 0x48) }, func(v *injected) { v.bus.chips[0x48] = v.ads })
	gasAdd("its bus hangs", stuck, 12, hang, letGo)
	add(injection{at: divider, fault: "saturated by gas, beyond 10 000 ppm", on: sensors.GasV, band: estimate.Leave, within: 10, put: volts(4.3), mend: cleanAir})
	return list
}
