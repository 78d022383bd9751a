package hw

import (
	"errors"
	"fmt"
	"time"
)

// Times of the bit-banged bridge ADC (sensing.md 3.1).
const (
	hxPulses  = 25                    // 24 bits, and one that asks for channel A with gain 128
	hxHigh    = 50 * time.Microsecond // the longest a clock pulse may be; from 60 on the chip switches itself off
	hxOff     = 200 * time.Microsecond
	hxWakes   = 20 * time.Millisecond // its first conversion takes 50 ms and more
	hxDiscard = 5                     // conversions after a pulse that was too long
	hxMax     = 1<<23 - 1

	hxLook     = time.Millisecond
	hxPatience = 2 * time.Second // 0.4 s of settling and hxDiscard conversions, and once more

	// A conversion takes 85.6 to 100 ms or 10.7 to 12.5 ms, by how the chip is strapped; its
	// period may be so far off what it was.
	hxOdd     = 0.3
	hxRelearn = 8 // reads in a row that end with an odd period, before it is learned anew
)

// The bands a period may lie in, wider than the two rates by hxOdd.
var hxBands = [2][2]time.Duration{{7500 * time.Microsecond, 16 * time.Millisecond}, {60 * time.Millisecond, 130 * time.Millisecond}}

// hx711Lines is an hx711 on two GPIO lines, for boards without its kernel driver, which is the
// better choice: it cannot be interrupted within a pulse. In a program one read in thirty has
// a pulse that is too long (sensing.md 3.1), so each pulse is timed, and a value is taken only
// between two conversions whose beginnings were seen.
type hx711Lines struct {
	data, clock pin
	period      time.Duration // learned; 0 until then
	odd         int           // reads in a row that ended with an odd period
	skip        int           // conversions to be thrown away
	fell        time.Time     // when the conversion before was ready; zero if that was not seen
}

func openHX711(p pins, w Wire) (*hx711Lines, error) {
	at, err := findPin(p, w.Device, w.Clock)
	if err != nil {
		return nil, err
	}
	from, err := findPin(p, w.Device, w.Data)
	if err != nil {
		return nil, err
	}
	h := &hx711Lines{}
	if h.clock, err = p.output(at, false); err != nil {
		return nil, lineTrouble(err)
	}
	// Held up, so that a chip that is not there is never ready; held down it would be ready
	// with zeros (sensing.md 5.1).
	if h.data, err = p.input(from, true); err != nil {
		h.clock.close()
		return nil, lineTrouble(err)
	}
	if err := h.restart(); err != nil {
		h.close()
		return nil, err
	}
	return h, nil
}

func (h *hx711Lines) close() {
	h.clock.close()
	h.data.close()
}

// restart switches the chip off and on, whatever it was doing.
func (h *hx711Lines) restart() error {
	h.skip, h.fell = hxDiscard, time.Time{}
	if err := h.clock.set(true); err != nil {
		return err
	}
	time.Sleep(hxOff)
	if err := h.clock.set(false); err != nil {
		return err
	}
	time.Sleep(hxWakes) // a line that lies on ground is "ready" at once, again and again
	return nil
}

// read is the newest conversion in signed counts. What goes wrong is tried again until its
// patience ends, and then is the fault.
func (h *hx711Lines) read() (float64, string, error) {
	until := time.Now().Add(hxPatience)
	h.fell = time.Time{} // the conversions since the last read were not seen
	var wrong error
	forgiven := false
	for {
		at, seen, err := h.ready(until)
		if err != nil {
			var f *fault
			if wrong != nil && errors.As(err, &f) {
				err = wrong
			}
			h.relearn(err)
			return 0, "", err
		}
		code, err := h.shift()
		raw := fmt.Sprint(code)
		var f *fault
		switch {
		case errors.As(err, &f):
			if !seen && !forgiven && f.word == slipped {
				forgiven = true
				continue // it came while the chip was putting a new value there
			}
			wrong = err
			if err := h.restart(); err != nil {
				return 0, raw, err
			}
			continue
		case err != nil:
			return 0, raw, err
		case !seen && !h.fell.IsZero():
			wrong = &fault{oddPeriod, fmt.Errorf("a conversion within %s of the one before, %s was expected", at.Sub(h.fell), h.expected())}
			h.fell = time.Time{}
			continue
		case !seen:
			continue
		}
		gap := at.Sub(h.fell)
		first := h.fell.IsZero()
		h.fell = at
		switch {
		case first:
		case h.skip > 0:
			h.skip--
			h.learn(gap)
			if wrong == nil {
				wrong = &fault{settling, errors.New("the chip was switched on a moment ago")}
			}
		case !h.learn(gap):
			wrong = &fault{oddPeriod, fmt.Errorf("%s between two conversions, %s was expected", gap, h.expected())}
		default:
			h.odd = 0
			return float64(code), raw, h.judge(code)
		}
	}
}

