package hw

import (
	"errors"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

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

func TestASounderIsFoundByNameAndSwitchedOff(t *testing.T) {
	b := newModelPins("GPIO17", "GPIO27", "")
	horn, lamp := b.line("GPIO17"), b.line("GPIO27")
	horn.high = true
	l, light, err := openSounder(b, "GPIO17", "GPIO27", false)
	if err != nil || horn.high {
		t.Fatalf("a sounder must be off once it is opened: %v, %v", horn.high, err)
	}
	if err := l.Out(true); err != nil || !horn.high {
		t.Errorf("on: %v, %v", horn.high, err)
	}
	if err := light.Out(true); err != nil || !lamp.high {
		t.Errorf("lamp on: %v, %v", lamp.high, err)
	}
	horn.err = syscall.EBUSY
	if err := l.Out(true); !errors.Is(err, syscall.EBUSY) || !strings.Contains(err.Error(), "gpio line GPIO17") {
		t.Errorf("got %v, want the line and the kernel's reason", err)
	}
	if horn.taken {
		t.Error("a line that failed must be given back")
	}
	horn.err = nil
	if err := l.Out(true); err != nil || !horn.taken || !horn.high {
		t.Errorf("and taken anew: %v", err)
	}
	if l, _, err := openSounder(b, "GPIO17", "", false); !errors.Is(err, syscall.EBUSY) || l != nil {
		t.Errorf("a line in use elsewhere must be known at once, got %v, %v", l, err)
	}
	// Inverted, off is high, and the line is high from the moment it is taken.
	low := newModelPins("GPIO17")
	if l, _, err = openSounder(low, "GPIO17", "GPIO99", true); err != nil || !low.line("GPIO17").high || low.line("GPIO17").wasLow {
		t.Fatalf("inverted, off is high: %+v, %v", low.line("GPIO17"), err)
	}
	if err := l.Out(true); err != nil || low.line("GPIO17").high {
		t.Errorf("inverted, on is low: %v", err)
	}
	_, _, err = openSounder(b, "GPIO99", "", false)
	if err == nil || !strings.Contains(err.Error(), "GPIO17, GPIO27") {
		t.Errorf("an unknown line must list those there are, got %v", err)
	}
	if _, _, err = openSounder(newModelPins(), "GPIO17", "", false); err == nil || !strings.Contains(err.Error(), "names none") {
		t.Errorf("got %v", err)
	}
	if _, _, err = openSounder(b, "", "", false); err == nil {
		t.Error("lines without a name must not be taken for one")
	}
}
