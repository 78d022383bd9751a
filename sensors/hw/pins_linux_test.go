package hw

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"
	"unsafe"
)

// The kernel's own numbers hold the size of what is handed over, in bits 16 to 29.
func TestTheKernelIsHandedStructuresOfItsOwnSize(t *testing.T) {
	for _, k := range []struct {
		name    string
		request uintptr
		size    uintptr
	}{
		{"chip", gpioChipInfo, unsafe.Sizeof(gpioChipInfoT{})},
		{"line", gpioLineInfo, unsafe.Sizeof(gpioLineInfoT{})},
		{"request", gpioGetLine, unsafe.Sizeof(gpioRequestT{})},
		{"configuration", gpioSetConfig, unsafe.Sizeof(gpioConfigT{})},
		{"values", gpioGetValues, unsafe.Sizeof(gpioValuesT{})},
		{"values", gpioSetValues, unsafe.Sizeof(gpioValuesT{})},
	} {
		if want := k.request >> 16 & 0x3FFF; k.size != want {
			t.Errorf("%s: %d bytes, the kernel expects %d", k.name, k.size, want)
		}
	}
}

// In a virtual machine whose GPIO chip has nothing on its lines, set by the environment: lines
// of a real board are not to be played with.
func TestTheKernelGivesAndTakesLines(t *testing.T) {
	if os.Getenv("FROSTLINE_BOARD") != "guest" {
		return // the board test runs it, and fails when it did not
	}
	var k kernelPins
	chips, err := k.chips()
	if err == nil && len(chips) == 0 {
		return // the other machine has one
	}
	if err != nil || len(chips) == 0 || len(chips[0].lines) == 0 {
		t.Fatalf("chips %+v, %v", chips, err)
	}
	c := chips[0]
	t.Logf("%s %s %s with %d lines", c.node, c.name, c.label, len(c.lines))
	at := pinPlace{c.node, 1, c.label + " 1"}
	out, err := k.output(at, true)
	if err != nil {
		t.Fatal(err)
	}
	for _, high := range []bool{true, false, true} {
		if err := out.set(high); err != nil {
			t.Fatal(err)
		}
		if got, err := out.level(); err != nil || got != high {
			t.Errorf("set %v, read %v, %v", high, got, err)
		}
	}
	if _, err := k.input(at, true); !errors.Is(err, syscall.EBUSY) {
		t.Errorf("a line that is taken: %v, want the kernel's EBUSY", err)
	}
	start := time.Now()
	const edges = 1000
	for i := range edges {
		if err := out.set(i%2 == 0); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("an edge takes %s", time.Since(start)/edges)
	out.close()
	in, err := k.input(at, true)
	if err != nil {
		t.Fatalf("a line that was given back: %v", err)
	}
	if err := in.pull(false); err != nil {
		t.Errorf("pull: %v (%v)", err, lineTrouble(err))
	}
	if _, err := in.level(); err != nil {
		t.Error(err)
	}
	in.close()
	if _, err := in.level(); !errors.Is(err, syscall.EBADF) {
		t.Errorf("a closed line: %v", err)
	}
}

// The same machine has i2c-stub, an adapter of SMBus only.
func TestTheKernelsAdapterIsAskedWhatItCan(t *testing.T) {
	if os.Getenv("FROSTLINE_BOARD") != "guest" {
		return // the board test runs it, and fails when it did not
	}
	nodes, _ := filepath.Glob("/dev/i2c-*")
	if len(nodes) == 0 {
		return // the other machine has one
	}
	err := dialKernel(nodes[0], "stub").Tx(0x48, []byte{1}, make([]byte, 2))
	t.Logf("%s: %v", nodes[0], err)
	if err == nil || wordOf(I2C, err) != noPlainI2C {
		t.Errorf("got %v, want !%s", err, noPlainI2C)
	}
}
