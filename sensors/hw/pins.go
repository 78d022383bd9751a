package hw

import (
	"fmt"
	"slices"
	"strings"
)

// pin is a GPIO line in use.
type pin interface {
	level() (high bool, err error)
	set(high bool) error
	pull(up bool) error // of an input: held to the supply, or else to ground
	close()
}

// pins gives out GPIO lines; those of a test are models. A line is asked for its level and
// never for its edges: the kernel keeps them in a queue, so that old ones are taken for new
// (sensing.md 5.1).
type pins interface {
	chips() ([]gpioChip, error)
	input(at pinPlace, up bool) (pin, error)
	output(at pinPlace, high bool) (pin, error)
}

// gpioChip is a chip of GPIO lines as the kernel has it.
type gpioChip struct {
	node, name, label string
	lines             []string // by number; empty for one without a name
}

// pinPlace is where a line was found.
type pinPlace struct {
	node   string
	number int
	shown  string
}

// findPin finds a line by its name, on the chip with that label if one is given. A line
// without a name cannot be found: what its number means changes from board to board.
func findPin(p pins, label, line string) (pinPlace, error) {
	chips, err := p.chips()
	if err != nil {
		return pinPlace{}, err
	}
	var names []string
	var found []pinPlace
	for _, c := range chips {
		for i, name := range c.lines {
			if name == line && name != "" && (label == "" || label == c.label || label == c.name) {
				found = append(found, pinPlace{c.node, i, c.label + " " + line})
			}
			if name != "" {
				names = append(names, name)
			}
		}
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		var at []string
		for _, f := range found {
			at = append(at, f.shown)
		}
		return pinPlace{}, &fault{ambiguous, fmt.Errorf("several lines carry the name %s: %s; write the label of the chip as device", line, strings.Join(at, ", "))}
	}
	list := "none"
	if len(names) > 0 {
		slices.Sort(names)
		list = strings.Join(slices.Compact(names), ", ")
	}
	return pinPlace{}, &fault{missing, fmt.Errorf("no line %s; the kernel names %s", strings.TrimSpace(label+" "+line), list)}
}

// lines are the GPIO lines a wire needs.
func (w Wire) lines() []string {
	switch w.Driver {
	case GPIO:
		return []string{w.Line}
	case HX711:
		return []string{w.Data, w.Clock}
	}
	return nil
}

// onPins finds the lines of a wire. Contacts of one chip share a bus; a bridge, whose pulses
// must not wait, has its own.
func onPins(p pins, w Wire) (device, error) {
	var d device
	for _, line := range w.lines() {
		at, err := findPin(p, w.Device, line)
		if err != nil {
			return device{}, err
		}
		d.where = strings.TrimSpace(d.where + " " + at.shown)
		d.bus = "gpio " + at.node
	}
	if w.Driver == HX711 {
		d.bus = "hx711 " + d.where
	}
	return d, nil
}
