package hw

import (
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3/i2c"
)

// chip is one I2C chip that we drive ourselves. Its bus asks it one thing at a time. An input
// is named as the kernel's own driver names it, so that a wire may change from i2c to iio by
// its driver alone.
//
// Every read compares the chip's settings with those that were written, since a chip that lost
// its supply for a moment goes on with the settings of its maker and gives plausible numbers
// (sensing.md 5.1, 8). It is then set anew, and the read that found out is a fault.
type chip interface {
	String() string
	read(input string) (value float64, raw string, err error)
}

// chipKind is what is known of a chip before it is asked.
type chipKind struct {
	addresses []uint16 // it can have; the first is the usual one
	gives     []quantity
	inputs    []string // nil: one input per quantity, called as usual
	open      func(bus i2c.Bus, addr uint16) chip
}

// The chips we drive ourselves.
const (
	chipADS1115 = "ads1115"
	chipNAU7802 = "nau7802"
	chipBME280  = "bme280"
	chipBMP280  = "bmp280"
)

func ownChips() []string { return []string{chipADS1115, chipBME280, chipBMP280, chipNAU7802} }

// kindOf is the zero kind for a chip we do not know.
func kindOf(name string) chipKind {
	switch name {
	case chipADS1115:
		return chipKind{[]uint16{0x48, 0x49, 0x4a, 0x4b}, []quantity{voltsQ}, adsInputs(), newADS1115}
	case chipNAU7802:
		return chipKind{[]uint16{nauAddress}, []quantity{countsQ}, []string{"in_voltage0"}, newNAU7802}
	case chipBME280:
		return chipKind{[]uint16{0x76, 0x77}, []quantity{celsiusQ, kpaQ, percentQ}, nil, newBME280}
	case chipBMP280:
		return chipKind{[]uint16{0x76, 0x77}, []quantity{celsiusQ, kpaQ}, nil, newBMP280}
	}
	return chipKind{}
}

// chipAddress is the wire's address on the bus, by default the chip's usual one.
func (w Wire) chipAddress() (uint16, error) {
	kind := kindOf(w.Device)
	if w.Address == "" && len(kind.addresses) > 0 {
		return kind.addresses[0], nil
	}
	n, err := strconv.ParseUint(w.Address, 0, 16)
	if err != nil || !strings.HasPrefix(w.Address, "0x") || !slices.Contains(kind.addresses, uint16(n)) {
		var can []string
		for _, a := range kind.addresses {
			can = append(can, fmt.Sprintf("0x%02x", a))
		}
		return 0, fmt.Errorf("address %q is not one an %s can have: %s", w.Address, w.Device, strings.Join(can, ", "))
	}
	return uint16(n), nil
}

// chipInput is the input of the wire, as the chip's driver calls it.
func (w Wire) chipInput() string {
	if w.Attribute == "" {
		return inputOf(I2C, quantityOf(w.Channel)).usual
	}
	return strings.TrimSuffix(strings.TrimSuffix(w.Attribute, "_input"), "_raw")
}

// checkChip is what Check has to say of an i2c wire.
func (w Wire) checkChip() error {
	kind := kindOf(w.Device)
	if kind.open == nil {
		return wrongKey("device", "i2c drives %s itself, not %q; other chips need a driver of the kernel and driver = \"iio\" or \"hwmon\"",
			strings.Join(ownChips(), ", "), w.Device)
	}
	if _, err := w.chipAddress(); err != nil {
		return &KeyError{"address", err}
	}
	if !slices.Contains(kind.gives, quantityOf(w.Channel)) {
		return wrongKey("device", "an %s cannot give %s", w.Device, w.Channel)
	}
	want := []string{inputOf(I2C, quantityOf(w.Channel)).usual}
	if kind.inputs != nil {
		want = kind.inputs
	}
	if !slices.Contains(want, w.chipInput()) {
		return wrongKey("attribute", "attribute %q is not one of %s", w.Attribute, strings.Join(want, ", "))
	}
	return nil
}

// adapterFolder is where the kernel lists I2C adapters, and the chips its drivers have.
const adapterFolder = "bus/i2c/devices"

var adapterName = regexp.MustCompile(`^i2c-([0-9]+)$`)

