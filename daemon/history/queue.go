package history

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"frostline/daemon/core"
	"frostline/sensors"
)

const (
	flushEvery = 10 // minutes of up time between commits in which nothing happened
	maxRows    = 720
	// An event is under 1 KiB, so a store that is stuck for days costs a few MiB.
	maxEvents = 4096
)

// queue is everything delivered and not yet committed, and what the last commit said. The
// lock of the store guards it; the writer takes copies and settles them afterwards.
type queue struct {
	calendar   calendar
	spans      []span // new, or dated anew
	open       *row   // the unfinished minute
	rows       []row  // finished minutes, oldest first; never changed once here
	events     []happened
	order      uint64
	covered    uint64 // the newest event that a checkpoint knows of
	last       mark
	checkpoint []byte // newest checkpoint, uncommitted

	need, inFlight need // the oldest uncommitted thing that must be durable
	delivered      bool
	tick           uint64 // newest tick delivered
	tried          uint64 // newest tick of the last attempt
	err            error  // of the last attempt; nil when all that must be durable is
	changed        chan struct{}
	waiting        int

	done    map[letter]bool    // outbox rows sent, their deletion not yet committed
	lent    map[letterID]int64 // what Next gave out: the number of drops the row stood for
	retired bool               // the writer has made its last attempt

	fault          string // "", "full", "io"
	outboxN        int64
	outboxLost     int64
	droppedRows    int64
	sizeB          int64
	writtenB       int64
	pruneDueAtUp   time.Duration
	rowsHeldBackUp time.Duration // no rows are tried before this while the disk is full
}

// mark is the newest tick of a commit.
type mark struct {
	boot   string
	tick   uint64
	stamp  sensors.Stamp
	totals core.Totals
}

// happened is one event with what is needed to date it again.
type happened struct {
	order   uint64 // of delivery, since event numbers may begin again after a lost checkpoint
	ev      core.Event
	span    int64
	trusted bool
}

// need says since when something must be on the disk.
type need struct {
	any   bool
	tick  uint64
	since time.Time
}

// batch is what one commit writes.
type batch struct {
	mark       mark
	spans      []span
	rows       []row
	events     []happened
	checkpoint []byte
	done       []letter
	prune      bool
	held       bool      // its rows were left out, since the disk is full
	clean      bool      // the last commit of this run
	now        time.Time // date of the newest tick if its clock is right, else zero
}

// outcome is what a commit came to.
type outcome struct {
	err     error // events, checkpoint and totals are not durable
	rowsErr error // they are, but the chart rows did not fit
	wake    []string
	outboxN int64
	lost    int64
}

// Deliver takes a snapshot in. It never blocks: it does arithmetic under a lock that is
// never held during I/O. While the disk does not answer, the oldest minutes beyond twelve
// hours are dropped and counted; events are kept.
func (s *Store) Deliver(snap *core.Snapshot) {
	now := time.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	q := &s.q
	sp, news := q.calendar.place(snap.Boot, snap.Stamp, snap.Est.ClockTrusted)
	if news {
		q.noteSpan(sp)
	}
	s.gather(sp, snap)
	for _, ev := range snap.Events {
		q.order++
		q.events = append(q.events, happened{q.order, ev, sp.id, snap.Est.ClockTrusted})
	}
	q.boundEvents()
	if snap.Checkpoint != nil {
		q.checkpoint = snap.Checkpoint
	}
	q.last = mark{snap.Boot, snap.Tick, snap.Stamp, snap.Totals}
	q.tick, q.delivered = snap.Tick, true
	// The core says what must not be lost by giving a checkpoint with it: an event without
	// one (a burner lit by its thermostat) waits for the next. So no event on disk is ever
	// newer than the checkpoint beside it, and numbers are not given twice.
	if snap.Checkpoint != nil || slices.ContainsFunc(snap.Events, mustLast) {
		q.covered = q.order
		if !q.need.any {
			q.need = need{true, snap.Tick, now}
		}
		signal(s.wake)
	} else if q.rowsDue(snap.Stamp.Up) && q.fault != "io" { // then the writer's own timer tries again
		signal(s.wake)
	}
	if q.waiting > 0 {
		q.tell()
	}
}

