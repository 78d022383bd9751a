// Package hw reads real sensors: through the kernel's own drivers, which are industrial I/O,
// hardware monitoring and 1-wire below a sysfs root that a test may make up, and without one
// a few chips on I2C, a bridge ADC on two GPIO lines, and contacts. It also drives the GPIO
// lines of sounder and lamp.
//
// A [Board] has one goroutine per bus, since the kernel makes a reader wait for as long as
// the device likes: a thermometer takes 750 ms, a hung bus for ever. [Board.Read] takes what
// has arrived and waits for nothing. A dead device is never an error here. It shows as a Bad
// reading with a fault word, each period, until it is mended; a device that comes back under
// another number is found again by its name.
//
// Values are raw: volts, °C, kPa, percent or counts as the chip gave them. What they are
// worth is judged in the core. Nothing is ever written to sysfs.
package hw

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"sync"
	"syscall"
	"time"

	"periph.io/x/conn/v3/i2c"

	"frostline/sensors"
)

// Options says what a board reads.
type Options struct {
	Root   string         // of sysfs; empty is /sys
	Wires  []Wire         // how each channel is read
	Wiring sensors.Wiring // the order of the readings; it may hold channels without a wire
	Log    *slog.Logger   // nil logs nothing

	read  func(path string) ([]byte, error) // nil reads files
	clock func() sensors.Reading            // nil asks the kernel
	dial  func(node, name string) i2c.Bus   // nil opens the kernel's adapters
	pins  pins                              // nil takes the kernel's lines
}

// Board is the sensors of one van. Read and Rewire belong to one goroutine, the tick loop;
// Probe and Close may be called from others.
type Board struct {
	opened time.Time

	mu      sync.Mutex
	rig     *rig
	clock   func() sensors.Reading
	clockAt int // place of clock_synced in the readings, -1 if it is not wired
	clockIn time.Duration
	clockUp time.Duration // of its next reading
	closed  bool
}

// Open starts reading. The error is about options that can never work; whether the devices
// are there shows in the readings.
func Open(o Options) (*Board, error) {
	b := &Board{opened: time.Now()}
	if err := b.Rewire(o); err != nil {
		return nil, err
	}
	return b, nil
}

// Rewire reads other wires from now on, as after a changed configuration. Up goes on. On an
// error the old wires do.
func (b *Board) Rewire(o Options) error {
	leads, err := o.leads()
	if err != nil {
		return err
	}
	if o.Root == "" {
		o.Root = "/sys"
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.read == nil {
		o.read = readAttribute
	}
	if o.dial == nil {
		o.dial = dialKernel
	}
	if o.pins == nil {
		o.pins = kernelPins{}
	}
	if o.clock == nil {
		o.clock = func() sensors.Reading { return clockSynced(adjtimex, runDir) }
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return errors.New("board: it is closed")
	}
	var old map[string]*bus
	if b.rig != nil {
		old = b.rig.end()
	}
	b.rig = newRig(o, old)
	b.rig.leads = leads
	b.clock = o.clock
	if b.clockAt = o.Wiring.Index(sensors.ClockSynced); b.clockAt >= 0 {
		b.clockIn, b.clockUp = o.Wiring[b.clockAt].Period, 0
	}
	b.rig.start()
	return nil
}

// leads checks the wires against the wiring, all of them before it complains.
func (o Options) leads() ([]*lead, error) {
	var leads []*lead
	var errs []error
	add := func(w Wire, optional bool) {
		l := &lead{Wire: w, at: o.Wiring.Index(w.Channel), optional: optional}
		var err error
		switch {
		case l.at < 0:
			err = errors.New("it is not among the channels the van has")
		case w.Period <= 0:
			err = errors.New("its period must be longer than nothing")
		case w.Channel.IsHealth() && !optional:
			err = errors.New("the program fills it in by itself")
		default:
			err = w.Check()
		}
		for _, x := range leads {
			if x.Channel == w.Channel {
				err = errors.New("it is wired twice")
			}
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("board: %s: %w", w.Channel, err))
			return
		}
		leads = append(leads, l)
	}
	for _, w := range o.Wires {
		add(w, false)
	}
	if i := o.Wiring.Index(sensors.BoardUndervolt); i >= 0 {
		add(Wire{Channel: sensors.BoardUndervolt, Period: o.Wiring[i].Period, Driver: Hwmon, Device: undervoltDevice}, true)
	}
	return leads, errors.Join(errs...)
}

// Read fills in what has arrived since the Read before, in the order of the wiring; into is
// as long as the wiring. A channel that has nothing new keeps what into held, which the tick
// loop has cleared to Missing. It waits for no device, so the context is not needed. After
// Close it returns [io.EOF].
func (b *Board) Read(_ context.Context, into []sensors.Reading) (sensors.Stamp, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return sensors.Stamp{}, io.EOF
	}
	now := time.Now()
	stamp := sensors.Stamp{Up: now.Sub(b.opened), Wall: now.UTC().Round(0)}
	b.rig.collect(now, into)
	if b.clockAt >= 0 && stamp.Up >= b.clockUp {
		into[b.clockAt] = b.clock()
		b.clockUp = stamp.Up + b.clockIn
	}
	return stamp, nil
}

// Close stops the reading. It does not wait for a read that hangs: nothing can end one, and
// it changes nothing any more.
func (b *Board) Close() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.closed {
		b.closed = true
		b.rig.end()
	}
}

// end stops the buses and returns those a new rig must wait for.
func (r *rig) end() map[string]*bus {
	close(r.stop)
	r.mu.Lock()
	defer r.mu.Unlock()
	last := maps.Clone(r.buses) // a bus of ours may still be handing a lead to another
	for key, b := range r.old {
		if last[key] == nil {
			last[key] = b // nobody used this bus in between; it may hang still
		}
	}
	delete(last, nowhere) // it never hangs, and its key is no place
	return last
}

// runDir is where the time service says that it has set the clock.
const runDir = "/run"

// clockSynced is 1 if the wall clock is known to be right: the kernel's own flag says that
// something steers it, or the system's time service has set it since boot. The kernel's flag
// is cleared some hours after the network is gone; the service's file stays, and a board
// drifts by seconds a day, which nights do not mind. The flag alone would miss a hardened
// unit: ProtectClock refuses the call that reads it, as the same call can set the clock.
// With neither a file's folder nor the flag nobody knows, and that is a fault.
func clockSynced(adjtimex func() (synced bool, err error), run string) sensors.Reading {
	service := run + "/systemd/timesync"
	if exists(service + "/synchronized") {
		return sensors.Of(1)
	}
	synced, err := adjtimex()
	switch {
	case err == nil && synced:
		return sensors.Of(1)
	case err == nil || exists(service):
		return sensors.Of(0)
	case errors.Is(err, syscall.EPERM):
		return sensors.Fault(permission)
	}
	return sensors.Fault(ioError)
}
