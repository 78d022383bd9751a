package hw

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"frostline/sensors"
)

// Driver names the kernel interface a channel is read through.
type Driver string

// The kernel interfaces.
const (
	IIO   Driver = "iio"   // industrial I/O: bridge ADCs, ADCs, pressure sensors
	Hwmon Driver = "hwmon" // hardware monitoring: temperature chips
	W1    Driver = "w1"    // 1-wire thermometers

	I2C   Driver = "i2c"   // a chip without a kernel driver, see ownChips
	HX711 Driver = "hx711" // the bit-banged bridge ADC on two GPIO lines
	GPIO  Driver = "gpio"  // a contact on a GPIO line
)

// Wire says how one channel is read. A device is found by name, label or address, never by
// the number the kernel happened to give it at this boot.
type Wire struct {
	Channel sensors.Channel
	Period  time.Duration
	Driver  Driver
	Device  string // the kernel's name of the chip (iio, hwmon); the chip (i2c); the label of the GPIO chip (gpio, hx711), if need be
	// Label tells two chips of one name apart: the device's own label file, or the label of
	// one of its inputs (hwmon temp2_label, iio in_voltage1_label), which then is the input.
	Label string
	// Address is that of a 1-wire thermometer, like 28-0000072f1a3c. For iio and hwmon it is
	// optional and tells two chips of one name without labels apart: bus and address as the
	// kernel writes them, like 1-0049. For i2c it is the chip's address, like 0x48, and empty
	// takes the chip's usual one.
	Address   string
	Attribute string  // file below the device, with or without _raw or _input; empty takes the usual one of the channel
	Gain      float64 // what the reading is multiplied by, for a divider in front of the ADC; 0 is taken as 1

	Bus         string // i2c: the kernel's name of the adapter; empty if there is but one
	Line        string // gpio: the kernel's name of the line
	Data, Clock string // hx711: the kernel's names of its two lines
	Invert      bool   // gpio: the channel is 1 while the line is low
	Pull        string // gpio: PullUp, PullDown or PullNone; empty is PullUp
}

// How a contact's line is held while the contact is open.
const (
	PullUp   = "up"   // by the board, to its supply
	PullDown = "down" // by the board, to ground
	PullNone = "none" // by what is connected; a line that nothing holds is then a fault
)

// KeyError is what is wrong with one setting of a wire.
type KeyError struct {
	Key string // as the configuration calls it
	Err error
}

func (e *KeyError) Error() string { return e.Err.Error() }
func (e *KeyError) Unwrap() error { return e.Err }

func wrongKey(key, format string, args ...any) error {
	return &KeyError{key, fmt.Errorf(format, args...)}
}

// quantity is what a channel measures, and so which attributes can give it.
type quantity uint8

const (
	noQuantity quantity = iota
	countsQ
	voltsQ
	celsiusQ
	kpaQ
	percentQ
	bitQ     // an alarm bit of the board itself; never configured
	contactQ // open or closed
)

func quantityOf(ch sensors.Channel) quantity {
	switch ch {
	case sensors.LoadCounts:
		return countsQ
	case sensors.GasV, sensors.GasSupplyV, sensors.GasHeaterV, sensors.BatteryV:
		return voltsQ
	case sensors.BaroKPa:
		return kpaQ
	case sensors.HumidityPct:
		return percentQ
	case sensors.BoardUndervolt:
		return bitQ
	}
	switch {
	case ch.IsTemp():
		return celsiusQ
	case ch.IsSwitch() && !ch.IsHealth():
		return contactQ
	}
	return noQuantity
}

// input is how a driver writes a quantity: the usual input, the start of every input's
// name, and how many of the driver's units make one of ours.
type input struct {
	usual, prefix string
	perUnit       float64
}

// inputOf is the zero input if the driver cannot give the quantity. Units: iio gives mV,
// m°C, kPa and thousandths of a percent; hwmon mV, m°C and thousandths (sensing.md 4.2).
func inputOf(d Driver, q quantity) input {
	switch d {
	case IIO, I2C:
		switch q {
		case countsQ:
			return input{"in_voltage0", "in_voltage", 1}
		case voltsQ:
			return input{"in_voltage0", "in_voltage", 1000}
		case celsiusQ:
			return input{"in_temp", "in_temp", 1000}
		case kpaQ:
			return input{"in_pressure", "in_pressure", 1}
		case percentQ:
			return input{"in_humidityrelative", "in_humidityrelative", 1000}
		}
	case Hwmon:
		switch q {
		case voltsQ:
			return input{"in1", "in", 1000} // in0 is the shunt of the usual power monitors
		case celsiusQ:
			return input{"temp1", "temp", 1000}
		case percentQ:
			return input{"humidity1", "humidity", 1000}
		case bitQ:
			return input{"in0_lcrit_alarm", "in", 1}
		}
	case W1:
		if q == celsiusQ {
			return input{w1Slave, "", 1000}
		}
	case HX711:
		if q == countsQ {
			return input{usual: string(HX711)}
		}
	case GPIO:
		if q == contactQ {
			return input{usual: string(GPIO)}
		}
	}
	return input{}
}

var (
	w1Address  = regexp.MustCompile(`^[0-9a-f]{2}-[0-9a-f]{12}$`)
	attributeW = regexp.MustCompile(`^[a-z][a-z0-9_-]*$`)
)

