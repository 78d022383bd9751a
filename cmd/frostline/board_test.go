package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// The board: a virtual machine with a stock Debian kernel, in which this test binary is the
// first process (.ci/board makes the machine). The kernel's i2c-stub is the bus, a memory
// for each chip's registers, and the drivers are the kernel's own; so what frostline reads
// has gone the whole way through sysfs.
const boardEnv = "FROSTLINE_BOARD"

// asFirstProcess readies the machine, runs the tests that were asked for and switches off.
func asFirstProcess(m *testing.M) {
	code := 1
	if err := bringUp(); err != nil {
		fmt.Println("board:", err)
	} else {
		code = m.Run()
	}
	fmt.Printf("board: tests ended with %d\n", code)
	unix.Sync()
	unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF)
}

func bringUp() error {
	for _, fs := range []string{"proc", "sysfs", "devtmpfs", "tmpfs"} {
		at := map[string]string{"proc": "/proc", "sysfs": "/sys", "devtmpfs": "/dev", "tmpfs": "/tmp"}[fs]
		if err := os.MkdirAll(at, 0o755); err != nil {
			return err
		}
		if err := unix.Mount(fs, at, fs, 0, ""); err != nil && !errors.Is(err, unix.EBUSY) {
			return fmt.Errorf("mount %s: %w", at, err)
		}
	}
	// In the order in which they need each other, as .ci/board numbered them.
	modules, err := filepath.Glob("/modules/*.ko")
	if err != nil {
		return err
	}
	slices.Sort(modules)
	for _, file := range modules {
		params := ""
		if strings.HasSuffix(file, "i2c-stub.ko") {
			params = "chip_addr=" + strings.Join([]string{bridge.address(), adc.address(), wind.address(), air.address()}, ",")
		}
		f, err := os.Open(file)
		if err != nil {
			return err
		}
		err = unix.FinitModule(int(f.Fd()), params, 0)
		f.Close()
		if err != nil && !errors.Is(err, unix.EEXIST) {
			return fmt.Errorf("load %s: %w", file, err)
		}
	}
	socket, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM, 0)
	if err != nil {
		return err
	}
	defer unix.Close(socket)
	lo, err := unix.NewIfreq("lo")
	if err != nil {
		return err
	}
	lo.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
	return unix.IoctlIfreq(socket, unix.SIOCSIFFLAGS, lo)
}

// stub is a chip on i2c-stub: a name of the kernel's driver and an address.
type stub struct {
	name string
	at   uint8
}

var (
	bridge = stub{"nau7802", 0x2a}
	adc    = stub{"ads1115", 0x48}
	wind   = stub{"tmp102", 0x49}
	air    = stub{"bmp280", 0x76}
)

func (s stub) address() string { return fmt.Sprintf("%#02x", s.at) }

// stubBus is the made-up bus.
type stubBus struct {
	t   *testing.T
	dir string // of the adapter in sysfs
	dev *os.File

	mu     sync.Mutex // a call is two: the address, then the transfer
	counts atomic.Int32
	gas    atomic.Int32
}

// live gives what hangs on the bridge and the gas sensor the noise of real ones: a code that
// never changes is a fault, and is told as one.
func (b *stubBus) live(t *testing.T) {
	done, over := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(over)
		noise := rand.New(rand.NewPCG(1, 2))
		for tick := time.NewTicker(100 * time.Millisecond); ; {
			select {
			case <-done:
				return
			case <-tick.C:
				counts, gas := b.counts.Load(), b.gas.Load()
				if counts != rail {
					counts += int32(10 * noise.NormFloat64())
				}
				if gas != 0 {
					gas += int32(3 * noise.NormFloat64())
				}
				b.bytes(bridge, 0x12, byte(counts>>16), byte(counts>>8), byte(counts))
				b.word(adc, 0x00, uint16(gas))
			}
		}
	}()
	t.Cleanup(func() { close(done); <-over })
}

const rail = 0x7fffff // the bridge's largest code

func openStubBus(t *testing.T) *stubBus {
	t.Helper()
	found, err := filepath.Glob("/sys/bus/i2c/devices/i2c-*/name")
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range found {
		if name, _ := os.ReadFile(file); strings.Contains(string(name), "stub") {
			dir := filepath.Dir(file)
			dev, err := os.OpenFile("/dev/"+filepath.Base(dir), os.O_RDWR, 0)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { dev.Close() })
			b := &stubBus{t: t, dir: dir, dev: dev}
			b.counts.Store(boardCounts)
			b.gas.Store(12_000)
			return b
		}
	}
	t.Fatalf("no stub adapter among %v", found)
	return nil
}