// mustLast is true of alarms, nights and daily words, whatever comes with them.
func mustLast(ev core.Event) bool { return ev.Alarm != nil || ev.Night != nil || ev.Daily != nil }

// gather folds a tick into its minute and closes the minute before.
func (s *Store) gather(sp span, snap *core.Snapshot) {
	q := &s.q
	index := int64(snap.Stamp.Up / time.Minute)
	if q.open != nil && (q.open.span != sp.id || q.open.index != index) {
		q.closeMinute()
	}
	if q.open == nil {
		q.open = &row{span: sp.id, index: index, cells: make([]cell, len(s.series))}
	}
	s.observe(q.open, snap)
	q.calendar.stored(sp, snap.Stamp.Up)
}

// closeMinute hands the open minute to the queue, which drops its oldest beyond its bound.
func (q *queue) closeMinute() {
	q.rows = append(q.rows, *q.open)
	q.open = nil
	if n := len(q.rows) - maxRows; n > 0 {
		q.rows = slices.Delete(q.rows, 0, n)
		q.droppedRows += int64(n)
	}
}

func (q *queue) noteSpan(sp span) {
	if i := slices.IndexFunc(q.spans, func(o span) bool { return o.id == sp.id }); i >= 0 {
		q.spans[i] = sp
		return
	}
	q.spans = append(q.spans, sp)
}

// boundEvents keeps the memory of a store that is stuck for days bounded. What is not an
// alarm goes first, then the least severe alarm, counted; a critical one is never dropped.
func (q *queue) boundEvents() {
	for len(q.events) > maxEvents {
		victim, least := -1, severityCritical
		for i, h := range q.events {
			if v := severityOf(h.ev); v < least {
				victim, least = i, v
			}
		}
		if victim < 0 {
			return
		}
		if least > severityNone {
			q.outboxLost++
		}
		q.events = slices.Delete(q.events, victim, victim+1)
	}
}

// take copies what is to be committed, or returns nil if nothing is due.
func (q *queue) take(last bool) *batch {
	if last && q.open != nil {
		q.closeMinute()
	}
	up := q.last.stamp.Up
	if !q.delivered || !last && !q.need.any && len(q.done) == 0 && !q.rowsDue(up) {
		q.retired = q.retired || last
		return nil
	}
	b := &batch{
		mark: q.last, spans: slices.Clone(q.spans), rows: slices.Clone(q.rows),
		events: slices.Clone(q.events), checkpoint: q.checkpoint, clean: last,
	}
	if !last {
		b.events = slices.DeleteFunc(b.events, func(h happened) bool { return h.order > q.covered })
	}
	if q.fault == "full" && up < q.rowsHeldBackUp && !last {
		b.rows, b.held = nil, true
	}
	for l := range q.done {
		b.done = append(b.done, l)
	}
	slices.SortFunc(b.done, letter.compare)
	if up >= q.pruneDueAtUp {
		b.prune, q.pruneDueAtUp = true, up+24*time.Hour
	}
	if q.calendar.now.trusted {
		b.now = q.calendar.now.at(up)
	}
	q.inFlight, q.need = q.need, need{}
	return b
}

// rowsDue reports whether the chart rows that wait are worth a commit of their own. On a full
// disk they are tried once in ten minutes.
func (q *queue) rowsDue(up time.Duration) bool {
	return len(q.rows) >= flushEvery && (q.fault != "full" || up >= q.rowsHeldBackUp)
}

// settle takes the committed things out of the queue, or puts the need back.
func (q *queue) settle(b *batch, out outcome) {
	if word := faultWord(errors.Join(out.err, out.rowsErr)); word != "" || !b.held {
		q.fault = word
	}
	q.err, q.tried = out.err, b.mark.tick
	if out.err != nil {
		if q.inFlight.any {
			q.need = q.inFlight
		}
	} else {
		q.drop(b, out)
	}
	if q.fault == "full" && len(b.rows) > 0 {
		q.rowsHeldBackUp = b.mark.stamp.Up + flushEvery*time.Minute
	}
	q.inFlight = need{}
	q.retired = q.retired || b.clean
	q.tell()
}