// Check says what is missing for the driver to find the device, or why the driver cannot
// give this channel. Whether the device is there is for the board to see, each period.
func (w Wire) Check() error {
	switch w.Driver {
	case I2C, HX711, GPIO:
	case IIO, Hwmon:
		if w.Device == "" {
			return fmt.Errorf("%s needs device, the name the kernel gives the chip (cat %s/*/name below the sysfs root)",
				w.Driver, deviceFolder(w.Driver))
		}
	case W1:
		if w.Address == "" {
			return errors.New("w1 needs address, the folder of the thermometer below bus/w1/devices, like 28-0000072f1a3c")
		}
		if !w1Address.MatchString(w.Address) {
			return fmt.Errorf("w1 address %q is not one; write it as its folder below bus/w1/devices is called, like 28-0000072f1a3c", w.Address)
		}
	default:
		return fmt.Errorf("driver %q is not one of %s", w.Driver, strings.Join(Drivers(), ", "))
	}
	if err := w.strangers(); err != nil {
		return err
	}
	in := inputOf(w.Driver, quantityOf(w.Channel))
	if in.usual == "" {
		return fmt.Errorf("%s cannot give %s", w.Driver, w.Channel)
	}
	switch w.Driver {
	case I2C:
		return w.checkChip()
	case HX711:
		if w.Data == "" || w.Clock == "" || w.Data == w.Clock {
			return wrongKey("data", "hx711 needs data and clock, the kernel's names of its two lines")
		}
	case GPIO:
		if w.Line == "" {
			return wrongKey("line", "gpio needs line, the kernel's name of the line, like GPIO5")
		}
		if !slices.Contains([]string{"", PullUp, PullDown, PullNone}, w.Pull) {
			return wrongKey("pull", "pull %q is not one of up, down, none", w.Pull)
		}
	}
	switch {
	case w.Attribute == "":
	case !attributeW.MatchString(w.Attribute):
		return fmt.Errorf("attribute %q is not a file name below the device, like %s", w.Attribute, in.usual)
	case w.Driver == W1 && w.Attribute != w1Slave && w.Attribute != w1Temperature:
		return fmt.Errorf("w1 attribute %q is not one of %s, %s", w.Attribute, w1Slave, w1Temperature)
	case w.Channel == sensors.LoadCounts && strings.HasSuffix(w.Attribute, "_input"):
		return fmt.Errorf("attribute %q is no longer raw; %s needs one like %s_raw", w.Attribute, w.Channel, in.usual)
	case !strings.HasPrefix(w.Attribute, in.prefix):
		return fmt.Errorf("attribute %q cannot give %s; it must begin like %s", w.Attribute, w.Channel, in.usual)
	}
	return nil
}

// Drivers lists the names of all drivers, the kernel's own first.
func Drivers() []string {
	return []string{string(IIO), string(Hwmon), string(W1), string(I2C), string(HX711), string(GPIO)}
}

// strangers finds a setting that means nothing to the driver: it was meant to do something.
func (w Wire) strangers() error {
	chip := []Driver{IIO, Hwmon, I2C}
	for _, s := range []struct {
		key     string
		set     bool
		drivers []Driver
	}{
		{"device", w.Device != "", append(chip, HX711, GPIO)},
		{"label", w.Label != "", []Driver{IIO, Hwmon}},
		{"address", w.Address != "", append(chip, W1)},
		{"attribute", w.Attribute != "", append(chip, W1)},
		{"gain", w.gain() != 1, append(chip, W1)},
		{"bus", w.Bus != "", []Driver{I2C}},
		{"line", w.Line != "", []Driver{GPIO}},
		{"invert", w.Invert, []Driver{GPIO}},
		{"pull", w.Pull != "", []Driver{GPIO}},
		{"data", w.Data != "", []Driver{HX711}},
		{"clock", w.Clock != "", []Driver{HX711}},
	} {
		if s.set && !slices.Contains(s.drivers, w.Driver) {
			return wrongKey(s.key, "%s means nothing to driver %s", s.key, w.Driver)
		}
	}
	return nil
}

// gain is the configured factor; nobody means to multiply by nothing.
func (w Wire) gain() float64 {
	if w.Gain == 0 {
		return 1
	}
	return w.Gain
}

// name is how the device is spoken of in errors.
func (w Wire) name() string {
	switch {
	case w.Driver == W1:
		return "w1 " + w.Address
	case w.Driver == GPIO:
		return "gpio " + w.Line
	case w.Driver == HX711:
		return "hx711 on " + w.Data + " and " + w.Clock
	case w.Driver == I2C:
		addr, _ := w.chipAddress()
		return strings.TrimSpace(fmt.Sprintf("i2c %s at 0x%02x %s", w.Device, addr, w.onBus()))
	case w.Label != "":
		return fmt.Sprintf("%s %s %q", w.Driver, w.Device, w.Label)
	case w.Address != "":
		return fmt.Sprintf("%s %s at %s", w.Driver, w.Device, w.Address)
	}
	return fmt.Sprintf("%s %s", w.Driver, w.Device)
}

func (w Wire) onBus() string {
	if w.Bus == "" {
		return ""
	}
	return "on " + w.Bus
}

// deviceFolder is where the kernel lists the devices of a driver, below the sysfs root.
func deviceFolder(d Driver) string {
	switch d {
	case IIO:
		return "bus/iio/devices"
	case Hwmon:
		return "class/hwmon"
	case I2C:
		return adapterFolder
	}
	return "bus/w1/devices"
}