// SMBus through the character device, from include/uapi/linux/i2c.h and i2c-dev.h (values
// from memory).
const (
	i2cSlaveForce = 0x0706
	i2cSMBus      = 0x0720
	smbusWrite    = 0
	smbusByteData = 2
	smbusWordData = 3
)

type smbusCall struct {
	readWrite uint8
	command   uint8
	size      uint32
	data      *[34]byte
}

func (b *stubBus) write(s stub, reg uint8, size uint32, data *[34]byte) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, b.dev.Fd(), i2cSlaveForce, uintptr(s.at)); e != 0 {
		b.t.Fatalf("%s at %s: %v", s.name, s.address(), e)
	}
	c := smbusCall{smbusWrite, reg, size, data}
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, b.dev.Fd(), i2cSMBus, uintptr(unsafe.Pointer(&c))); e != 0 {
		b.t.Fatalf("%s register %#x: %v", s.name, reg, e)
	}
	runtime.KeepAlive(data)
}

func (b *stubBus) bytes(s stub, reg uint8, values ...byte) {
	b.t.Helper()
	for i, v := range values {
		b.write(s, reg+uint8(i), smbusByteData, &[34]byte{v})
	}
}

// word writes a 16-bit register of a chip that sends its high byte first.
func (b *stubBus) word(s stub, reg uint8, v uint16) {
	b.t.Helper()
	var data [34]byte
	binary.BigEndian.PutUint16(data[:], v)
	b.write(s, reg, smbusWordData, &data)
}

// fit binds the kernel's driver, as a device tree does at boot.
func (b *stubBus) fit(s stub) {
	b.t.Helper()
	b.announce(s)
	if !b.bound(s) {
		b.t.Fatalf("%s: the kernel's driver did not bind", s.name)
	}
}

func (b *stubBus) announce(s stub) {
	b.t.Helper()
	if err := os.WriteFile(filepath.Join(b.dir, "new_device"), []byte(s.name+" "+s.address()), 0); err != nil {
		b.t.Fatalf("new_device %s: %v", s.name, err)
	}
}

// place is the kernel's name for where the chip sits.
func (b *stubBus) place(s stub) string {
	return fmt.Sprintf("%s-%04x", strings.TrimPrefix(filepath.Base(b.dir), "i2c-"), s.at)
}

func (b *stubBus) bound(s stub) bool {
	_, err := os.Stat(filepath.Join("/sys/bus/i2c/devices", b.place(s), "driver"))
	return err == nil
}

func (b *stubBus) pull(s stub) {
	b.t.Helper()
	if err := os.WriteFile(filepath.Join(b.dir, "delete_device"), []byte(s.address()), 0); err != nil {
		b.t.Fatal(err)
	}
}

// lay puts into each chip what its driver wants to find. Registers and their meaning are
// from memory of the data sheets; that the kernel's drivers bind and read is the check.
func (b *stubBus) lay() {
	b.bytes(bridge, 0x00, 0xae) // powered up, ready, a conversion always waiting
	b.word(adc, 0x01, 0x8583)
	b.word(wind, 0x01, 0x60a0) // as after power-on; else the driver refuses it
	b.word(wind, 0x00, 276<<3) // 17.25 °C in sixteenths, extended mode
	b.bytes(air, 0xd0, 0x58)   // chip id
	b.bytes(air, 0xf3, 0x00)   // no conversion running
	for i, v := range []int{27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000} {
		b.bytes(air, 0x88+2*uint8(i), byte(v), byte(v>>8))
	}
	const rawT, rawP = 519888, 415148 // the worked example of the data sheet, from memory: 25.08 °C, 100 653 Pa
	b.bytes(air, 0xf7, rawP>>12&0xff, rawP>>4&0xff, rawP<<4&0xff, rawT>>12&0xff, rawT>>4&0xff, rawT<<4&0xff)
}

const (
	boardCounts     = 638_000 // (638000 - 52000) / 42900 = 13.660 kg gross
	fuelKgOf638000  = (638_000-52_000)/42_900.0 - configTareKg
	boardPeriodText = "period = \"1 s\"\n"
)

