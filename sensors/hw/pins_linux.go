package hw

import (
	"bytes"
	"fmt"
	"path/filepath"
	"slices"
	"syscall"
	"unsafe"
)

// kernelPins are the GPIO lines behind /dev/gpiochipN, through the kernel's character devices.
// periph's lines are not taken: they take a level that could not be read for a low one, which
// an alarm's contact must not, and write the kernel's error into a text.
type kernelPins struct{}

// From linux/gpio.h, the second version of its interface. A test compares the sizes.
const (
	gpioChipInfo  = 0x8044B401
	gpioLineInfo  = 0xC100B405
	gpioGetLine   = 0xC250B407
	gpioSetConfig = 0xC110B40D
	gpioGetValues = 0xC010B40E
	gpioSetValues = 0xC010B40F

	gpioInput    = 1 << 2
	gpioOutput   = 1 << 3
	gpioPullUp   = 1 << 8
	gpioPullDown = 1 << 9
)

type gpioChipInfoT struct {
	name, label [32]byte
	lines       uint32
}

type gpioLineInfoT struct {
	name, consumer [32]byte
	offset, attrsN uint32
	flags          uint64
	attrs          [10][2]uint64
	_              [4]uint32
}

type gpioConfigT struct {
	flags  uint64
	attrsN uint32
	_      [5]uint32
	attrs  [10]gpioAttrT
}

type gpioAttrT struct {
	id, _       uint32
	value, mask uint64
}

const gpioLevels = 2 // id of the attribute that holds the first levels of outputs

type gpioRequestT struct {
	offsets     [64]uint32
	consumer    [32]byte
	config      gpioConfigT
	linesN      uint32
	eventBuffer uint32
	_           [5]uint32
	fd          int32
}

type gpioValuesT struct{ bits, mask uint64 }

func cText(b []byte) string {
	text, _, _ := bytes.Cut(b, []byte{0})
	return string(text)
}

// chips lists all chips. One that may not be opened is an error only if there is no other.
func (kernelPins) chips() ([]gpioChip, error) {
	nodes, _ := filepath.Glob("/dev/gpiochip*")
	var out []gpioChip
	var refused error
	for _, node := range nodes {
		c, err := chipOf(node)
		switch {
		case err != nil:
			refused = err
		case !slices.ContainsFunc(out, func(x gpioChip) bool { return x.name == c.name }): // some boards link a chip twice
			out = append(out, c)
		}
	}
	if len(out) == 0 && refused != nil {
		return nil, refused
	}
	return out, nil
}

func chipOf(node string) (gpioChip, error) {
	var c gpioChip
	err := onNode(node, func(fd int) error {
		var info gpioChipInfoT
		if _, err := ioctl(fd, gpioChipInfo, unsafe.Pointer(&info)); err != nil {
			return err
		}
		c = gpioChip{node: node, name: cText(info.name[:]), label: cText(info.label[:])}
		for i := range info.lines {
			line := gpioLineInfoT{offset: i}
			if _, err := ioctl(fd, gpioLineInfo, unsafe.Pointer(&line)); err != nil {
				return err
			}
			c.lines = append(c.lines, cText(line.name[:]))
		}
		return nil
	})
	return c, err
}

// onNode opens a chip, does something and closes it; lines that were taken stay taken.
func onNode(node string, do func(fd int) error) error {
	fd, err := again(func() (int, error) { return syscall.Open(node, syscall.O_RDWR|syscall.O_CLOEXEC, 0) })
	if err != nil {
		return fmt.Errorf("open %s: %w", node, err)
	}
	defer syscall.Close(fd)
	if err := do(fd); err != nil {
		return fmt.Errorf("%s: %w", node, err)
	}
	return nil
}

func pullFlag(up bool) uint64 {
	if up {
		return gpioPullUp
	}
	return gpioPullDown
}

func (kernelPins) input(at pinPlace, up bool) (pin, error) {
	return takeLine(at, gpioConfigT{flags: gpioInput | pullFlag(up)})
}

func (kernelPins) output(at pinPlace, high bool) (pin, error) {
	c := gpioConfigT{flags: gpioOutput, attrsN: 1}
	c.attrs[0] = gpioAttrT{id: gpioLevels, mask: 1}
	if high {
		c.attrs[0].value = 1
	}
	return takeLine(at, c)
}

func takeLine(at pinPlace, c gpioConfigT) (pin, error) {
	r := gpioRequestT{linesN: 1, config: c}
	r.offsets[0] = uint32(at.number)
	copy(r.consumer[:], "frostline")
	if err := onNode(at.node, func(fd int) error {
		_, err := ioctl(fd, gpioGetLine, unsafe.Pointer(&r))
		return err
	}); err != nil {
		return nil, fmt.Errorf("take %s: %w", at.shown, err)
	}
	return kernelPin{int(r.fd), at.shown}, nil
}

// kernelPin is a line that is ours until it is closed.
type kernelPin struct {
	fd    int
	shown string
}

func (p kernelPin) level() (bool, error) {
	v := gpioValuesT{mask: 1}
	if _, err := ioctl(p.fd, gpioGetValues, unsafe.Pointer(&v)); err != nil {
		return false, fmt.Errorf("read %s: %w", p.shown, err)
	}
	return v.bits&1 != 0, nil
}

func (p kernelPin) set(high bool) error {
	v := gpioValuesT{mask: 1}
	if high {
		v.bits = 1
	}
	if _, err := ioctl(p.fd, gpioSetValues, unsafe.Pointer(&v)); err != nil {
		return fmt.Errorf("set %s: %w", p.shown, err)
	}
	return nil
}

func (p kernelPin) pull(up bool) error {
	c := gpioConfigT{flags: gpioInput | pullFlag(up)}
	if _, err := ioctl(p.fd, gpioSetConfig, unsafe.Pointer(&c)); err != nil {
		return fmt.Errorf("pull %s: %w", p.shown, err)
	}
	return nil
}

func (p kernelPin) close() { syscall.Close(p.fd) }
