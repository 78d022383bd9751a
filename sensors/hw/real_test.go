package hw

import (
	"errors"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"

	"frostline/sensors"
)

// until reads the board until a tick is as wanted. It runs in real time, as a read that
// hangs in the kernel stops the made-up time of synctest; a board that never gets there
// fails at the deadline of the test.
func until(t *testing.T, b *Board, n int, want func([]sensors.Reading) bool) {
	t.Helper()
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	give := time.After(time.Minute)
	var last []sensors.Reading
	for {
		select {
		case <-look.C:
			if last = read(t, b, n); want(last) {
				return
			}
		case <-give:
			t.Fatalf("never seen; last tick %+v", last)
		}
	}
}

func TestAReadThatHangsInTheKernelStopsNeitherGasNorClose(t *testing.T) {
	tr := van(t)
	release := tr.hang("bus/w1/devices/"+shell.Address, "w1_slave")
	fast := func(w Wire) Wire { w.Period = 20 * time.Millisecond; return w }
	b := open(t, tr.root, fast(cell), fast(gas), fast(shell), fast(line2))
	until(t, b, 4, func(r []sensors.Reading) bool { return r[2] == sensors.Fault(stuck) })
	until(t, b, 4, func(r []sensors.Reading) bool { return r[3] == sensors.Fault(held) })

	// The gas leaves its band while the thermometer hangs: the next readings must show it.
	tr.put("bus/iio/devices/iio:device1", files{"in_voltage0_raw": "30000\n"})
	until(t, b, 4, func(r []sensors.Reading) bool { return r[1] == sensors.Of(3.75) && r[0].Quality == sensors.Good })

	b.mu.Lock()
	hung := b.rig.leads[2].bus
	b.mu.Unlock()
	b.Close() // returns though the read does not
	select {
	case <-hung.done:
		t.Fatal("the read was meant to hang")
	default:
	}
	release()
	<-hung.done
}

func TestAFileThatMayNotBeReadIsPermission(t *testing.T) {
	// Root may read anything, so the refusal is made where the kernel makes it.
	tr := newTree(t)
	lay(tr, gas, adcFiles("1"))
	r, f := once(t, tr.root, gas, func(path string) ([]byte, error) {
		if strings.HasSuffix(path, "in_voltage0_raw") {
			return nil, &os.PathError{Op: "open", Path: path, Err: syscall.EACCES}
		}
		return readAttribute(path)
	})
	wantFault(t, r, f, permission)
	if !strings.Contains(f.Do, "groups of the user") {
		t.Errorf("what to do must speak of the file's mode and the user's groups, got %q", f.Do)
	}
}

// fakeLine is a GPIO line as periph has it.
type fakeLine struct {
	name   string
	level  gpio.Level
	err    error
	closed int
}

func (f *fakeLine) Name() string { return f.name }
func (f *fakeLine) Close()       { f.closed++ }
func (f *fakeLine) Out(l gpio.Level) error {
	if f.err == nil {
		f.level = l
	}
	return f.err
}

func TestALineIsFoundByNameAndSwitchedOff(t *testing.T) {
	horn, lamp := &fakeLine{name: "GPIO17", level: gpio.High}, &fakeLine{name: "GPIO27"}
	lines := []chipLine{&fakeLine{}, horn, lamp}
	l, err := openLine(lines, "GPIO17", false)
	if err != nil || horn.level != gpio.Low {
		t.Fatalf("a sounder must be off once it is opened: %v, %v", horn.level, err)
	}
	if err := l.Out(true); err != nil || horn.level != gpio.High {
		t.Errorf("on: %v, %v", horn.level, err)
	}
	low, err := openLine(lines, "GPIO27", true)
	if err != nil || lamp.level != gpio.High {
		t.Fatalf("inverted, off is high: %v, %v", lamp.level, err)
	}
	if err := low.Out(true); err != nil || lamp.level != gpio.Low {
		t.Errorf("inverted, on is low: %v, %v", lamp.level, err)
	}
	horn.err = syscall.EBUSY
	if err := l.Out(true); !errors.Is(err, syscall.EBUSY) || !strings.Contains(err.Error(), "gpio line GPIO17") {
		t.Errorf("got %v, want the line and the kernel's reason", err)
	}
	if horn.closed != 1 {
		t.Error("a line that failed must be given back, or periph never sets it up again")
	}
	if l, err := openLine(lines, "GPIO17", false); err == nil || l != nil {
		t.Errorf("a line in use elsewhere must be known at once, got %v, %v", l, err)
	}
	_, err = openLine(lines, "GPIO99", false)
	if err == nil || !strings.Contains(err.Error(), "GPIO17, GPIO27") {
		t.Errorf("an unknown line must list those there are, got %v", err)
	}
	if _, err = openLine(nil, "GPIO17", false); err == nil || !strings.Contains(err.Error(), "names none") {
		t.Errorf("got %v", err)
	}
	if _, err = openLine(lines, "", false); err == nil {
		t.Error("lines without a name must not be taken for one")
	}
}

func TestNoHostDriverRunsBesideTheGPIOLines(t *testing.T) {
	if line, lamp, err := OpenSounder("no-such-line", "", false); err == nil || line != nil || lamp != nil {
		t.Errorf("a line that is not there gave %v, %v, %v", line, lamp, err)
	}
	state, err := driverreg.Init()
	if err != nil {
		t.Fatal(err)
	}
	var ran []string
	for _, d := range state.Loaded {
		ran = append(ran, d.String())
	}
	for _, f := range append(state.Skipped, state.Failed...) {
		ran = append(ran, f.D.String())
	}
	if len(ran) != 1 || ran[0] != "ioctl-gpio" {
		t.Errorf("drivers %v were started; one that maps physical memory must never be", ran)
	}
}