// boardToml is the van of boardConfig with the barometer, without the 1-wire thermometer:
// that bus has no stub, a laid tree stands for it elsewhere.
func boardToml(page, state string) string {
	text := withoutWire(fmt.Sprintf(boardConfig, page, state))
	return text + "[[sensor]]\nchannel = \"baro_kpa\"\ndriver = \"iio\"\ndevice = \"bmp280\"\n" + boardPeriodText
}

// withoutWire cuts off the 1-wire thermometer, which stands last, and reads the one before it
// each second.
func withoutWire(conf string) string {
	before, _, _ := strings.Cut(conf, "[[sensor]]\nchannel = \"locker_c\"")
	return before + boardPeriodText
}

// TestBoardOfTenChannels runs in the virtual machine only: what the program takes of a board
// that reads ten channels a second. They are a laid tree of sysfs, because i2c-stub is no
// part of the arm64 kernel and 1-wire has no stub on any.
func TestBoardOfTenChannels(t *testing.T) {
	if os.Getenv(boardEnv) != "guest" {
		return // .ci/board runs it, and fails when it did not
	}
	b := newBoard(t)
	text := withoutWire(boardConfig)
	for i, channel := range []string{"locker_c", "outside_c", "waterline_c", "regulator_c", "shell_c", "baro_kpa", "humidity_pct"} {
		chip := fmt.Sprintf("chip%d", i)
		attribute := map[string]string{"baro_kpa": "in_pressure_input", "humidity_pct": "in_humidityrelative_input"}[channel]
		if attribute == "" {
			attribute = "in_temp_input"
		}
		b.write(t, fmt.Sprintf("bus/iio/devices/iio:device%d/name", i+2), chip+"\n")
		b.write(t, fmt.Sprintf("bus/iio/devices/iio:device%d/%s", i+2, attribute), "4250\n")
		text += fmt.Sprintf("[[sensor]]\nchannel = %q\ndriver = \"iio\"\ndevice = %q\n%s", channel, chip, boardPeriodText)
	}
	dir := t.TempDir()
	page, conf := "127.0.0.1:8461", filepath.Join(dir, "van.toml")
	if err := os.WriteFile(conf, fmt.Appendf(nil, text, page, dir), 0o644); err != nil {
		t.Fatal(err)
	}
	p := startProgram(t, conf, page, b)
	defer p.kill()
	began := time.Now()
	p.reaches(t, "a minute of ticks", func(s sight) error {
		if s.Stamp.Tick < 60 {
			return fmt.Errorf("tick %d", s.Stamp.Tick)
		}
		return nil
	})
	t.Logf("%s, 60 ticks in %.0f s", runtime.GOARCH, time.Since(began).Seconds())
	if kB := p.resident(t); kB == 0 || kB > 48<<10 {
		t.Errorf("%d kB resident, want under 48 MB", kB)
	}
}

// TestBoardOfOwnDrivers lets the drivers that need none of the kernel's ask this kernel. The
// two machines have one kind of node each.
func TestBoardOfOwnDrivers(t *testing.T) {
	if os.Getenv(boardEnv) != "guest" {
		return // .ci/board runs it, and fails when it did not
	}
	want := map[string]string{"amd64": "can do SMBus only", "arm64": "an edge takes"}[runtime.GOARCH]
	// The second has 32 bits, as many boards have: other structures in the same kernel.
	for _, tests := range []string{"/hw.test", "/hw32.test"} {
		out, err := exec.Command(tests, "-test.v", "-test.run=^TestTheKernel").CombinedOutput()
		t.Logf("%s: %s", tests, out)
		if err != nil {
			t.Errorf("%s: %v", tests, err)
		}
		for _, want := range []string{want, "transactions of plain I2C"} {
			if !strings.Contains(string(out), want) {
				t.Errorf("%s: nothing was asked: no %q", tests, want)
			}
		}
	}
}

// adapter is an I2C adapter behind a character device, served by a process of its own
// (sensors/hw/cuse_linux_test.go) with models of chips on it.
type adapter struct {
	t      *testing.T
	cmd    *exec.Cmd
	orders io.WriteCloser
	said   *bufio.Scanner
}

const adapterNode = "i2c-41"

