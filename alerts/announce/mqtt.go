// Package announce carries alarms and values out of the process: to an MQTT broker
// ([MQTT]) as a Homie 5 device with one CloudEvents message per alarm transition, to a
// webhook or by mail ([Courier]), and to a sounder and a lamp ([Buzzer]).
//
// All take snapshots and never hold up the tick loop. None decides anything: what is an
// alarm, what sounds and whether it is quiet hours is in the snapshot. The sounder needs
// nothing but its line; the others may be away for a week.
package announce

import (
	"context"
	"crypto/tls"
	"log/slog"
	"math/rand/v2"
	"net/url"
	"sync/atomic"
	"time"

	"frostline/daemon/core"
	"frostline/sensors"
)

// Outbox is the store's durable queue of alarm transitions, as this package needs it. A
// row stays until Delivered; path names who asks, since every way out of the process has a
// place of its own in the queue.
type Outbox interface {
	// Next returns up to max rows that path has not delivered, oldest first.
	Next(ctx context.Context, path string, max int) ([]core.OutboxRow, error)
	// Delivered tells that path needs the row no more.
	Delivered(ctx context.Context, path string, id int64) error
	// Wake receives after rows were added for path.
	Wake(path string) <-chan struct{}
	// Committed waits until the events of a tick of this boot are on the disk. An error
	// says that they are not.
	Committed(ctx context.Context, tick uint64) error
}

// Options is what [NewMQTT] needs.
type Options struct {
	Broker       string // mqtt://host[:port] on this machine, mqtts://host[:port] anywhere
	DeviceID     string // Homie device and MQTT client id: a-z, 0-9, hyphens
	Domain       string // first segment of the Homie topics; "" is homie
	EventsBase   string // alarm transitions go to EventsBase/alarm; "" is frostline/<device-id>/events
	User         string
	PasswordFile string // one line; a systemd credential is such a file
	CAFile       string // PEM; "" takes the system's authorities
	CertFile     string // PEM client certificate, with KeyFile
	KeyFile      string
	Outbox       Outbox // nil: transitions are kept in memory alone and say so
	// Command takes an operator's command and returns once it is kept. nil: nothing can be set.
	Command func(context.Context, core.Command) error
	Log     *slog.Logger
	Version string
}

// MQTT is the device on the broker. One goroutine, [MQTT.Run], does all of its work.
type MQTT struct {
	opt      Options
	broker   *url.URL
	tls      *tls.Config // nil: plain, on this machine only
	password string
	device   device
	events   string // topic of alarm transitions
	times    times

	*queue
	setting chan struct{} // holds a token while a command is taken: one at a time
	mirror  atomic.Bool   // a set was accepted: say its value even if it is the same
	up      atomic.Bool   // the broker answers and knows all

	published map[string]published // what this connection said, by topic; Run's own
	gripe     gripe
}

type published struct {
	payload string
	at      time.Time
}

// times are the limits of waiting; tests shorten them.
type times struct {
	connect, write, ack, commit, keepAlive, retryMin, retryMax, goodbye time.Duration
}

// defaultTimes: connect, write and ack as measured in libraries.md 2.3; commit is the
// silence after which the store counts as refusing (layout.md, Flow); the broker declares
// us dead after one and a half keep-alives.
func defaultTimes() times {
	return times{
		connect: 10 * time.Second, write: 10 * time.Second, ack: 15 * time.Second, commit: 2 * time.Second,
		keepAlive: 30 * time.Second, retryMin: time.Second, retryMax: time.Minute, goodbye: 3 * time.Second,
	}
}

// Health reports the link to the broker and how many transitions the memory queue dropped.
func (m *MQTT) Health(report func(sensors.Channel, sensors.Reading)) {
	link := 0.0
	if m.up.Load() {
		link = 1
	}
	report(sensors.BrokerLink, sensors.Of(link))
	report(sensors.OutboxLost, sensors.Of(float64(m.lost())))
}

// Says is the state of the path in words.
func (m *MQTT) Says() string {
	if m.up.Load() {
		return "The broker answers."
	}
	return "The broker does not answer. Messages wait."
}

// Run announces until ctx ends, then says goodbye to the broker and returns nil. A broker
// that is away, refuses or hangs is tried again for ever.
func (m *MQTT) Run(ctx context.Context) error {
	for m.snapshot() == nil { // nothing to say before the first tick
		select {
		case <-ctx.Done():
			return nil
		case <-m.wake:
		}
	}
	wait := m.times.retryMin
	for {
		ready, err := m.connection(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if ready {
			wait = m.times.retryMin
		}
		m.gripe.says(m.opt.Log, "broker away", err)
		if !m.pause(ctx, wait/2+rand.N(wait/2)) { // half to all of it: a fleet must not knock at once
			return nil
		}
		wait = min(2*wait, m.times.retryMax)
	}
}

// pause waits between connections. Meanwhile transitions are handed over to the store, so
// a week without a broker fills the disk's queue and not the memory.
func (m *MQTT) pause(ctx context.Context, d time.Duration) bool {
	over := time.NewTimer(d)
	defer over.Stop()
	for {
		m.settle(ctx, m.times.commit)
		select {
		case <-ctx.Done():
			return false
		case <-over.C:
			return true
		case <-m.wake:
		}
	}
}

// gripe logs a lasting fault when it starts, hourly while it lasts, and when it ends.
type gripe struct {
	on    bool
	since time.Time
	last  time.Time
}

func (g *gripe) says(log *slog.Logger, what string, err error) {
	now := time.Now()
	if !g.on {
		g.on, g.since = true, now
	} else if now.Sub(g.last) < time.Hour {
		return
	}
	g.last = now
	log.Warn(what, "err", err, "took", now.Sub(g.since).Round(time.Second))
}

func (g *gripe) ends(log *slog.Logger, what string) {
	if g.on {
		log.Info(what, "took", time.Since(g.since).Round(time.Second))
	} else {
		log.Info(what)
	}
	g.on = false
}