// adapter finds the I2C adapter of a wire by the name the kernel gives it. The number is taken
// too: some boards have adapters of one name, and a device tree can make numbers stay.
func (s sysfs) adapter(w Wire) (device, error) {
	var names []string
	var found []device
	for _, entry := range s.entries(adapterFolder, adapterName.MatchString) {
		dir := filepath.Join(adapterFolder, entry)
		name, err := s.text(dir, "name")
		if err != nil {
			continue
		}
		names = append(names, fmt.Sprintf("%q (%s)", name, entry))
		if w.Bus == "" || w.Bus == name || w.Bus == entry {
			found = append(found, s.look(w, device{dir: dir}))
		}
	}
	list := strings.Join(names, ", ")
	switch {
	case len(names) == 0:
		return device{}, &fault{missing, errors.New("the kernel lists no I2C adapter")}
	case len(found) == 0:
		return device{}, &fault{missing, fmt.Errorf("no such I2C adapter; the kernel lists %s", list)}
	case len(found) > 1:
		return device{}, &fault{ambiguous, fmt.Errorf("several I2C adapters fit; write one as bus: %s", list)}
	}
	d := found[0]
	d.bus = s.busOf(I2C, d.dir)
	addr, err := w.chipAddress()
	if err != nil {
		return device{}, err
	}
	number := adapterName.FindStringSubmatch(filepath.Base(d.dir))[1]
	d.node, d.where = "/dev/i2c-"+number, fmt.Sprintf("%s 0x%02x", d.dir, addr)
	d.own = fmt.Sprintf("%s/%s-%04x/driver", adapterFolder, number, addr)
	if exists(filepath.Join(s.root, d.own)) {
		return device{}, &fault{claimed, fmt.Errorf("%s shows that the kernel's own driver has this chip", d.own)}
	}
	return d, nil
}

// chipAt is the chip of a wire. Wires of one chip share it, and it outlives its faults: it
// must know that it had been set before.
func (r *rig) chipAt(w Wire, d device) (chip, error) {
	addr, err := w.chipAddress()
	if err != nil {
		return nil, err
	}
	key := fmt.Sprintf("%s %s %s 0x%02x", d.link, d.node, w.Device, addr)
	r.mu.Lock()
	defer r.mu.Unlock()
	c := r.chips[key]
	if c == nil {
		c = kindOf(w.Device).open(r.dial(d.node, d.name), addr)
		r.chips[key] = c
	}
	return c, nil
}

// registers is the way to a chip.
type registers struct {
	name string
	i2c.Dev
}

// String names the chip, its bus and its address.
func (r registers) String() string { return fmt.Sprintf("%s on %s at 0x%02x", r.name, r.Bus, r.Addr) }

// read fills into from the register on.
func (r registers) read(reg byte, into []byte) error {
	if err := r.Tx([]byte{reg}, into); err != nil {
		return fmt.Errorf("read register 0x%02x: %w", reg, err)
	}
	return nil
}

func (r registers) write(reg byte, b ...byte) error {
	if err := r.Tx(append([]byte{reg}, b...), nil); err != nil {
		return fmt.Errorf("write register 0x%02x: %w", reg, err)
	}
	return nil
}

// differs is the fault of settings that are not those that were written. Zeros and ones all
// over are no settings of any chip but a data line that does not move.
func differs(wrote, got, powerOn []byte) error {
	switch {
	case slices.Equal(wrote, got):
		return nil
	case slices.Equal(got, powerOn):
		return &fault{reset, fmt.Errorf("settings % x were expected, % x answered: those of a chip that has just got its supply", wrote, got)}
	case same(got, 0):
		return &fault{zeros, fmt.Errorf("settings % x were expected, zeros answered", wrote)}
	case same(got, 0xFF):
		return &fault{ones, fmt.Errorf("settings % x were expected, ones answered", wrote)}
	}
	return &fault{config, fmt.Errorf("settings % x were expected, % x answered", wrote, got)}
}

// waitFor asks until ready says yes. The first answer counts even if it comes late, so that a
// program that was held up does not take its own delay for the chip's.
func waitFor(what string, within, every time.Duration, ready func() (bool, error)) error {
	for start := time.Now(); ; {
		late := time.Since(start) > within
		ok, err := ready()
		switch {
		case err != nil || ok:
			return err
		case late:
			return &fault{timeout, fmt.Errorf("%s was expected within %s and did not come", what, within)}
		}
		time.Sleep(every)
	}
}
