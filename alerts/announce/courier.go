package announce

import (
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/sensors"
)

// Courier carries alarm transitions to somebody who is not always within reach: a webhook
// ([NewWebhook]) or mail ([NewMail]). One goroutine, [Courier.Run], does its work.
//
// A transition stays in the store until the other end has taken it, and is offered again with
// the same id: what is high or critical for ever, first, and at any hour. The rest waits for
// the end of quiet hours, and is given up when it is no longer news: a word about fuel or a
// daily one after a day, and what was low and over before it could be told.
type Courier struct {
	*queue
	path    string
	channel sensors.Channel // its health
	via     carrier
	most    int                           // transitions to one message
	gather  time.Duration                 // how long what is not urgent waits for more of its kind
	mute    func(*alerts.Transition) bool // what this path is never told; nil: it is told everything
	times   courierTimes
	hurry   chan struct{} // something urgent was delivered, or a test got through

	shunned map[string]bool // ids refused for themselves: they go last; Run's own
	holding bool            // something waits for the end of quiet hours; Run's own
	looked  uint64          // number of the newest transition in memory that a round has seen; Run's own
	since   time.Time       // when the oldest of what is gathered was first seen; Run's own

	link link

	knife sync.Mutex              // guards cut; the loop waits for it
	cut   context.CancelCauseFunc // ends a try of what is not urgent; nil while there is none

	pen   sync.Mutex // guards gripe: a test runs on its caller's goroutine
	gripe gripe
}

// errCut ends a try that something urgent must not wait for. It says nothing of the other end.
var errCut = errors.New("something urgent goes first")

// carrier is what a webhook and mail do differently. Both may be called at once, by Run and
// by a test.
type carrier interface {
	// carry returns nil once the other end has taken the whole batch, a [fault] otherwise.
	carry(ctx context.Context, batch []transition, now *core.Snapshot) error
	// test says to the other end that this is a test.
	test(ctx context.Context, now *core.Snapshot) error
}

// courierTimes are limits of waiting; tests shorten them.
type courierTimes struct{ try, commit, retryMin, retryMax, look time.Duration }

// A receiver has 15 to 30 s by the Standard Webhooks specification; a mail server may take
// its time over its greeting. A try every five minutes at most finds a network that came back
// while the van stopped at a shop. commit is as for MQTT.
func defaultCourierTimes() courierTimes {
	return courierTimes{try: 30 * time.Second, commit: 2 * time.Second, retryMin: 5 * time.Second,
		retryMax: 5 * time.Minute, look: time.Minute}
}

// courierMax is how many rows are looked at. The store holds a path to a thousand unless all
// of them are urgent, so what may go now is always among so many.
const courierMax = 1024

// refusedMax is how many messages may be refused for themselves before a round ends: one bad
// message must not hold up the others, and a wrong address not be knocked at a thousand times.
const refusedMax = 3

func newCourier(path string, health sensors.Channel, via carrier, o Outbox, log *slog.Logger) *Courier {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	return &Courier{queue: newQueue(path, o, log), path: path, channel: health, via: via, most: 1,
		times: defaultCourierTimes(), hurry: make(chan struct{}, 1)}
}

// Deliver hands over a snapshot. It never blocks.
func (c *Courier) Deliver(s *core.Snapshot) {
	if !slices.ContainsFunc(s.Events, func(e core.Event) bool { return e.Alarm != nil && urgent(e.Alarm, s) }) {
		c.queue.Deliver(s)
		return
	}
	c.deliver(s, c.hasten) // together: a round that saw it first would be hurried to a second try
	c.knife.Lock()
	defer c.knife.Unlock()
	if c.cut != nil {
		c.cut(errCut)
	}
}

// Health reports whether the last message got through, which is unknown before the first, and
// how many transitions the memory queue dropped.
func (c *Courier) Health(report func(sensors.Channel, sensors.Reading)) {
	report(c.channel, c.link.reading())
	report(sensors.OutboxLost, sensors.Of(float64(c.lost())))
}

// Says is the state of the path in words: what got through last, what is wrong, what waits.
func (c *Courier) Says() string { return c.link.says() }

func (c *Courier) hasten() {
	select {
	case c.hurry <- struct{}{}:
	default:
	}
}

