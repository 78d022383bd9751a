package hw

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"
)

// An I2C adapter of models behind a real character device: CUSE, the kernel's way to leave a
// device's calls to a program. What asks it opens a node under /dev and hands I2C_RDWR to the
// kernel as on a board; the kernel brings the messages here. Only sysfs, which lists the
// adapters of a board, has to be laid beside it. The protocol is that of linux/fuse.h, from
// memory; that the kernel speaks it is the check.

// From linux/fuse.h.
const (
	cuseInit     = 4096
	fuseOpen     = 14
	fuseRelease  = 18
	fuseIoctl    = 39
	fuseMajor    = 7
	fuseMinor    = 31 // of those that know a list of ioctl's memory in 64 bits
	fuseInBytes  = 40
	cuseMayIoctl = 1 << 0 // the program may ask for any memory of the caller's

	ioctlCompat = 1 << 0 // the caller has 32 bits
	ioctlRetry  = 1 << 2

	cuseBuffer = 1 << 14
)

type fuseIn struct {
	opcode uint32
	unique uint64
	data   []byte
}

// span is memory of the caller's.
type span struct{ base, n uint64 }

// cuseAdapter serves one node.
type cuseAdapter struct {
	fd  int
	bus i2c.Bus

	mu    sync.Mutex
	funcs uint64 // what it says it can
	short bool   // it does one message less than it is asked to, and calls that well
	signl int    // so many transactions are told that a signal came
}

// serveCUSE makes /dev/name and answers there until the process ends, which takes the node
// away as a plug that is pulled does.
func serveCUSE(name string, bus i2c.Bus) (*cuseAdapter, error) {
	fd, err := syscall.Open("/dev/cuse", syscall.O_RDWR|syscall.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("open /dev/cuse: %w", err)
	}
	a := &cuseAdapter{fd: fd, bus: bus, funcs: i2cFuncI2C}
	in, err := a.next()
	if err != nil || in.opcode != cuseInit {
		return nil, fmt.Errorf("the kernel's first word is %d, %v", in.opcode, err)
	}
	out := make([]byte, 72)
	for i, v := range []uint32{fuseMajor, fuseMinor, 0, cuseMayIoctl, 4096, 4096} {
		binary.NativeEndian.PutUint32(out[4*i:], v)
	}
	if err := a.answer(in, 0, append(out, "DEVNAME="+name+"\x00"...)); err != nil {
		return nil, err
	}
	for range 4 { // a transaction that hangs must not keep the others
		go func() {
			for {
				in, err := a.next()
				if err != nil {
					return // the kernel has given it up
				}
				a.serve(in)
			}
		}()
	}
	return a, nil
}

func (a *cuseAdapter) next() (fuseIn, error) {
	b := make([]byte, cuseBuffer)
	n, err := again(func() (int, error) { return syscall.Read(a.fd, b) })
	if err != nil || n < fuseInBytes {
		return fuseIn{}, fmt.Errorf("%d bytes: %w", n, err)
	}
	return fuseIn{binary.NativeEndian.Uint32(b[4:]), binary.NativeEndian.Uint64(b[8:]), b[fuseInBytes:n]}, nil
}

func (a *cuseAdapter) answer(in fuseIn, no syscall.Errno, data []byte) error {
	if no != 0 {
		data = nil
	}
	b := binary.NativeEndian.AppendUint32(nil, uint32(16+len(data)))
	b = binary.NativeEndian.AppendUint32(b, uint32(-int32(no)))
	b = binary.NativeEndian.AppendUint64(b, in.unique)
	b = append(b, data...)
	_, err := again(func() (int, error) { return syscall.Write(a.fd, b) })
	return err
}

