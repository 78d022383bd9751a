package hw

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"periph.io/x/conn/v3/i2c"

	"frostline/sensors"
)

const (
	// stuckAfter is how long one read may take. The slowest honest ones are a bit-banged
	// bridge that gives up after 1 s and a 1-wire conversion of 0.75 s (sensing.md 3.2, 4.2).
	stuckAfter = 3 * time.Second

	logEvery  = time.Hour   // a fault that goes on is said again this often
	calmAfter = time.Minute // without a fault before it is said to have ended: a loose contact is one fault
)

// rig is everything that was opened for one wiring. Each bus has a goroutine of its own,
// because the kernel makes a reader wait for as long as a device likes.
type rig struct {
	fs   sysfs
	dial func(node, name string) i2c.Bus
	pins pins
	log  *slog.Logger
	stop chan struct{}

	mu    sync.Mutex      // guards all below; never held while a device is asked
	chips map[string]chip // what is in one is its bus's alone
	leads []*lead
	buses map[string]*bus
	old   map[string]*bus // of the wiring before, as they may still be inside a read
}

// lead is one wire and what was last heard over it.
type lead struct {
	Wire
	at       int  // place in the readings
	optional bool // a device that need not be there

	bus     *bus
	dev     device      // written by its bus alone, as are the next two
	contact *contact    // gpio: nil while the line is not ours
	bridge  *hx711Lines // hx711: likewise

	due   time.Time
	heard outcome
	fresh bool      // not yet taken by a Read
	said  time.Time // when a Read last took something

	logged string    // fault that is being reported, empty if none
	lineAt time.Time // of the last line about it
	badAt  time.Time // when the fault was last seen
}

// outcome is what one read brought.
type outcome struct {
	at      time.Time
	where   string
	raw     string
	reading sensors.Reading
	err     error
}

// bus asks its leads one after another. The bus without a key looks for devices that were
// not found; it asks none of them anything, so it cannot hang.
type bus struct {
	key   string
	poke  chan struct{} // a lead has come over
	done  chan struct{} // closed when the goroutine has left its last read
	leads []*lead

	asking *lead     // whose read is under way
	since  time.Time // when it began; zero if none is under way
}

const nowhere = "" // key of the bus of devices that were not found

func newRig(o Options, old map[string]*bus) *rig {
	return &rig{fs: sysfs{o.Root, o.read}, dial: o.dial, pins: o.pins, log: o.Log, stop: make(chan struct{}),
		chips: map[string]chip{}, buses: map[string]*bus{}, old: old}
}

// start begins the reading: each device on the bus where it is now.
func (r *rig) start() {
	now := time.Now()
	for _, l := range r.leads {
		dev, err := r.locate(l.Wire, device{})
		key := nowhere
		if err == nil {
			l.dev, key = dev, dev.bus
		}
		l.due = now
		l.said = now
		r.mu.Lock()
		r.give(l, key)
		r.mu.Unlock()
	}
}

// give puts a lead on a bus and begins that bus if it is a new one. Called with the lock.
func (r *rig) give(l *lead, key string) {
	b := r.buses[key]
	if b == nil {
		b = &bus{key: key, poke: make(chan struct{}, 1), done: make(chan struct{})}
		r.buses[key] = b
		var before <-chan struct{}
		if o := r.old[key]; o != nil {
			before, b.since = o.done, time.Now()
		}
		go r.run(b, before)
	}
	l.bus = b
	b.leads = append(b.leads, l)
	select {
	case b.poke <- struct{}{}:
	default:
	}
}

// run is the goroutine of one bus. It first waits until the bus's former goroutine has come
// back: a read that hangs cannot be ended, and each new one would cost another thread.
func (r *rig) run(b *bus, before <-chan struct{}) {
	defer close(b.done)
	defer r.letGo(b)
	if before != nil {
		<-before
		r.mu.Lock()
		b.since = time.Time{}
		r.mu.Unlock()
	}
	wake := time.NewTimer(0)
	defer wake.Stop()
	for {
		select {
		case <-r.stop:
			return
		default:
		}
		l, wait := r.next(b)
		if l != nil {
			r.serve(b, l)
			continue
		}
		wake.Reset(wait)
		select {
		case <-r.stop:
			return
		case <-b.poke:
		case <-wake.C:
		}
	}
}