// Test sends a message that says it is a test, at once and past everything that waits. The
// error is the real one, in words.
func (c *Courier) Test(ctx context.Context) error {
	s := c.snapshot()
	if s == nil {
		return errors.New("still starting; try again in a second")
	}
	try, cancel := context.WithTimeout(ctx, c.times.try)
	defer cancel()
	err := c.via.test(try, s)
	if err != nil && errors.Is(ctx.Err(), context.Canceled) {
		return err // whoever asked has gone, which says nothing of the other end
	}
	c.note(err)
	if err == nil {
		c.hasten() // what waited for the other end may go now
	}
	return err
}

// Run carries until ctx ends, and returns nil. An end that is away, refuses or hangs is tried
// again for ever; one that is gone is left alone until a test gets through or the program
// starts anew. What has not left by then stays in the store.
func (c *Courier) Run(ctx context.Context) error {
	for c.snapshot() == nil { // nothing to say before the first tick
		select {
		case <-ctx.Done():
			return nil
		case <-c.wake:
		}
	}
	wait := c.times.retryMin
	for {
		err := c.round(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if err == nil {
			wait = c.times.retryMin
			c.rest(ctx, c.untilNext(), false)
			continue
		}
		pause := wait/2 + rand.N(wait/2) // half to all of it: a fleet must not knock at once
		if f, ok := errors.AsType[fault](err); ok {
			pause = max(pause, min(f.after, c.times.retryMax))
		}
		c.rest(ctx, pause, true)
		wait = min(2*wait, c.times.retryMax)
	}
}

// rest waits for the time, or for news. Meanwhile transitions are handed over to the store, so
// a week without a network fills the disk's queue and not the memory.
func (c *Courier) rest(ctx context.Context, d time.Duration, failing bool) {
	over := time.NewTimer(d)
	defer over.Stop()
	for {
		kept := c.settle(ctx, c.times.commit)
		if !failing && (kept || c.alone() || c.holding && !c.snapshot().Quiet) {
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-over.C:
			return
		case <-c.hurry: // even while failing: the first try of something urgent is at once
			return
		case <-c.store.wake():
			if !failing {
				return
			}
		case <-c.wake:
		}
	}
}

// untilNext is when to look at the store again though nothing calls: gathering ends, or the
// store may not have answered.
func (c *Courier) untilNext() time.Duration {
	if c.since.IsZero() {
		return c.times.look
	}
	return max(time.Second, time.Until(c.since.Add(c.gather)))
}

// alone reports whether something is in memory that the store will not have and that the last
// round did not see.
func (c *Courier) alone() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.ContainsFunc(c.spill.waiting, func(h held) bool { return h.alone && h.event.Seq > c.looked })
}

// round sends what may go now. The error is the last fault.
func (c *Courier) round(ctx context.Context) error {
	select {
	case <-c.hurry: // this round sees what it was about
	default:
	}
	c.settle(ctx, c.times.commit)
	all := c.waiting(ctx)
	if c.link.isGone() {
		c.since = time.Time{}
		return nil
	}
	var last error
	due, sentN := c.due(all), 0
	for refusals := 0; len(due) > 0 && refusals < refusedMax; {
		batch := due[:fits(due, c.most)]
		due = due[len(batch):]
		err := c.send(ctx, batch)
		if ctx.Err() != nil {
			return ctx.Err() // we were told to stop, which says nothing of the other end
		}
		if errors.Is(err, errCut) {
			break
		}
		switch f, _ := errors.AsType[fault](err); {
		case err == nil:
			sentN += len(batch)
		case f.kind == partly:
			sentN += len(batch)
			last = err
		case f.kind == refused:
			refusals++
			last = err
			for _, p := range batch {
				c.shunned[p.id()] = true
			}
		default:
			last, due = err, nil
		}
	}
	c.link.left(sentN)
	if last != nil || sentN > 0 {
		c.note(last)
	}
	return last
}

// waiting is everything that has not been delivered, in the order in which it is to go. What is
// no longer news is given up on the way.
func (c *Courier) waiting(ctx context.Context) []parcel {
	now := c.snapshot()
	all, over := stillNews(c.collect(ctx), now)
	for _, p := range over {
		c.log.Info("message is no longer news and given up", "output", c.path, "id", p.id())
		c.sent(ctx, p.boot, p.event.Seq, p.row)
		c.link.gaveUp()
	}
	shunned, heldN := map[string]bool{}, 0
	for i := range all {
		p := &all[i]
		p.urgent = p.transition.urgent(now)
		if p.shunned = c.shunned[p.id()]; p.shunned {
			shunned[p.id()] = true
		}
		if now.Quiet && !p.urgent {
			heldN++
		}
	}
	c.shunned = shunned // without those that have gone
	c.holding = heldN > 0
	c.link.waits(len(all), heldN)
	inOrder(all)
	return all
}

