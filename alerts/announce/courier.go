package announce

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/show"
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

	link  sync.Mutex // guards the two below, and is never held while anything is written: the loop waits for it
	state linkState
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

// fault is why a message did not get through, in words for a person and without secrets.
type fault struct {
	text  string
	kind  faultKind
	after time.Duration // the other end asked to be left alone for so long
}

type faultKind uint8

const (
	away    faultKind = iota // it may get through later
	refused                  // the other end does not want this message, or not from us
	partly                   // some of those it goes to have it, and the others refuse it: it is done
	gone                     // the other end wants nothing more, ever
)

func (f fault) Error() string { return f.text }

// linkState is what is known of the other end.
type linkState struct {
	tried    bool // since the start
	fault    string
	gone     bool
	lastOK   time.Time // by real time; zero: nothing got through since the start
	failing  time.Time // since when; zero while it works
	waitingN int       // as of the last look
	heldN    int       // of them for the end of quiet hours
	expiredN uint64    // given up as no longer news, since the start
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
	c.queue.Deliver(s)
	for _, e := range s.Events {
		if e.Alarm != nil && urgent(e.Alarm, s) {
			c.hasten()
			c.link.Lock()
			if c.cut != nil {
				c.cut(errCut)
			}
			c.link.Unlock()
			return
		}
	}
}

func (c *Courier) hasten() {
	select {
	case c.hurry <- struct{}{}:
	default:
	}
}

// Health reports whether the last message got through, which is unknown before the first, and
// how many transitions the memory queue dropped.
func (c *Courier) Health(report func(sensors.Channel, sensors.Reading)) {
	c.link.Lock()
	s := c.state
	c.link.Unlock()
	switch {
	case s.gone:
		report(c.channel, sensors.Fault("gone"))
	case !s.tried:
		report(c.channel, sensors.Reading{})
	case s.fault != "":
		report(c.channel, sensors.Of(0))
	default:
		report(c.channel, sensors.Of(1))
	}
	report(sensors.OutboxLost, sensors.Of(float64(c.lost())))
}

// Says is the state of the path in words: what got through last, what is wrong, what waits.
func (c *Courier) Says() string {
	c.link.Lock()
	s := c.state
	c.link.Unlock()
	text := "Nothing sent since the start."
	if !s.lastOK.IsZero() {
		text = "Last delivered " + show.Age(time.Since(s.lastOK)) + "."
	}
	if s.fault != "" {
		text += fmt.Sprintf(" Failing for %s: %s.", show.Duration(time.Since(s.failing)), s.fault)
	}
	if n := s.waitingN - s.heldN; n > 0 {
		text += fmt.Sprintf(" %s to be sent.", messagesWait(n))
	}
	if s.heldN > 0 {
		text += fmt.Sprintf(" %s for the end of quiet hours.", messagesWait(s.heldN))
	}
	if s.expiredN > 0 {
		text += fmt.Sprintf(" %d were over or too old before they could be told; the event log has them.", s.expiredN)
	}
	return text
}