// ready waits until the chip pulls its data line down, and says whether that was seen.
func (h *hx711Lines) ready(until time.Time) (at time.Time, seen bool, err error) {
	if !h.fell.IsZero() {
		time.Sleep(h.period * 2 / 3)
	}
	for {
		late := time.Now().After(until)
		high, err := h.data.level()
		switch {
		case err != nil:
			return at, seen, err
		case !high && !late:
			return time.Now(), seen, nil
		case late:
			return at, seen, &fault{timeout, fmt.Errorf("the data line was expected to fall within %s and did not", hxPatience)}
		}
		seen = true
		time.Sleep(hxLook)
	}
}

// shift clocks one conversion out. A bit stands on the data line until the next pulse, so it
// is read between the pulses, which keeps them short. A lost pulse shows only where the last
// bit is 0, and one too many never; the core refuses what either makes of a weight as a spike.
func (h *hx711Lines) shift() (int32, error) {
	var bits uint32
	for range hxPulses {
		began := time.Now()
		if err := h.clock.set(true); err != nil {
			return 0, err
		}
		if err := h.clock.set(false); err != nil {
			return 0, err
		}
		if high := time.Since(began); high > hxHigh {
			return 0, &fault{slowClock, fmt.Errorf("a clock pulse took up to %s, %s is allowed", high, hxHigh)}
		}
		high, err := h.data.level()
		if err != nil {
			return 0, err
		}
		bits <<= 1
		if high {
			bits |= 1
		}
	}
	code := int32(bits>>1<<8) >> 8
	switch {
	case bits == 0:
		return 0, &fault{zeros, fmt.Errorf("all %d bits are low, and the line stays low after them", hxPulses)}
	case bits&1 == 0:
		return code, &fault{slipped, fmt.Errorf("the data line was expected to be high after pulse %d and is low; code %d", hxPulses, code)}
	}
	return code, nil
}

// learn takes a period, and says whether it is like those before.
func (h *hx711Lines) learn(gap time.Duration) bool {
	if h.period == 0 {
		for _, b := range hxBands {
			if gap >= b[0] && gap <= b[1] {
				h.period = gap
				return true
			}
		}
		return false
	}
	if off := (gap - h.period).Abs(); float64(off) > hxOdd*float64(h.period) {
		return false
	}
	h.period += (gap - h.period) / 8
	return true
}

// relearn forgets the period when it has been another one for long.
func (h *hx711Lines) relearn(err error) {
	var f *fault
	if !errors.As(err, &f) || f.word != oddPeriod {
		return
	}
	if h.odd++; h.odd >= hxRelearn {
		h.period, h.odd = 0, 0
	}
}

// expected is the period for the text of a fault.
func (h *hx711Lines) expected() string {
	if h.period == 0 {
		return "one of 10 or 80 a second"
	}
	return h.period.Truncate(100 * time.Microsecond).String()
}

// judge names the codes that are no weights (sensing.md 3.1). A code that stands still is for
// the core to find, as with every bridge.
func (h *hx711Lines) judge(code int32) error {
	switch {
	case code == hxMax || code == -hxMax-1:
		return &fault{clipped, fmt.Errorf("code %d: the bridge gives more than the chip can tell", code)}
	case code == 0 || code == -1 || code >= 255 && code&(code+1) == 0:
		return &fault{earlyRead, fmt.Errorf("code %d: what a read gives that came too early or lost its place", code)}
	}
	return nil
}