func (a *cuseAdapter) serve(in fuseIn) {
	switch in.opcode {
	case fuseOpen:
		_ = a.answer(in, 0, make([]byte, 16)) // an answer to a caller that is gone finds nobody
	case fuseRelease:
		_ = a.answer(in, 0, nil)
	case fuseIoctl:
		result, more, out, err := a.ioctl(in.data)
		var no syscall.Errno
		if err != nil && !errors.As(err, &no) {
			no = syscall.EIO
		}
		reply := binary.NativeEndian.AppendUint32(nil, uint32(result))
		var flags uint32
		if more != nil {
			flags = ioctlRetry
		}
		reply = binary.NativeEndian.AppendUint32(reply, flags)
		var reads, writes uint32
		for _, m := range more {
			if m.out {
				writes++
			} else {
				reads++
			}
		}
		reply = binary.NativeEndian.AppendUint32(reply, reads)
		reply = binary.NativeEndian.AppendUint32(reply, writes)
		for _, m := range more {
			reply = binary.NativeEndian.AppendUint64(reply, m.base)
			reply = binary.NativeEndian.AppendUint64(reply, m.n)
		}
		_ = a.answer(in, no, append(reply, out...))
	default:
		_ = a.answer(in, syscall.ENOSYS, nil) // of an interrupt: the kernel then asks no more
	}
}

// wanted is memory of the caller's that an ioctl needs, to be brought or to be filled.
type wanted struct {
	span
	out bool
}

// ioctl answers one call. The kernel does not know where its argument points to: it is told,
// piece by piece, what to bring, and asks again with it.
func (a *cuseAdapter) ioctl(b []byte) (result int32, more []wanted, out []byte, err error) {
	if len(b) < 32 {
		return 0, nil, nil, syscall.EINVAL
	}
	flags, cmd := binary.NativeEndian.Uint32(b[8:]), binary.NativeEndian.Uint32(b[12:])
	arg, outBytes := binary.NativeEndian.Uint64(b[16:]), binary.NativeEndian.Uint32(b[28:])
	brought := b[32:]
	// Of the caller: a pointer, a message, the head of a list of messages.
	word, message, head := uint64(8), uint64(16), uint64(16)
	if flags&ioctlCompat != 0 {
		word, message, head = 4, 12, 8
	}
	pointer := func(b []byte) uint64 {
		if word == 4 {
			return uint64(binary.NativeEndian.Uint32(b))
		}
		return binary.NativeEndian.Uint64(b)
	}
	switch cmd {
	case i2cFuncs:
		if outBytes == 0 {
			return 0, []wanted{{span{arg, word}, true}}, nil, nil
		}
		a.mu.Lock()
		defer a.mu.Unlock()
		return 0, nil, binary.NativeEndian.AppendUint64(nil, a.funcs)[:word], nil
	case i2cRdwr:
		if len(brought) == 0 {
			return 0, []wanted{{span{arg, head}, false}}, nil, nil
		}
		n := binary.NativeEndian.Uint32(brought[word:])
		list := span{pointer(brought), uint64(n) * message}
		if n == 0 || n > 42 { // the kernel's own bound
			return 0, nil, nil, syscall.EINVAL
		}
		if uint64(len(brought)) == head {
			return 0, []wanted{{span{arg, head}, false}, {list, false}}, nil, nil
		}
		ask := []wanted{{span{arg, head}, false}, {list, false}}
		var reads []wanted
		rest := brought[head+list.n:]
		var w, r []byte
		var addr uint16
		for m := brought[head : head+list.n]; len(m) > 0; m = m[message:] {
			length := binary.NativeEndian.Uint16(m[4:])
			at := span{pointer(m[8:]), uint64(length)}
			addr = binary.NativeEndian.Uint16(m)
			if binary.NativeEndian.Uint16(m[2:])&i2cRead != 0 {
				reads = append(reads, wanted{at, true})
				r = make([]byte, length)
				continue
			}
			ask = append(ask, wanted{at, false})
			if len(rest) >= int(length) {
				w, rest = rest[:length], rest[length:]
			}
		}
		if uint64(len(brought)) == head+list.n {
			return 0, append(ask, reads...), nil, nil
		}
		result, err = a.transfer(int32(n), addr, w, r)
		return result, nil, r, err
	}
	return 0, nil, nil, syscall.ENOTTY
}

func (a *cuseAdapter) transfer(n int32, addr uint16, w, r []byte) (int32, error) {
	a.mu.Lock()
	short, interrupted := a.short, a.signl > 0
	if interrupted {
		a.signl--
	}
	a.mu.Unlock()
	if interrupted {
		return 0, syscall.EINTR
	}
	if short {
		return n - 1, nil
	}
	return n, a.bus.Tx(addr, w, r)
}