func serveAdapter(t *testing.T) *adapter {
	t.Helper()
	a := &adapter{t: t, cmd: exec.Command("/hw.test", "-test.run=^TestAnAdapterIsServed$")}
	a.cmd.Env = append(os.Environ(), "FROSTLINE_NODE="+adapterNode)
	a.cmd.Stderr = os.Stderr
	in, err := a.cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := a.cmd.StdoutPipe()
	if err == nil {
		err = a.cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	a.orders, a.said = in, bufio.NewScanner(out)
	t.Cleanup(a.gone)
	for end := time.Now().Add(patience); ; time.Sleep(5 * time.Millisecond) {
		if _, err := os.Stat("/dev/" + adapterNode); err == nil {
			return a
		}
		if time.Now().After(end) {
			t.Fatal("the kernel made no /dev/" + adapterNode)
		}
	}
}

// order tells the bus what goes wrong now, and returns when it does.
func (a *adapter) order(what string) {
	a.t.Helper()
	fmt.Fprintln(a.orders, what)
	if !a.said.Scan() || a.said.Text() != "done: "+what {
		a.t.Fatalf("%s: %q, %v", what, a.said.Text(), a.said.Err())
	}
}

// gone takes the adapter away in the middle of whatever it does.
func (a *adapter) gone() {
	a.cmd.Process.Kill()
	a.cmd.Wait()
}

// TestBoardOfPlainI2C is the whole program with drivers of our own on a bus of plain I2C.
func TestBoardOfPlainI2C(t *testing.T) {
	if os.Getenv(boardEnv) != "guest" {
		return // .ci/board runs it, and fails when it did not
	}
	bus := serveAdapter(t)
	b := board{filepath.Join(t.TempDir(), "sys")}
	b.write(t, "bus/i2c/devices/"+adapterNode+"/name", "models\n")
	b.write(t, "class/hwmon/hwmon0/name", "tmp102\n")
	b.write(t, "class/hwmon/hwmon0/temp1_input", "17250\n")
	text := withoutWire(boardConfig)
	for chip, at := range map[string]string{"nau7802": "0x2a", "ads1115": "0x48"} {
		text = strings.Replace(text, "driver = \"iio\"\ndevice = \""+chip+"\"\n", "driver = \"i2c\"\ndevice = \""+chip+"\"\naddress = \""+at+"\"\n"+boardPeriodText, 1)
	}
	text += "[[sensor]]\nchannel = \"baro_kpa\"\ndriver = \"i2c\"\ndevice = \"bme280\"\n" + boardPeriodText
	dir := t.TempDir()
	page, conf := "127.0.0.1:8462", filepath.Join(dir, "van.toml")
	if err := os.WriteFile(conf, fmt.Appendf(nil, text, page, dir), 0o644); err != nil {
		t.Fatal(err)
	}
	checked(t, conf, "--sysfs", b.root, "--noise", "1s")

	p := startProgram(t, conf, page, b) // of chips that check has left set
	defer p.kill()
	// Whatever the bus does, the thermometer of the other bus goes on, and so do the ticks.
	last := uint64(0)
	goesOn := func(then func(sight) error) func(sight) error {
		return func(s sight) error {
			if c := s.channel("cabin_c"); c.Quality != "good" {
				return fmt.Errorf("the thermometer of the other bus: %+v", c)
			}
			if err := then(s); err != nil {
				return err
			}
			if s.Stamp.Tick <= last {
				return fmt.Errorf("tick %d again", s.Stamp.Tick)
			}
			last = s.Stamp.Tick
			return nil
		}
	}
	well := goesOn(func(s sight) error {
		for channel, want := range map[string][2]float64{"load_counts": {boardCounts, 10}, "gas_v": {0.6, 0.001}, "baro_kpa": {100.653, 0.001}} {
			if c := s.channel(channel); c.Quality != "good" || math.Abs(c.Value-want[0]) > want[1] {
				return fmt.Errorf("%+v, want %g within %g", c, want[0], want[1])
			}
		}
		return nil
	})
	tells := func(word string, channels ...string) func(sight) error {
		return goesOn(func(s sight) error {
			for _, channel := range channels {
				if c := s.channel(channel); c.Quality != "bad" || c.Why != word {
					return fmt.Errorf("%+v, want bad for %s", c, word)
				}
			}
			return nil
		})
	}
	p.reaches(t, "three chips over plain I2C", well)
	bus.order("unplug bridge")
	p.reaches(t, "a bridge that acknowledges nothing", tells("nack", "load_counts"))
	bus.order("plug bridge")
	p.reaches(t, "the bridge again", well)
	bus.gone()
	p.reaches(t, "an adapter whose node is gone", tells("no-node", "load_counts", "gas_v", "baro_kpa"))
	bus = serveAdapter(t)
	p.reaches(t, "the adapter again", well)
	bus.order("hang")
	p.reaches(t, "a transaction that does not come back", goesOn(func(s sight) error {
		stuck := 0
		for _, channel := range []string{"load_counts", "gas_v", "baro_kpa"} {
			switch c := s.channel(channel); {
			case c.Quality == "bad" && c.Why == "stuck":
				stuck++
			case c.Quality != "bad" || c.Why != "held":
				return fmt.Errorf("%+v, want it stuck or held", c)
			}
		}
		if stuck != 1 {
			return fmt.Errorf("%d are stuck, want the one that was asked", stuck)
		}
		return nil
	}))
	bus.gone() // with a transaction under way, which must end
	serveAdapter(t)
	p.reaches(t, "the adapter again, that went while it was asked", well)
	p.reaches(t, "the fuel by the bridge", func(s sight) error {
		if n := s.Numbers["fuel_kg"]; math.Abs(n.Value-fuelKgOf638000) > 0.02 {
			return fmt.Errorf("it is %+v, want %g", n, fuelKgOf638000)
		}
		return nil
	})
	p.resident(t)
}

// sight is the page's snapshot with the channels behind it.
type sight struct {
	shown
	Channels []sightChannel `json:"channels"`
}

type sightChannel struct {
	Channel, Quality, Why string
	Value                 float64
}

func (s sight) channel(name string) sightChannel {
	for _, c := range s.Channels {
		if c.Channel == name {
			return c
		}
	}
	return sightChannel{Channel: name, Why: "not there"}
}

// TestBoard runs in the virtual machine only.
func TestBoard(t *testing.T) {
	if os.Getenv(boardEnv) != "guest" {
		return // .ci/board runs it, and fails when it did not
	}
	release, _ := os.ReadFile("/proc/sys/kernel/osrelease")
	t.Logf("kernel %s on %s", strings.TrimSpace(string(release)), runtime.GOARCH)
	if runtime.GOARCH != "amd64" {
		return // that kernel has no i2c-stub; the ten channels are all there is to see
	}
	bus := openStubBus(t)
	bus.lay()
	for _, s := range []stub{adc, wind, air} {
		bus.fit(s)
	}
	bus.fitBridge()
	bus.live(t)

	dir := t.TempDir()
	page, state, conf := "127.0.0.1:8460", filepath.Join(dir, "state"), filepath.Join(dir, "van.toml")
	if err := os.MkdirAll(state, 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(conf, []byte(boardToml(page, state)), 0o644); err != nil {
		t.Fatal(err)
	}
	checked(t, conf)

	p := startProgram(t, conf, page, board{"/sys"})
	defer p.kill()
	near := func(what string, want, within float64) func(sight) error {
		return func(s sight) error {
			n, ok := s.Numbers[what]
			if !ok || n.Quality == "" || math.Abs(n.Value-want) > within {
				return fmt.Errorf("%s is %+v, want %g within %g", what, n, want, within)
			}
			return nil
		}
	}
	p.reaches(t, "the wired thermometer", near("cabin_c", 17.25, 0.05))
	p.reaches(t, "the data sheet's example pressure", near("air_kpa", 100.653, 0.005))
	p.reaches(t, "the weight on the cell", near("fuel_kg", fuelKgOf638000, 0.02))

	// The cylinder empties far faster than any burner could: 2 kg in 43 s.
	for i := range 85_800 / 200 {
		bus.counts.Store(boardCounts - int32(i+1)*200)
		time.Sleep(100 * time.Millisecond)
	}
	p.reaches(t, "two kilograms less", near("fuel_kg", fuelKgOf638000-2, 0.05))

	// Faults, each as a chip shows them.
	bad := func(channel, why string) func(sight) error {
		return func(s sight) error {
			if c := s.channel(channel); c.Quality != "bad" || !strings.HasPrefix(c.Why, why) {
				return fmt.Errorf("%+v, want bad for %s", c, why)
			}
			return nil
		}
	}
	bus.counts.Store(rail)
	p.reaches(t, "a bridge at its rail", bad("load_counts", "saturated"))
	bus.counts.Store(boardCounts - 85_800)
	p.reaches(t, "the weight again", near("fuel_kg", fuelKgOf638000-2, 0.05))
	bus.pull(wind)
	p.reaches(t, "a thermometer that was pulled", bad("cabin_c", "missing"))
	bus.word(wind, 0x01, 0x60a0)
	bus.word(wind, 0x00, 80<<3) // 5 °C
	bus.fit(wind)
	p.reaches(t, "the thermometer again, though the kernel numbered it anew", near("cabin_c", 5, 0.05))
	bus.gas.Store(0)
	p.reaches(t, "a gas sensor that was unplugged", func(s sight) error {
		if !strings.Contains(s.Gas.Fault, "unplugged") {
			return fmt.Errorf("the gas sensor's fault is %q", s.Gas.Fault)
		}
		return nil
	})
	p.measured(t)
}

// fitBridge binds the bridge's driver, which resets the chip and then wants the bit that says
// it is powered up. A stub has no such will of its own: the bit is laid all the while, and
// the driver is asked again until it looks at the right moment.
func (b *stubBus) fitBridge() {
	done, over := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(over)
		for {
			select {
			case <-done:
				return
			default:
				b.bytes(bridge, 0x00, 0xae)
			}
		}
	}()
	b.announce(bridge)
	for end := time.Now().Add(patience); !b.bound(bridge) && time.Now().Before(end); {
		// A driver that refuses answers with an error; that is asked for again.
		_ = os.WriteFile("/sys/bus/i2c/drivers/nau7802/bind", []byte(b.place(bridge)), 0)
	}
	close(done)
	<-over
	b.bytes(bridge, 0x00, 0xae)
	if !b.bound(bridge) {
		b.t.Fatal("nau7802: the kernel's driver did not bind")
	}
}

// checked runs frostline check as a user would: again where an emulator on a busy host took
// longer for a read than any chip does.
func checked(t *testing.T, conf string, flags ...string) {
	t.Helper()
	for end := time.Now().Add(patience); ; {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		cmd := exec.CommandContext(ctx, os.Args[0], append([]string{"check", "--config", conf}, flags...)...)
		cmd.Env = append(os.Environ(), "FROSTLINE_AS_COMMAND=1")
		out, err := cmd.CombinedOutput()
		cancel()
		t.Logf("frostline check: %v\n%s", err, out)
		missing := ""
		for _, channel := range []string{"load_counts", "gas_v", "cabin_c", "baro_kpa"} {
			if !strings.Contains(string(out), "ok     "+channel) {
				missing = channel
			}
		}
		if missing == "" {
			return
		}
		if time.Now().After(end) {
			t.Errorf("check does not find %s in order", missing)
			return
		}
	}
}

// reaches waits until the page says what it must.
func (p *program) reaches(t *testing.T, what string, want func(sight) error) {
	t.Helper()
	began, err := time.Now(), errors.New("no answer")
	for time.Since(began) < 2*patience {
		var s sight
		if err = p.get("/api/snapshot", &s); err == nil {
			if err = want(s); err == nil {
				t.Logf("%s: after %.0f s", what, time.Since(began).Seconds())
				return
			}
		}
		time.Sleep(200 * time.Millisecond)
	}
	t.Errorf("%s: never seen: %v\n%s", what, err, p.log.String())
}

// resident logs the memory of the program and returns what is resident, kB.
func (p *program) resident(t *testing.T) (kB int) {
	t.Helper()
	status, err := os.ReadFile("/proc/" + strconv.Itoa(p.cmd.Process.Pid) + "/status")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(status)) {
		if strings.HasPrefix(line, "VmRSS") || strings.HasPrefix(line, "RssAnon") || strings.HasPrefix(line, "VmHWM") {
			t.Log(strings.TrimSpace(line))
		}
		if value, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			kB, _ = strconv.Atoi(strings.Fields(value)[0])
		}
	}
	return kB
}

// measured logs the resident memory and asks for metrics.
func (p *program) measured(t *testing.T) {
	t.Helper()
	p.resident(t)
	resp, err := http.Get("http://" + p.page + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil || !strings.Contains(string(text), `frostline_temperature_celsius{location="cabin"} 5`) {
		t.Errorf("metrics: %v; want the cabin's 5 °C among\n%s", err, text)
	}
}