// next picks the lead that has waited longest, or says how long none is due.
func (r *rig) next(b *bus) (*lead, time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	var first *lead
	for _, l := range b.leads {
		if first == nil || l.due.Before(first.due) {
			first = l
		}
	}
	now := time.Now()
	switch {
	case first == nil:
		return nil, logEvery // poked when one comes
	case first.due.After(now):
		return nil, first.due.Sub(now)
	}
	b.asking, b.since = first, now
	return first, 0
}

// locate is where the wire's device is now, and last where it was at the last read.
func (r *rig) locate(w Wire, last device) (device, error) {
	switch {
	case w.lines() == nil:
		return r.fs.locate(w, last)
	case last.bus != "": // a line in use stays where it is
		return last, nil
	}
	return onPins(r.pins, w)
}

// letGo gives back the lines of a bus, so that another wiring can take them.
func (r *rig) letGo(b *bus) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, l := range b.leads {
		l.letGo()
	}
}

func (l *lead) letGo() {
	if l.contact != nil {
		l.contact.pin.close()
		l.contact = nil
	}
	if l.bridge != nil {
		l.bridge.close()
		l.bridge = nil
	}
}

// serve asks one lead, or hands it to the bus where its device turned up.
func (r *rig) serve(b *bus, l *lead) {
	dev, err := r.locate(l.Wire, l.dev)
	r.mu.Lock()
	l.dev = dev
	r.mu.Unlock()
	var got outcome
	news, every := true, l.Period
	switch {
	case err != nil:
		got = l.failed(dev, "", err)
	case dev.bus != b.key:
	case l.Driver == GPIO:
		if got, news = r.sample(l, dev); got.err == nil {
			every = min(contactEvery, l.Period)
		}
	default:
		got = r.ask(l, dev)
	}
	r.mu.Lock()
	b.asking, b.since = nil, time.Time{}
	if err == nil && dev.bus != b.key {
		b.leads = slices.DeleteFunc(b.leads, func(x *lead) bool { return x == l })
		r.give(l, dev.bus)
		r.mu.Unlock()
		return
	}
	// A bus that cannot keep up stays fair: a lead is not due before it was asked.
	l.due = l.due.Add(every)
	if l.due.Before(got.at) {
		l.due = got.at
	}
	if !news {
		r.mu.Unlock()
		return
	}
	if got.err != nil {
		l.dev = device{} // looked for anew next time
	}
	if l.Driver != GPIO || !l.fresh || l.heard.reading != sensors.Of(1) { // a press no tick has seen yet is kept
		l.heard, l.fresh = got, true
	}
	say := l.note(got.at, got.reading.Fault, got.err, r.log)
	r.mu.Unlock()
	say()
}

// ask reads the device. It may block for as long as the driver likes.
func (r *rig) ask(l *lead, dev device) outcome {
	var v float64
	var raw string
	var err error
	switch l.Driver {
	case IIO:
		v, raw, err = readIIO(r.fs, l.Wire, dev)
	case Hwmon:
		v, raw, err = readHwmon(r.fs, l.Wire, dev)
	case W1:
		v, raw, err = readW1(r.fs, l.Wire, dev)
	case I2C:
		var c chip
		if c, err = r.chipAt(l.Wire, dev); err == nil {
			v, raw, err = c.read(l.chipInput())
		}
	case HX711:
		if l.bridge == nil {
			l.bridge, err = openHX711(r.pins, l.Wire)
		}
		if err == nil {
			v, raw, err = l.bridge.read()
		}
		if f := (*fault)(nil); err != nil && l.bridge != nil && !errors.As(err, &f) {
			l.letGo() // the lines themselves failed
		}
	}
	if err == nil && quantityOf(l.Channel) == celsiusQ && v <= lowestC {
		err = &fault{sentinel, fmt.Errorf("%g °C is the driver's sign that nothing was measured", v)}
	}
	if errors.Is(err, os.ErrNotExist) && !exists(filepath.Join(r.fs.root, dev.dir)) {
		err = &fault{missing, fmt.Errorf("it was taken away while it was read: %w", err)}
	}
	if err != nil {
		return l.failed(dev, raw, err)
	}
	return outcome{at: time.Now(), where: dev.place(), raw: raw, reading: sensors.Of(v * l.gain())}
}