// drop removes a committed batch from the queue. More may have been delivered meanwhile,
// and the oldest rows may have been dropped, so each is found by what it is.
func (q *queue) drop(b *batch, out outcome) {
	q.spans = slices.DeleteFunc(q.spans, func(sp span) bool { return slices.Contains(b.spans, sp) })
	if n := len(b.rows); n > 0 && out.rowsErr == nil {
		end := b.rows[n-1]
		q.rows = slices.DeleteFunc(q.rows, func(r row) bool { return r.id() <= end.id() })
	}
	if n := len(b.events); n > 0 {
		end := b.events[n-1].order
		q.events = slices.DeleteFunc(q.events, func(h happened) bool { return h.order <= end })
	}
	if len(b.checkpoint) > 0 && len(q.checkpoint) > 0 && &q.checkpoint[0] == &b.checkpoint[0] {
		q.checkpoint = nil
	}
	for _, l := range b.done {
		delete(q.done, l)
	}
	q.outboxN = out.outboxN
	q.outboxLost += out.lost
}

// tell wakes everyone in Committed.
func (q *queue) tell() {
	close(q.changed)
	q.changed = make(chan struct{})
}

// Committed waits until everything of that tick and of those before it that must survive a
// power cut is on the disk. Most ticks hold no such thing, and it returns at once. An error
// means that an attempt failed, or the context ended first: the store goes on trying, but
// nobody should be told that it is kept.
func (s *Store) Committed(ctx context.Context, tick uint64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	q := &s.q
	q.waiting++
	defer func() { q.waiting-- }()
	for {
		oldest := uint64(math.MaxUint64)
		for _, n := range []need{q.need, q.inFlight} {
			if n.any {
				oldest = min(oldest, n.tick)
			}
		}
		switch {
		case q.delivered && q.tick >= tick && oldest > tick:
			return nil
		case q.err != nil && q.tried >= tick:
			return fmt.Errorf("history: commit tick %d: %w", tick, q.err)
		case q.retired:
			return fmt.Errorf("history: commit tick %d: the store is closed", tick)
		}
		changed := q.changed
		s.mu.Unlock()
		var err error
		select {
		case <-changed:
		case <-ctx.Done():
			err = fmt.Errorf("history: commit tick %d: %w", tick, ctx.Err())
		}
		s.mu.Lock()
		if err != nil {
			return err
		}
	}
}

// Health reports the store as readings of channels: how long the oldest thing that must be
// durable has been waiting (0 when nothing waits; Bad "full" or "io" while writing fails),
// the bytes it occupies, the bytes this process has handed to the disk since it started,
// and the alarms that wait to be sent or had to be dropped. The age is by the monotonic
// clock, so it grows even when a write blocks for ever.
func (s *Store) Health(report func(sensors.Channel, sensors.Reading)) {
	now := time.Now()
	s.mu.Lock()
	q := &s.q
	age := 0.0
	for _, n := range []need{q.inFlight, q.need} {
		if n.any {
			age = max(age, math.Round(now.Sub(n.since).Seconds()*1000)/1000)
		}
	}
	store := sensors.Of(age)
	if q.fault != "" {
		store = sensors.Fault(q.fault)
	}
	size, written, waiting, lost := q.sizeB, q.writtenB, q.outboxN, q.outboxLost
	for _, h := range q.events {
		if severityOf(h.ev) > severityNone {
			waiting += int64(len(s.o.Paths)) // not in the file yet, but no less unsent
		}
	}
	waiting = max(0, waiting-int64(len(q.done)))
	s.mu.Unlock()
	report(sensors.StoreAgeS, store)
	report(sensors.StoreSizeB, sensors.Of(float64(size)))
	if written >= 0 {
		report(sensors.StoreWrittenB, sensors.Of(float64(written)))
	}
	report(sensors.OutboxN, sensors.Of(float64(waiting)))
	report(sensors.OutboxLost, sensors.Of(float64(lost)))
}
