package hw

import (
	"errors"
	"io/fs"
	"strings"
	"syscall"
)

// The fault words, as they stand behind the ! in a recording. What each means and what to
// do about it is in explain.
const (
	missing    = "missing"     // no device of that name, label or address
	ambiguous  = "ambiguous"   // several, and nothing tells them apart
	noFile     = "no-file"     // the device is there, the attribute is not
	permission = "permission"  // the file may not be read
	stuck      = "stuck"       // a read that began has not come back
	held       = "held"        // another device of the same bus is stuck
	timeout    = "timeout"     // the driver gave up waiting
	nack       = "nack"        // nobody acknowledged at the chip's address
	crc        = "crc"         // the checksum does not fit
	ioError    = "io"          // the driver could not talk to the chip
	busy       = "busy"        // the driver asks to come back later
	empty      = "empty"       // nothing in the file: the 1-wire driver's way to say it failed
	garbled    = "garbled"     // not what the kernel writes
	zeros      = "zeros"       // a scratchpad of zeros, whose checksum is right by chance
	ones       = "ones"        // a scratchpad of ones: nobody pulled the line down
	scratchpad = "scratchpad"  // bytes that this thermometer cannot hold
	powerOn    = "power-on"    // 85.000: the chip started and has converted nothing
	weakSupply = "weak-supply" // 127.9375: not enough supply to convert
	probeOpen  = "probe"       // the chip itself says that its probe is open or shorted
	sentinel   = "sentinel"    // absolute zero: the driver's sign for "nothing there"

	// Of the chips we drive ourselves.
	reset       = "reset"        // the settings of a chip that has just got its supply
	config      = "config"       // settings that nobody wrote
	clipped     = "clipped"      // the last code: more than the chip can tell
	notMeasured = "not-measured" // the code of a value that was not measured
	wrongChip   = "wrong-chip"   // somebody else answers at the address
	claimed     = "claimed"      // the kernel's own driver has the chip
	noNode      = "no-node"      // no /dev/i2c-N
	inUse       = "in-use"       // somebody else has the GPIO line
	noPull      = "no-pull"      // the board cannot hold the line
	bounce      = "bounce"       // neither open nor closed
	floating    = "floating"     // nothing holds the line
	slowClock   = "slow-clock"   // a pulse that was too long
	slipped     = "slipped"      // bits were lost on the way
	settling    = "settling"     // switched on a moment ago
	oddPeriod   = "odd-period"   // conversions at another rate than before
	earlyRead   = "early-read"   // a code of a read that came too early
	noPlainI2C  = "smbus-only"   // an adapter that cannot do plain I2C
)

// fault is an error with its word.
type fault struct {
	word string
	err  error
}

func (f *fault) Error() string { return f.err.Error() }
func (f *fault) Unwrap() error { return f.err }

// wordOf is the fault word of an error. hwmon and 1-wire drivers say EIO when a checksum
// fails (sensing.md 4.2); for iio it is any trouble on the bus.
func wordOf(d Driver, err error) string {
	var f *fault
	var no syscall.Errno
	switch {
	case errors.As(err, &f):
		return f.word
	case errors.Is(err, fs.ErrPermission):
		return permission
	case errors.Is(err, fs.ErrNotExist):
		return noFile
	case !errors.As(err, &no):
		return ioError
	}
	switch no {
	case syscall.ENODEV:
		return missing
	case syscall.ETIMEDOUT, syscall.ETIME:
		return timeout
	case errRemoteIO, syscall.ENXIO:
		return nack
	case syscall.EAGAIN, syscall.EBUSY:
		return busy
	case syscall.ENODATA:
		return empty
	case syscall.EBADMSG:
		return crc
	case syscall.EIO:
		if d == Hwmon || d == W1 {
			return crc
		}
	}
	return ioError
}

// errRemoteIO is Linux's EREMOTEIO, which I2C adapters answer when a chip does not
// acknowledge. Its number is written out so that the package also builds elsewhere.
const errRemoteIO = syscall.Errno(121)

