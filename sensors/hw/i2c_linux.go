package hw

import (
	"errors"
	"fmt"
	"syscall"
	"unsafe"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// kernelBus is an I2C adapter of the kernel behind /dev/i2c-N, as an [i2c.Bus].
//
// periph's own is not taken: it writes the kernel's error into a text, so that a chip that is
// not there and a bus that hangs could not be told apart (sensing.md 5.2), and its package
// brings drivers for thermometers, lamps and SPI that start with it.
//
// The node is opened for each transaction: an adapter on USB may go and come back under the
// same number, and there is nothing to close when the wiring changes.
type kernelBus struct{ node, name string }

func dialKernel(node, name string) i2c.Bus { return kernelBus{node, name} }

// String is the name the kernel gives the adapter.
func (k kernelBus) String() string { return k.name }

// SetSpeed is refused: the device tree sets it, for all chips of the bus.
func (k kernelBus) SetSpeed(physic.Frequency) error { return errors.ErrUnsupported }

// From linux/i2c.h and linux/i2c-dev.h.
const (
	i2cRdwr  = 0x0707
	i2cFuncs = 0x0705
	i2cRead  = 0x0001 // flag of a message

	i2cFuncI2C = 0x00000001 // the adapter can do plain transactions, not SMBus only
)

type i2cMessage struct {
	addr, flags, length uint16
	buf                 unsafe.Pointer
}

type i2cMessages struct {
	list unsafe.Pointer
	n    uint32
}

// Tx writes w and then reads r, without letting go of the bus in between.
func (k kernelBus) Tx(addr uint16, w, r []byte) error {
	fd, err := again(func() (int, error) { return syscall.Open(k.node, syscall.O_RDWR|syscall.O_CLOEXEC, 0) })
	if errors.Is(err, syscall.ENOENT) || errors.Is(err, syscall.ENXIO) {
		return &fault{noNode, fmt.Errorf("open %s: %w", k.node, err)}
	}
	if err != nil {
		return fmt.Errorf("open %s: %w", k.node, err)
	}
	defer syscall.Close(fd)
	var can uintptr
	if _, err := ioctl(fd, i2cFuncs, unsafe.Pointer(&can)); err == nil && can&i2cFuncI2C == 0 {
		return &fault{noPlainI2C, fmt.Errorf("%s can do SMBus only (functions 0x%x)", k.node, can)}
	}
	msgs := make([]i2cMessage, 0, 2)
	if len(w) > 0 {
		msgs = append(msgs, i2cMessage{addr, 0, uint16(len(w)), unsafe.Pointer(&w[0])})
	}
	if len(r) > 0 {
		msgs = append(msgs, i2cMessage{addr, i2cRead, uint16(len(r)), unsafe.Pointer(&r[0])})
	}
	if len(msgs) == 0 {
		return nil
	}
	all := i2cMessages{unsafe.Pointer(&msgs[0]), uint32(len(msgs))}
	done, err := ioctl(fd, i2cRdwr, unsafe.Pointer(&all))
	if err == nil && done != len(msgs) { // some adapters' drivers call half a transaction well
		err = fmt.Errorf("%d of %d messages were transferred", done, len(msgs))
	}
	if err != nil {
		return fmt.Errorf("%s address 0x%02x: %w", k.node, addr, err)
	}
	return nil
}

// ioctl is repeated if a signal interrupts it: the Go runtime sends itself signals.
func ioctl(fd int, request uintptr, arg unsafe.Pointer) (int, error) {
	return again(func() (int, error) {
		n, _, no := syscall.Syscall(syscall.SYS_IOCTL, uintptr(fd), request, uintptr(arg))
		if no != 0 {
			return 0, no
		}
		return int(n), nil
	})
}