// sample looks at a contact, and says whether there is something to tell.
func (r *rig) sample(l *lead, dev device) (got outcome, news bool) {
	now := time.Now()
	var v float64
	var err error
	if l.contact == nil {
		l.contact, err = openContact(r.pins, l.Wire, now)
	}
	news = err != nil
	if err == nil {
		v, news, err = l.contact.sample(l.Wire, now)
	}
	if f := (*fault)(nil); err != nil && !errors.As(err, &f) {
		l.letGo()
	}
	if err != nil {
		return l.failed(dev, "", err), true
	}
	raw := "low"
	if l.contact.level {
		raw = "high"
	}
	return outcome{at: now, where: dev.place(), raw: raw, reading: sensors.Of(v)}, news
}

// lowestC is just above absolute zero, -273.15 °C, which drivers write for "not measured" as
// -273150 m°C or cut to whole degrees (sensing.md 4.2).
const lowestC = -273

// failed is the outcome of a read that brought no value.
func (l *lead) failed(dev device, raw string, err error) outcome {
	got := outcome{at: time.Now(), where: dev.place(), raw: raw}
	word := wordOf(l.Driver, err)
	if word == missing && l.optional {
		return got
	}
	got.reading, got.err = sensors.Fault(word), fmt.Errorf("%s: %w", l.name(), err)
	return got
}

// blocked is the fault of a lead whose bus is inside a read that has lasted too long.
func (l *lead) blocked(now time.Time) string {
	b := l.bus
	switch {
	case b.since.IsZero() || now.Sub(b.since) <= stuckAfter:
		return ""
	case b.asking == l:
		return stuck
	}
	return held
}

// blockedErr is the error behind a blocked word.
func (l *lead) blockedErr(word string, now time.Time) error {
	means, _ := explain(l.Wire, word)
	return fmt.Errorf("%s: %s (%s long so far)", l.name(), means, now.Sub(l.bus.since).Truncate(time.Second))
}

// collect moves what has arrived into the readings. A lead that is kept waiting says so
// once each period.
func (r *rig) collect(now time.Time, into []sensors.Reading) {
	var says []func()
	r.mu.Lock()
	for _, l := range r.leads {
		switch word := l.blocked(now); {
		case l.fresh:
			into[l.at], l.fresh, l.said = l.heard.reading, false, now
		case word != "" && now.Sub(l.said) >= l.Period:
			into[l.at], l.said = sensors.Fault(word), now
			says = append(says, l.note(now, word, l.blockedErr(word, now), r.log))
		}
	}
	r.mu.Unlock()
	for _, say := range says {
		say()
	}
}

// note decides whether a reading is worth a line in the log: when a fault starts or becomes
// another, once an hour while it lasts, and when it has been gone for a while. What it
// returns writes the line; it is called without the lock, as a log may block.
func (l *lead) note(now time.Time, word string, err error, log *slog.Logger) func() {
	if word == "" {
		if l.logged != "" && now.Sub(l.badAt) >= max(calmAfter, l.Period) {
			l.logged = ""
			return func() { log.Info("sensor reads again", "sensor", l.Channel) }
		}
		return func() {}
	}
	l.badAt = now
	since := now.Sub(l.lineAt)
	if l.logged != "" && since < logEvery && (word == l.logged || since < calmAfter) {
		return func() {}
	}
	l.logged, l.lineAt = word, now
	_, do := explain(l.Wire, word)
	return func() { log.Warn("sensor does not read", "sensor", l.Channel, "err", fmt.Errorf("%w; %s", err, do)) }
}