// explain says what a fault word means and what to do, naming the likely wire.
func explain(w Wire, word string) (means, do string) {
	wires := wiresOf(w)
	switch {
	case w.Driver == I2C && word == missing:
		return "the kernel has no such I2C adapter", "switch the adapter on in the device tree, and write its name as bus"
	case w.Driver == I2C && word == ambiguous:
		return "the board has several I2C adapters", "write the name of the one the chip hangs on as bus"
	case w.lines() != nil && word == missing:
		return "the kernel has no GPIO line of this name", "look at the name (gpioinfo lists them), at the overlay of a port expander, and at the group gpio of the program's user"
	case w.lines() != nil && word == ambiguous:
		return "several chips have a GPIO line of this name", "write the label of the right one as device (gpiodetect shows it in brackets)"
	}
	switch word {
	case missing:
		return "no such device on the bus",
			"look at " + wires + "; if the wires are right, the kernel's driver for the chip is not loaded or its device-tree overlay is not switched on"
	case ambiguous:
		return "several devices carry this name",
			"give each a label in the device tree and write it as label, or write its bus and address (like 1-0049) as address"
	case noFile:
		return "the device is there but has no such file",
			"list the files below the device and write one of them as attribute"
	case permission:
		return "the program may not read the file",
			"look at the owner and mode of the file and at the groups of the user the program runs as"
	case stuck:
		return "a read that began has not come back",
			"a line of the bus is held down or the chip hangs: look at " + wires + ", then take the supply of the bus away for a minute"
	case held:
		return "another device of the same bus hangs, so this one cannot be asked",
			"mend the device of this bus whose fault is \"stuck\" first; if there is none, start the program anew"
	case timeout, busy:
		return "the chip did not have a value in time", "look at " + wires + " and at the supply of the chip"
	case nack:
		return "nobody answers at the chip's address", "look at " + wires + "; a chip without supply answers nothing either"
	case crc:
		return "the value was damaged on its way",
			"look at " + wires + ": a loose contact, a long or unshielded cable, a missing pull-up, or a cable beside a charger"
	case ioError:
		return "the driver could not talk to the chip", "look at " + wires
	case empty:
		return "the driver gave nothing: its read failed", "look at " + wires
	case garbled:
		return "the file does not hold what the kernel writes", "look at attribute; it must name a number"
	case zeros:
		return "everything read is zero: the data line is shorted to ground, or the chip has no supply", "look at the data wire (SDA, on I2C), first where it is clamped or wet"
	case ones:
		return "every byte is 255: nobody pulls the data line down", "look at " + wires + "; the data or ground wire is likely cut"
	case scratchpad:
		return "bytes that this thermometer cannot hold", "look at the data wire; if all thermometers of this bus read well, replace this one"
	case powerOn:
		return "85.000 is what the chip holds after it starts: it lost its supply and has measured nothing",
			"look at the supply wire of the thermometer; run three wires, not two"
	case weakSupply:
		return "127.94 is what the chip gives when its supply breaks down while it measures",
			"look at the supply wire of the thermometer; run three wires, not two"
	case probeOpen:
		return "the chip says that its probe is open or shorted", "look at the two wires between chip and probe"
	case reset:
		return "the chip had lost its supply and has been set anew; its value in this tick is not believed",
			"look at the supply and ground wires of the chip: a loose contact, or a supply that breaks down when something else starts"
	case config:
		return "the chip does not hold the settings it was given",
			"look whether another program or a kernel driver uses this chip or its address; if not, look at " + wires
	case clipped:
		return "the chip gives its last code: more at its input than it can tell",
			"look at the wires between sensor and chip: a broken signal wire, or one that touches the supply"
	case notMeasured:
		return "the chip gave the code of a value it did not measure", "look at the supply wire of the chip; if it stays, replace the chip"
	case wrongChip:
		return "another kind of chip answers at this address", "write the chip that is there as device, or give this one another address"
	case claimed:
		return "the kernel's own driver has this chip", "write iio or hwmon as driver, or take the chip's overlay out"
	case noNode:
		return "the adapter is there but programs cannot reach it", "load the kernel module i2c-dev, now and at each start"
	case inUse:
		return "another program or driver has this GPIO line", "find it with gpioinfo; a line of a kernel driver or of the sounder cannot be a sensor too"
	case noPull:
		return "the board cannot hold this line up or down", "fit a resistor outside (10 kohm to the supply is common practice, no source) and write pull = none"
	case bounce:
		return "the contact was neither open nor closed for a whole period", "look for a loose wire at the contact, or one that lies beside a pump or charger"
	case floating:
		return "nothing holds the line: its wire is cut, or the circuit outside has no supply", "look at the signal and ground wires of the contact and at its supply"
	case slowClock:
		return "the program was held up within a clock pulse, so the chip may have switched itself off",
			"the board is too busy for this chip: use the kernel's driver (iio), or a bridge ADC on I2C"
	case slipped:
		return "bits were lost between chip and board", "look at the data and clock wires: shorter, twisted with ground, away from chargers"
	case settling:
		return "the chip was switched on a moment ago", "nothing, if it passes; else look at the supply wire of the chip"
	case oddPeriod:
		return "the chip converts at another rate than before", "look at the supply and at the strap of the chip's rate pin"
	case earlyRead:
		return "a code that a bridge does not give: the read came too early, or bits were lost", "look at the data and clock wires: shorter, twisted with ground, away from chargers"
	case noPlainI2C:
		return "this adapter can do SMBus only", "use an adapter that can do plain I2C, or the kernel's driver for the chip"
	case sentinel:
		return "absolute zero: the driver's sign that nothing was measured", "look at " + wires + " and at the probe"
	}
	return "", ""
}

// wiresOf names the wires whose loss looks like this device's silence.
func wiresOf(w Wire) string {
	switch {
	case w.Driver == W1:
		return "the data, ground and supply wires of the thermometer and the pull-up of the data line (4.7 kohm is common practice, no source)"
	case w.Driver == GPIO:
		return "the signal and ground wires of the contact"
	case w.Driver == HX711 || strings.EqualFold(w.Device, hx711):
		return "the chip's data, clock, supply and ground wires"
	case w.Device == undervoltDevice:
		return "the supply of the board"
	}
	return "the chip's SDA, SCL, supply and ground wires (or those of its SPI bus)"
}
