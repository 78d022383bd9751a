package announce

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"sync"
	"time"

	"frostline/daemon/core"
)

// queue is one path's share of the alarm transitions. Each is in memory until the store is
// known to hold it, and then in the store until it is delivered; what the store refuses goes
// out from memory and says so. The tick loop delivers, one goroutine takes out.
type queue struct {
	log   *slog.Logger
	store *store
	wake  chan struct{} // a snapshot was delivered

	mu     sync.Mutex // guards the two below
	latest *core.Snapshot
	spill  spill

	gone recent // what must not be sent again though the store may offer it; of who takes out
}

func newQueue(path string, o Outbox, log *slog.Logger) *queue {
	return &queue{log: log, store: newStore(path, o), wake: make(chan struct{}, 1), spill: spill{max: spillMax}}
}

// Deliver hands over a snapshot. It never blocks: values are overwritten by newer ones,
// transitions wait in a bounded queue until the store has them.
func (q *queue) Deliver(s *core.Snapshot) { q.deliver(s, func() {}) }

// deliver calls with, which may not block, before anybody can see the snapshot.
func (q *queue) deliver(s *core.Snapshot, with func()) {
	now := time.Now()
	q.mu.Lock()
	q.latest = s
	for _, h := range transitionsOf(s, now) {
		q.spill.add(h)
	}
	with()
	q.mu.Unlock()
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

func (q *queue) lost() uint64 {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.spill.lostN
}

func (q *queue) snapshot() *core.Snapshot {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.latest
}

// settle asks the store what became of the transitions in memory: those it holds are
// forgotten here, those it refuses or is silent about for longer than patience are ours to
// send. It reports whether the store holds any of them.
func (q *queue) settle(ctx context.Context, patience time.Duration) (kept bool) {
	for ctx.Err() == nil {
		q.mu.Lock()
		tick, since, ok := q.spill.unsettled()
		q.mu.Unlock()
		if !ok {
			return kept
		}
		by := since.Add(patience)
		if least := time.Now().Add(patience / 4); by.Before(least) {
			by = least // we were late to ask, which is not the store's silence
		}
		err := q.store.committed(ctx, tick, by)
		if ctx.Err() != nil {
			return kept
		}
		q.mu.Lock()
		if err == nil {
			kept = true
			q.spill.committed(tick)
		} else {
			q.spill.refused(tick)
		}
		q.mu.Unlock()
		if err != nil && !errors.Is(err, errNoStore) {
			q.log.Warn("alarm is kept in memory only", "tick", tick, "err", err)
		}
	}
	return kept
}

// read is a row of the store as a transition. One that cannot be read is counted as lost: it
// would be offered for ever.
func (q *queue) read(row core.OutboxRow) (t transition, ok bool) {
	var e core.Event
	if err := json.Unmarshal(row.Body, &e); err != nil {
		q.log.Error("outbox: a row cannot be read and is dropped", "id", row.ID, "err", err)
		q.mu.Lock()
		q.spill.lostN++
		q.mu.Unlock()
		return transition{}, false
	}
	e.Seq = row.Seq
	return transition{event: e, boot: row.Boot, recorded: row.Recorded, clockTrusted: row.ClockTrusted, durable: true}, e.Alarm != nil || e.Daily != nil
}

// sent takes one out: from memory, and by the id of its row from the store, 0 if it never was
// there. It reports whether the store noted it.
func (q *queue) sent(ctx context.Context, boot string, seq uint64, rowID int64) bool {
	q.mu.Lock()
	q.spill.sent(boot, seq)
	q.mu.Unlock()
	if rowID == 0 {
		q.gone.add(boot, seq)
		return true
	}
	if err := q.store.delivered(context.WithoutCancel(ctx), rowID); err != nil { // told even when stopping
		q.gone.add(boot, seq) // it will be offered again
		q.log.Warn("outbox: delivery is not noted", "id", rowID, "err", err)
		return false
	}
	return true
}

// recent remembers the ids of the last transitions that went out from memory.
type recent struct{ ids []recentID }

type recentID struct {
	boot string
	seq  uint64
}

const recentMax = 4 * spillMax

func (r *recent) add(boot string, seq uint64) {
	if len(r.ids) >= recentMax {
		r.ids = append(r.ids[:0], r.ids[len(r.ids)/2:]...)
	}
	r.ids = append(r.ids, recentID{boot, seq})
}

func (r *recent) has(boot string, seq uint64) bool {
	for _, id := range r.ids {
		if id == (recentID{boot, seq}) {
			return true
		}
	}
	return false
}