func messagesWait(n int) string {
	if n == 1 {
		return "1 message waits"
	}
	return fmt.Sprintf("%d messages wait", n)
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

// parcel is one transition on its way out.
type parcel struct {
	transition
	row    int64 // of the store; 0: it is in memory only
	urgent bool
}

// round sends what may go now. The error is the last fault.
func (c *Courier) round(ctx context.Context) error {
	select {
	case <-c.hurry: // this round sees what it was about
	default:
	}
	c.settle(ctx, c.times.commit)
	all := c.waiting(ctx)
	if c.linkNow().gone {
		c.since = time.Time{}
		return nil
	}
	var last error
	due, sentN := c.due(all), 0
	for refusals := 0; len(due) > 0 && refusals < refusedMax; {
		batch := due[:c.fits(due)]
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
	c.left(sentN)
	if last != nil || sentN > 0 {
		c.note(last)
	}
	return last
}

// waiting is everything that has not been delivered: urgent first, what was refused for
// itself last, and otherwise in the order in which it happened. What is no longer news is
// given up on the way.
func (c *Courier) waiting(ctx context.Context) []parcel {
	rows, err := c.store.next(ctx, courierMax)
	if err != nil && ctx.Err() == nil {
		c.log.Debug("outbox: no rows", "err", err)
	}
	now := c.snapshot()
	var all []parcel
	shunned := map[string]bool{}
	add := func(t transition, row int64) {
		if c.shunned[t.id()] {
			shunned[t.id()] = true
		}
		all = append(all, parcel{t, row, t.urgent(now)})
	}
	daily := -1 // place of the newest daily word so far
	giveUp := func(t transition, row int64) {
		c.log.Info("message is no longer news and given up", "output", c.path, "id", t.id())
		c.sent(ctx, t.boot, t.event.Seq, row)
		c.link.Lock()
		c.state.expiredN++
		c.link.Unlock()
	}
	for _, row := range rows {
		t, ok := c.read(row)
		switch {
		case !ok || c.gone.has(row.Boot, row.Seq) || c.muted(t):
			c.sent(ctx, row.Boot, row.Seq, row.ID)
		case t.expired(now):
			giveUp(t, row.ID)
		case t.event.Daily != nil && daily >= 0: // the older one says nothing any more
			giveUp(all[daily].transition, all[daily].row)
			all = slices.Delete(all, daily, daily+1)
			fallthrough
		default:
			add(t, row.ID)
			if t.event.Daily != nil {
				daily = len(all) - 1
			}
		}
	}
	c.mu.Lock()
	c.spill.waiting = slices.DeleteFunc(c.spill.waiting, func(h held) bool { return h.alone && c.muted(h.transition) })
	for _, h := range c.spill.waiting {
		if h.alone {
			add(h.transition, 0)
			c.looked = max(c.looked, h.event.Seq)
		}
	}
	c.mu.Unlock()
	all, over := collapse(all)
	for _, p := range over {
		giveUp(p.transition, p.row)
	}
	c.shunned = shunned
	slices.SortStableFunc(all, func(a, b parcel) int {
		return cmp.Or(before(a.urgent, b.urgent), before(shunned[b.id()], shunned[a.id()]), cmp.Compare(a.event.Seq, b.event.Seq))
	})
	heldN := 0
	for _, p := range all {
		if now.Quiet && !p.urgent {
			heldN++
		}
	}
	c.holding = heldN > 0
	c.link.Lock()
	c.state.waitingN, c.state.heldN = len(all), heldN
	c.link.Unlock()
	return all
}

func (c *Courier) muted(t transition) bool {
	return c.mute != nil && t.event.Alarm != nil && c.mute(t.event.Alarm)
}

// collapse takes out what was of low priority, began and was over before it could be told: its
// receivers would learn of nothing that is. What ends something they were told of stays.
func collapse(all []parcel) (rest, over []parcel) {
	slices.SortStableFunc(all, func(a, b parcel) int { return cmp.Compare(a.event.Seq, b.event.Seq) })
	ends := map[string]uint64{}  // by alarm: the number of the newest end that has its beginning here
	begun := map[string]uint64{} // that of its first beginning here
	for _, p := range all {
		a := p.event.Alarm
		if a == nil || a.Priority != alerts.Low.String() {
			continue
		}
		switch a.To {
		case alerts.Unacked.String():
			if begun[a.ID] == 0 {
				begun[a.ID] = p.event.Seq
			}
		case alerts.Returned.String(), alerts.Normal.String():
			if begun[a.ID] != 0 {
				ends[a.ID] = p.event.Seq
			}
		}
	}
	for _, p := range all {
		if a := p.event.Alarm; a != nil && a.Priority == alerts.Low.String() && begun[a.ID] <= p.event.Seq && p.event.Seq <= ends[a.ID] {
			over = append(over, p)
		} else {
			rest = append(rest, p)
		}
	}
	return rest, over
}

func before(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
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

// fits is how many of the first may share a message: nothing waits in one for what is less
// urgent, and what was refused goes alone, as a daily word does.
func (c *Courier) fits(due []parcel) int {
	alone := func(p parcel) bool { return c.shunned[p.id()] || p.event.Daily != nil }
	n := 1
	for n < len(due) && n < c.most && due[n].urgent == due[0].urgent && !alone(due[n]) && !alone(due[0]) {
		n++
	}
	return n
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
	c.link.Lock()
	defer c.link.Unlock()
	c.cut = f
}

// left counts what was sent off what waits.
func (c *Courier) left(n int) {
	c.link.Lock()
	defer c.link.Unlock()
	c.state.waitingN -= n
}

func (c *Courier) linkNow() linkState {
	c.link.Lock()
	defer c.link.Unlock()
	return c.state
}

// note keeps and logs what a try came to.
func (c *Courier) note(err error) {
	c.link.Lock()
	s, now := &c.state, time.Now()
	s.tried = true
	news := err != nil || s.lastOK.IsZero() || s.fault != ""
	if err == nil {
		s.fault, s.gone, s.failing, s.lastOK = "", false, time.Time{}, now
	} else {
		if s.failing.IsZero() {
			s.failing = now
		}
		f, _ := errors.AsType[fault](err)
		s.fault, s.gone = err.Error(), s.gone || f.kind == gone
	}
	c.link.Unlock()
	if !news {
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

// urgent reports whether it is told at any hour.
func (t transition) urgent(now *core.Snapshot) bool {
	return t.event.Alarm != nil && urgent(t.event.Alarm, now)
}

// urgent reports whether an alarm is told at any hour: what is high or critical, and the few
// below that which break quiet hours.
func urgent(a *alerts.Transition, now *core.Snapshot) bool {
	if number, _ := severity(a.Priority); number >= fatal {
		return true
	}
	st := statusOf(now, a.ID)
	return st != nil && st.BreaksQuiet
}

// expired reports whether it is no longer news: a word about tonight's fuel or a daily one,
// after a day, by a clock that was right then and is now. Nothing urgent ever is.
func (t transition) expired(now *core.Snapshot) bool {
	if !t.clockTrusted || !now.Est.ClockTrusted || now.Stamp.Wall.Sub(t.event.Stamp.Wall) <= expiresAfter {
		return false
	}
	if t.event.Daily != nil {
		return true
	}
	st := statusOf(now, t.event.Alarm.ID)
	return st != nil && st.Class == alerts.ClassFuel && !t.urgent(now)
}
