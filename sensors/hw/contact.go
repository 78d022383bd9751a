package hw

import (
	"errors"
	"fmt"
	"syscall"
	"time"
)

const (
	// contactEvery and contactAgree debounce: a level counts when it was seen twice, 40 ms
	// apart. Contacts bounce for a few milliseconds, and a gloved press lasts a tenth of a
	// second and more (common practice, no source).
	contactEvery = 40 * time.Millisecond
	contactAgree = 2

	// floatSettle is how long a line with 1 nF of cable on it needs to follow a pull of some
	// 50 kohm, twenty times over.
	floatSettle = time.Millisecond
)

// contact is a digital input: an alarm's own output, a heater's call, a button. It is looked
// at far more often than it is told, so that a press between two ticks is not lost.
//
// A cut wire cannot be told from an open contact where the board itself holds the line. Wire an
// alarm's contact so that it opens on alarm, or let the circuit outside hold the line and say
// so (PullNone): a line that then follows the board's weak pull up and down is held by nobody.
type contact struct {
	pin    pin
	level  bool
	n      int       // equal levels in a row
	agreed time.Time // when there were last enough of them
	told   bool      // there was news before
	value  float64   // in it
	toldAt time.Time
}

// openContact takes the line.
func openContact(p pins, w Wire, now time.Time) (*contact, error) {
	at, err := findPin(p, w.Device, w.Line)
	if err != nil {
		return nil, err
	}
	line, err := p.input(at, w.Pull != PullDown)
	if err != nil {
		return nil, lineTrouble(err)
	}
	return &contact{pin: line, agreed: now}, nil
}

// lineTrouble puts what the kernel says of taking or setting a line into words of our own.
func lineTrouble(err error) error {
	switch {
	case errors.Is(err, syscall.EBUSY):
		return &fault{inUse, err}
	case errors.Is(err, syscall.EOPNOTSUPP), errors.Is(err, syscall.EINVAL), errors.Is(err, errNotSupported):
		return &fault{noPull, err}
	}
	return err
}

// errNotSupported is the kernel's own ENOTSUPP, which drivers let slip out.
const errNotSupported = syscall.Errno(524)

// sample looks once. There is news when the contact changed, and once in each period.
func (c *contact) sample(w Wire, now time.Time) (value float64, news bool, err error) {
	high, err := c.pin.level()
	if err != nil {
		return 0, true, err
	}
	if c.n == 0 || high != c.level {
		c.level, c.n = high, 0
	}
	c.n++
	due := now.Sub(c.toldAt) >= w.Period-contactEvery/2 // a look a little early is the one that is due
	if c.n < contactAgree {
		if now.Sub(c.agreed) < max(w.Period, time.Second) || !due {
			return 0, false, nil
		}
		c.toldAt = now
		return 0, true, &fault{bounce, fmt.Errorf("neither open nor closed for %s", now.Sub(c.agreed).Truncate(time.Millisecond))}
	}
	c.agreed = now
	if high != w.Invert {
		value = 1
	}
	if c.told && value == c.value && !due {
		return 0, false, nil
	}
	if w.Pull == PullNone {
		if err := c.held(); err != nil {
			c.toldAt, c.told = now, false
			return 0, true, err
		}
	}
	c.told, c.value, c.toldAt = true, value, now
	return value, true, nil
}

// held pulls the line down and up and sees whether it gives way.
func (c *contact) held() error {
	var follows [2]bool
	for i, up := range []bool{false, true} {
		if err := c.pin.pull(up); err != nil {
			return lineTrouble(err)
		}
		time.Sleep(floatSettle)
		high, err := c.pin.level()
		if err != nil {
			return err
		}
		follows[i] = high == up
	}
	if follows == [2]bool{true, true} {
		return &fault{floating, errors.New("the line follows the board's weak pull, so nothing outside holds it")}
	}
	return nil
}