// collect is what the store offers and what is in memory only, each once: what the store
// refused, or was silent about, it may have in the end.
func (c *Courier) collect(ctx context.Context) (all []parcel) {
	rows, err := c.store.next(ctx, courierMax)
	if err != nil && ctx.Err() == nil {
		c.log.Debug("outbox: no rows", "err", err)
	}
	var offered []parcel
	for _, row := range rows {
		t, ok := c.read(row)
		if !ok || c.gone.has(row.Boot, row.Seq) || c.muted(t) {
			c.sent(ctx, row.Boot, row.Seq, row.ID)
			continue
		}
		offered = append(offered, parcel{transition: t, row: row.ID})
	}
	return c.withMemory(offered)
}

// withMemory adds what is in memory only. Of a transition that is in both the row is told, unless
// older ones were folded into it in memory: then that tells more, and once it has gone the row is
// not offered again. One lock holds for both questions, or what is folded between them is lost.
func (c *Courier) withMemory(all []parcel) []parcel {
	c.mu.Lock()
	defer c.mu.Unlock()
	kept := map[recentID]bool{}
	all = slices.DeleteFunc(all, func(p parcel) bool {
		folded := slices.ContainsFunc(c.spill.waiting, func(h held) bool {
			return h.alone && h.mergedN > 0 && h.boot == p.boot && h.event.Seq == p.event.Seq
		})
		kept[recentID{p.boot, p.event.Seq}] = !folded
		return folded
	})
	c.spill.waiting = slices.DeleteFunc(c.spill.waiting, func(h held) bool {
		return h.alone && (c.muted(h.transition) || kept[recentID{h.boot, h.event.Seq}])
	})
	for _, h := range c.spill.waiting {
		if h.alone {
			all = append(all, parcel{transition: h.transition})
			c.looked = max(c.looked, h.event.Seq)
		}
	}
	return all
}

func (c *Courier) muted(t transition) bool {
	return c.mute != nil && t.event.Alarm != nil && c.mute(t.event.Alarm)
}

// due is what may go now: not what quiet hours hold, and not what is gathered.
func (c *Courier) due(all []parcel) []parcel {
	plain := slices.IndexFunc(all, func(p parcel) bool { return !p.urgent })
	switch {
	case plain < 0:
		c.since = time.Time{}
		return all
	case c.holding:
		c.since = time.Time{}
		return all[:plain]
	case c.since.IsZero():
		c.since = time.Now()
	}
	if time.Since(c.since) < c.gather {
		return all[:plain]
	}
	return all
}

func (c *Courier) send(ctx context.Context, batch []parcel) error {
	ts := make([]transition, len(batch))
	for i, p := range batch {
		ts[i] = p.transition
	}
	try, cancel := context.WithTimeout(ctx, c.times.try)
	defer cancel()
	if !batch[0].urgent {
		var cut context.CancelCauseFunc
		try, cut = context.WithCancelCause(try)
		defer cut(nil)
		c.mayCut(cut)
		defer c.mayCut(nil)
		if len(c.hurry) > 0 { // it came between two messages
			return errCut
		}
	}
	err := c.via.carry(try, ts, c.snapshot())
	if err != nil && context.Cause(try) == errCut {
		return errCut
	}
	if f, _ := errors.AsType[fault](err); err != nil && f.kind != partly {
		return err
	}
	for _, p := range batch {
		c.sent(ctx, p.boot, p.event.Seq, p.row)
	}
	return err
}

func (c *Courier) mayCut(f context.CancelCauseFunc) {
	c.knife.Lock()
	defer c.knife.Unlock()
	c.cut = f
}

// note keeps and logs what a try came to.
func (c *Courier) note(err error) {
	if !c.link.tried(err) {
		return
	}
	c.pen.Lock()
	defer c.pen.Unlock()
	log := c.log.With("output", c.path)
	if err == nil {
		c.gripe.ends(log, "messages get through")
	} else {
		c.gripe.says(log, "messages do not get through", err)
	}
}