// TestAnAdapterIsServed is the process behind a node: cmd/frostline's board test starts it in
// the virtual machine and tells it, line by line, what goes wrong.
func TestAnAdapterIsServed(t *testing.T) {
	name := os.Getenv("FROSTLINE_NODE")
	if name == "" {
		return // the board test runs it, and fails when it did not
	}
	bus, ads, nau, _ := bench()
	ads.volts[4] = 0.6
	nau.counts = 638_000
	if _, err := serveCUSE(name, bus); err != nil {
		t.Fatal(err)
	}
	go func() { // the last digits live, as they do
		for n := 0; ; n++ {
			time.Sleep(50 * time.Millisecond)
			bus.do(func() {
				nau.counts = 638_000 + int32(n%7)*3 - 9
				ads.volts[4] = 0.6 + 0.0005*float64(n%3-1)
			})
		}
	}()
	kept := bus.chips[0x2a]
	for lines := bufio.NewScanner(os.Stdin); lines.Scan(); {
		order := lines.Text()
		bus.do(func() {
			switch order {
			case "unplug bridge":
				delete(bus.chips, 0x2a)
			case "plug bridge":
				bus.chips[0x2a] = kept
			case "hang":
				bus.hang = make(chan struct{})
			default:
				t.Errorf("order %q", order)
			}
		})
		fmt.Println("done:", order)
	}
}

// In a virtual machine: what the kernel hands over of our messages, and what its words become.
func TestTheKernelCarriesOurTransactions(t *testing.T) {
	if os.Getenv("FROSTLINE_BOARD") != "guest" {
		return // the board test runs it, and fails when it did not
	}
	if _, err := os.Stat("/dev/cuse"); err != nil {
		return
	}
	node := fmt.Sprintf("models-%d", os.Getpid()) // no name of an adapter of the kernel's
	bus, ads, nau, _ := bench()
	ads.volts[4], nau.counts = 0.612, 522734
	a, err := serveCUSE(node, bus)
	if err != nil {
		t.Fatal(err)
	}
	node = filepath.Join("/dev", node)
	for end := time.Now().Add(time.Minute); !exists(node); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("no %s", node)
		}
	}
	dial := dialKernel(node, "models")
	wants(t, newADS1115(dial, 0x48), "in_voltage0", 0.612, "")
	wants(t, newNAU7802(dial, 0x2a), "in_voltage0", 522734, "")
	m := newBME280(dial, 0x76)
	wants(t, m, "in_temp", 25.0825, "")
	wants(t, m, "in_pressure", 100.653, "")
	start := time.Now()
	const n = 20
	for range n {
		if err := dial.Tx(0x48, []byte{adsConfig}, make([]byte, 2)); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%s: %d transactions of plain I2C, %s each", node, n, time.Since(start)/n)

	wants(t, newADS1115(dial, 0x49), "in_voltage0", 0, nack)
	change := func(do func()) {
		a.mu.Lock()
		defer a.mu.Unlock()
		do()
	}
	change(func() { a.signl = 3 })
	wants(t, newADS1115(dial, 0x48), "in_voltage0", 0.612, "")
	change(func() { a.short = true })
	if err := dial.Tx(0x48, []byte{adsConfig}, make([]byte, 2)); err == nil || wordOf(I2C, err) != ioError {
		t.Errorf("one of two messages was done: %v, want !%s", err, ioError)
	}
	change(func() { a.short, a.funcs = false, 0x0eff0000 })
	wants(t, newADS1115(dial, 0x48), "in_voltage0", 0, noPlainI2C)
	change(func() { a.funcs = i2cFuncI2C })
	for _, k := range []struct {
		no   syscall.Errno
		word string
	}{
		{syscall.ENXIO, nack}, {errRemoteIO, nack}, {syscall.ETIMEDOUT, timeout}, {syscall.EAGAIN, busy}, {syscall.EIO, ioError},
	} {
		bus.do(func() { bus.err = k.no })
		_, _, err := newADS1115(dial, 0x48).read("in_voltage0")
		if err == nil || wordOf(I2C, err) != k.word || !strings.Contains(err.Error(), node) {
			t.Errorf("%s: got %v, want !%s and the node", k.no, err, k.word)
		}
	}
	bus.do(func() { bus.err = nil })
	wants(t, newADS1115(dial, 0x48), "in_voltage0", 0.612, "")
	if err := dialKernel("/dev/i2c-99", "none").Tx(0x48, []byte{1}, nil); wordOf(I2C, err) != noNode {
		t.Errorf("no such node: %v", err)
	}
}
