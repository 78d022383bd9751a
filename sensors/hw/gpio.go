package hw

import "fmt"

// Line is one output line. Out may block for as long as the kernel does.
type Line interface {
	Out(on bool) error
}

// OpenSounder takes the GPIO lines of the sounder and, if led is not empty, of its lamp, by
// the names the kernel gives them, and switches both off. invert is for a sounder that is on
// while its line is low; the lamp then is so too. Only the sounder can fail to open: a lamp
// that is not there fails each time it is switched and silences nothing.
func OpenSounder(line, led string, invert bool) (sounder, lamp Line, err error) {
	return openSounder(kernelPins{}, line, led, invert)
}

func openSounder(p pins, line, led string, invert bool) (sounder, lamp Line, err error) {
	// Taken at once, so that a line that is in use elsewhere is known now and not in the night.
	horn := &outLine{pins: p, name: line, invert: invert}
	if err := horn.Out(false); err != nil {
		return nil, nil, err
	}
	if led == "" {
		return horn, nil, nil
	}
	light := &outLine{pins: p, name: led, invert: invert}
	_ = light.Out(false) // said when it is switched
	return horn, light, nil
}

// FindSounder says whether the kernel has a GPIO line of that name, without touching it: a
// running program may be using it. The error says what there is instead.
func FindSounder(line string) error {
	_, err := findOutput(kernelPins{}, line)
	return err
}

func findOutput(p pins, line string) (pinPlace, error) {
	at, err := findPin(p, "", line)
	if err != nil {
		return at, fmt.Errorf("gpio line %s: %w", line, err)
	}
	return at, nil
}

// outLine is an output line. After an error it is given back, and taken anew by the next call.
type outLine struct {
	pins   pins
	name   string
	invert bool
	pin    pin // nil while it is not ours
}

// Out switches the line.
func (o *outLine) Out(on bool) error {
	if o.pin == nil {
		at, err := findOutput(o.pins, o.name)
		if err != nil {
			return err
		}
		p, err := o.pins.output(at, on != o.invert)
		if err != nil {
			return fmt.Errorf("gpio line %s: %w", o.name, err)
		}
		o.pin = p
		return nil
	}
	if err := o.pin.set(on != o.invert); err != nil {
		o.pin.close()
		o.pin = nil
		return fmt.Errorf("gpio line %s: %w", o.name, err)
	}
	return nil
}
