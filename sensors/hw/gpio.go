package hw

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/host/v3/gpioioctl"
)

// Line is one output line. Out may block for as long as the kernel does.
type Line interface {
	Out(on bool) error
}

// OpenSounder takes the GPIO lines of the sounder and, if led is not empty, of its lamp, by
// the names the kernel gives them, and switches both off. invert is for a sounder that is on
// while its line is low; the lamp then is so too. Only the sounder can fail to open: a lamp
// that is not there fails each time it is switched and silences nothing.
//
// Lines go through the kernel's character devices only. periph's other host drivers, one of
// which maps physical memory when run as root (sensing.md 5.2), are not linked in, so the
// start of "all drivers" below is the start of this one.
func OpenSounder(line, led string, invert bool) (sounder, lamp Line, err error) {
	lines, err := allLines(line)
	if err != nil {
		return nil, nil, err
	}
	if sounder, err = openLine(lines, line, invert); err != nil {
		return nil, nil, err
	}
	if led == "" {
		return sounder, nil, nil
	}
	if lamp, err = openLine(lines, led, invert); err != nil {
		lamp = noLine{err}
	}
	return sounder, lamp, nil
}

// FindSounder says whether the kernel has a GPIO line of that name, without touching it: a
// running program may be using it. The error says what there is instead.
func FindSounder(line string) error {
	lines, err := allLines(line)
	if err != nil {
		return err
	}
	_, err = findLine(lines, line)
	return err
}

// allLines lists the lines of all chips; wanted is only for the text of the error.
func allLines(wanted string) ([]chipLine, error) {
	state, err := driverreg.Init()
	if err == nil {
		for _, f := range slices.Concat(state.Failed, state.Skipped) {
			err = errors.Join(err, f.Err)
		}
	}
	var lines []chipLine
	for _, chip := range gpioioctl.Chips {
		for _, l := range chip.Lines() {
			lines = append(lines, l)
		}
	}
	if len(lines) == 0 && err != nil {
		return nil, fmt.Errorf("gpio line %s: %w; is there a /dev/gpiochip*, and may the user of the program open it (group gpio)?", wanted, err)
	}
	return lines, nil
}

// chipLine is a line as periph has it.
type chipLine interface {
	Name() string
	Out(gpio.Level) error
	Close()
}

// outLine is a line in use.
type outLine struct {
	chipLine
	invert bool
}

// noLine is a line that could not be opened.
type noLine struct{ err error }

func (n noLine) Out(bool) error { return n.err }

// openLine takes the one line of that name and switches it off, so that a line that is in
// use elsewhere is known at once and not in the night.
func openLine(lines []chipLine, name string, invert bool) (Line, error) {
	l, err := findLine(lines, name)
	if err != nil {
		return nil, err
	}
	out := &outLine{l, invert}
	if err := out.Out(false); err != nil {
		return nil, err
	}
	return out, nil
}

func findLine(lines []chipLine, name string) (chipLine, error) {
	var names []string
	for _, l := range lines {
		if l.Name() == name && name != "" {
			return l, nil
		}
		if l.Name() != "" && !slices.Contains(names, l.Name()) {
			names = append(names, l.Name())
		}
	}
	if len(names) == 0 {
		return nil, fmt.Errorf("gpio line %s: no such line; the kernel names none", name)
	}
	return nil, fmt.Errorf("gpio line %s: no such line; the kernel names %s", name, strings.Join(names, ", "))
}

// Out switches the line. After an error the line is given back, so that the next call asks
// for it anew: periph would go on with a line that was never set up.
func (o *outLine) Out(on bool) error {
	if err := o.chipLine.Out(gpio.Level(on != o.invert)); err != nil {
		o.Close()
		return fmt.Errorf("gpio line %s: %w", o.Name(), err)
	}
	return nil
}
