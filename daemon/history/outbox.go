package history

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
)

const (
	outboxMax  = 1000                // rows a path may hold (libraries.md 2.3)
	outboxKeep = 90 * 24 * time.Hour // after that only what is critical is still news
)

// Severities in the order in which messages may be given up; critical never is.
const (
	severityNone     int64 = iota // not an alarm
	severityInfo                  // priority low
	severityWarning               // medium
	severityCritical              // high and critical (conventions.md 1.5)
	severityFolded                // a row that stands for dropped ones
)

func severityOf(ev core.Event) int64 {
	if ev.Alarm == nil {
		return severityNone
	}
	switch ev.Alarm.Priority {
	case "low":
		return severityInfo
	case "medium":
		return severityWarning
	}
	return severityCritical
}

// letterID names an outbox row. A letter is that row as it was given out: a row that has
// since been folded is another letter, and the news that alarms were dropped is not deleted
// by the delivery of the one it took the place of.
type letterID struct {
	path string
	id   int64
}

type letter struct {
	letterID
	dropped int64
}

func (l letter) compare(o letter) int {
	return cmp.Or(cmp.Compare(l.path, o.path), cmp.Compare(l.id, o.id), cmp.Compare(l.dropped, o.dropped))
}

// writeEvents stores the events of a batch, each with its ledger row and its outbox rows.
func (s *Store) writeEvents(tx *sql.Tx, b *batch, out *outcome) error {
	posted := false
	for _, h := range b.events {
		id, fresh, err := s.writeEvent(tx, h)
		if err != nil {
			return fmt.Errorf("write event %d: %w", h.ev.Seq, err)
		}
		if !fresh {
			continue
		}
		if n := h.ev.Night; n != nil {
			if _, err := tx.Exec("INSERT INTO nights VALUES (?, ?, ?, ?)", id, n.Date, n.Version, n.ClockUntrusted); err != nil {
				return fmt.Errorf("write night %s: %w", n.Date, err)
			}
		}
		for _, p := range s.o.Paths {
			if !s.wants(p, h.ev) {
				continue
			}
			posted = true
			if _, err := tx.Exec("INSERT INTO outbox (path, id, severity) VALUES (?, ?, ?)", p, id, severityOf(h.ev)); err != nil {
				return fmt.Errorf("write outbox of %s: %w", p, err)
			}
		}
	}
	if !posted && !b.prune {
		return nil
	}
	for _, p := range s.o.Paths {
		lost, err := boundOutbox(tx, p, b.now)
		if err != nil {
			return fmt.Errorf("bound outbox of %s: %w", p, err)
		}
		out.lost += lost
	}
	if posted {
		out.wake = s.o.Paths
	}
	return nil
}

// wants reports whether a path is told of an event: of every alarm, and of the daily word it
// asked for.
func (s *Store) wants(path string, ev core.Event) bool {
	return ev.Alarm != nil || ev.Daily != nil && s.o.Daily[path] == ev.Daily.At
}

// writeEvent files an event under its number and reports whether it was new. A number taken
// by another event (the core went on from an older checkpoint) must not cost either of
// them: the later one is filed at the next free place.
func (s *Store) writeEvent(tx *sql.Tx, h happened) (id int64, fresh bool, err error) {
	body, err := json.Marshal(h.ev)
	if err != nil { // one event that cannot be written must not hold up all others
		s.o.Log.Error("an event cannot be written and is lost", "seq", h.ev.Seq, "err", err)
		return 0, false, nil
	}
	id = int64(h.ev.Seq)
	var there string
	switch err := tx.QueryRow("SELECT body FROM events WHERE id = ?", id).Scan(&there); {
	case err == nil && there == string(body):
		return id, false, nil // its commit was reported as failed and yet reached the disk
	case err == nil:
		s.o.Log.Warn("an event number came twice; both are kept", "seq", h.ev.Seq)
		if err := tx.QueryRow("SELECT max(id) + 1 FROM events").Scan(&id); err != nil {
			return 0, false, err
		}
	case err != sql.ErrNoRows:
		return 0, false, err
	}
	_, err = tx.Exec("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?)",
		id, h.span, h.ev.Stamp.Up.Milliseconds(), h.trusted, h.ev.Kind(), string(body))
	return id, true, err
}

// boundOutbox folds messages until the path is within its bounds: those over the number,
// least severe and oldest first, and those older than ninety days. It returns how many
// alarms were given up. An outbox full of critical ones grows.
func boundOutbox(tx *sql.Tx, path string, now time.Time) (int64, error) {
	var lost int64
	if !now.IsZero() {
		// Only dates that a right clock gave can make a message old.
		ids, err := intsOf(tx, `SELECT o.id FROM outbox o JOIN events e ON e.id = o.id JOIN spans s ON s.span = e.span
			WHERE o.path = ? AND o.severity < ? AND s.trusted AND s.offset_ms + e.up_ms < ? ORDER BY o.id`,
			path, severityCritical, now.Add(-outboxKeep).UnixMilli())
		if err != nil {
			return 0, err
		}
		for _, id := range ids {
			if err := fold(tx, path, id); err != nil {
				return 0, err
			}
			lost++
		}
	}
	for {
		var n int64
		if err := tx.QueryRow("SELECT count(*) FROM outbox WHERE path = ?", path).Scan(&n); err != nil {
			return 0, err
		}
		if n <= outboxMax {
			return lost, nil
		}
		ids, err := intsOf(tx, "SELECT id FROM outbox WHERE path = ? AND severity < ? ORDER BY severity, id LIMIT 1", path, severityCritical)
		if err != nil || len(ids) == 0 {
			return lost, err
		}
		if err := fold(tx, path, ids[0]); err != nil {
			return 0, err
		}
		lost++
	}
}

// fold gives up one message: it becomes the row that counts the dropped ones, or adds to it.
func fold(tx *sql.Tx, path string, id int64) error {
	res, err := tx.Exec("UPDATE outbox SET dropped = dropped + 1 WHERE path = ? AND severity = ?", path, severityFolded)
	if err != nil {
		return err
	}
	n, err := res.RowsAffected()
	if err != nil {
		return err
	}
	if n > 0 {
		_, err = tx.Exec("DELETE FROM outbox WHERE path = ? AND id = ?", path, id)
		return err
	}
	_, err = tx.Exec("UPDATE outbox SET severity = ?, dropped = 1 WHERE path = ? AND id = ?", severityFolded, path, id)
	return err
}

func intsOf(tx *sql.Tx, query string, args ...any) ([]int64, error) {
	rows, err := tx.Query(query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var all []int64
	for rows.Next() {
		var v int64
		if err := rows.Scan(&v); err != nil {
			return nil, err
		}
		all = append(all, v)
	}
	return all, rows.Err()
}

// outboxCount is the number of messages of all configured paths.
func (s *Store) outboxCount(q querier) (int64, error) {
	n, _, err := s.outboxState(q)
	return n, err
}

func (s *Store) outboxState(q querier) (n, dropped int64, err error) {
	rows, err := q.Query("SELECT path, count(*), sum(dropped) FROM outbox GROUP BY path")
	if err != nil {
		return 0, 0, fmt.Errorf("count outbox: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		var path string
		var k, d int64
		if err := rows.Scan(&path, &k, &d); err != nil {
			return 0, 0, fmt.Errorf("count outbox: %w", err)
		}
		if slices.Contains(s.o.Paths, path) {
			n, dropped = n+k, dropped+d
		}
	}
	return n, dropped, rows.Err()
}

// loadOutbox counts what the last run left unsent and wakes the senders for it.
func (s *Store) loadOutbox() error {
	n, dropped, err := s.outboxState(s.w)
	if err != nil {
		return err
	}
	s.q.outboxN, s.q.outboxLost = n, dropped
	for _, p := range s.o.Paths {
		if n > 0 {
			signal(s.wakes[p])
		}
	}
	return nil
}

// Wake is signalled when a commit has put messages into the outbox of a path, and once
// after the start if any were left. It is nil for a path that was not named in Options.
func (s *Store) Wake(path string) <-chan struct{} { return s.wakes[path] }

// Next returns up to limit messages of a path that have not been delivered, oldest first.
//
// A message recorded before the board knew the time carries its true date once that is
// known; Recorded is then the label it had. A message that stands for dropped ones is an
// alarm event of its own, with id "alarms-dropped".
func (s *Store) Next(ctx context.Context, path string, limit int) ([]core.OutboxRow, error) {
	// The writer may commit a deletion between the query and the lending: what had been sent
	// by now must not come back from the older picture.
	s.mu.Lock()
	sent := maps.Clone(s.q.done)
	s.mu.Unlock()
	s.files.RLock()
	defer s.files.RUnlock()
	if s.r == nil {
		return nil, fmt.Errorf("read outbox of %s: the store is closed", path)
	}
	rows, err := s.r.QueryContext(ctx, `SELECT o.id, o.dropped, e.body, e.trusted, e.up_ms, s.boot, s.offset_ms, s.trusted
		FROM outbox o JOIN events e ON e.id = o.id JOIN spans s ON s.span = e.span
		WHERE o.path = ? ORDER BY o.id LIMIT ?`, path, limit+len(sent))
	if err != nil {
		return nil, fmt.Errorf("read outbox of %s: %w", path, err)
	}
	defer rows.Close()
	var all []core.OutboxRow
	var letters []letter
	for rows.Next() {
		var dropped int64
		var d dated
		var r core.OutboxRow
		if err := rows.Scan(&r.ID, &dropped, &d.body, &d.trusted, &d.upMS, &r.Boot, &d.offsetMS, &d.spanTrusted); err != nil {
			return nil, fmt.Errorf("read outbox of %s: %w", path, err)
		}
		r.Seq, r.Body, r.ClockTrusted = uint64(r.ID), d.body, d.trusted || d.spanTrusted
		if ev, recorded, err := d.event(); err == nil { // else a row gone bad goes out as it is, and holds up no other
			if dropped > 0 {
				ev = folded(ev, dropped)
			}
			if r.Body, err = json.Marshal(ev); err != nil {
				return nil, fmt.Errorf("read outbox of %s: %w", path, err)
			}
			r.Seq, r.Recorded = ev.Seq, recorded
		}
		all, letters = append(all, r), append(letters, letter{letterID{path, r.ID}, dropped})
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read outbox of %s: %w", path, err)
	}
	return s.lend(path, all, letters, sent, limit), nil
}

// lend leaves out what has been delivered already and remembers what is given out.
func (s *Store) lend(path string, rows []core.OutboxRow, letters []letter, sent map[letter]bool, limit int) []core.OutboxRow {
	s.mu.Lock()
	defer s.mu.Unlock()
	for k := range s.q.lent {
		if k.path == path {
			delete(s.q.lent, k)
		}
	}
	var out []core.OutboxRow
	for i, l := range letters {
		if len(out) == limit {
			break
		}
		if !sent[l] && !s.q.done[l] {
			s.q.lent[l.letterID] = l.dropped
			out = append(out, rows[i])
		}
	}
	return out
}

// folded is the event that stands for n dropped alarms, in the place of the oldest.
func folded(oldest core.Event, n int64) core.Event {
	oldest.Alarm = &alerts.Transition{
		Kind: "alarm", ID: "alarms-dropped", From: "dropped", To: "dropped", Priority: "low",
		Why: fmt.Sprintf("%d alarm messages waited too long or were too many and were dropped; the event log has them", n),
	}
	return oldest
}

// Delivered notes that a message given out by the last Next of its path has arrived. It
// does not wait: the row is never given out again by this process and is deleted with the
// next commit, which it asks for. A power cut in between sends it twice, so receivers
// de-duplicate by event number.
func (s *Store) Delivered(_ context.Context, path string, id int64) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	l := letter{letterID{path, id}, 0}
	dropped, given := s.q.lent[l.letterID]
	if !given {
		return fmt.Errorf("outbox of %s: message %d was not given out", path, id)
	}
	l.dropped = dropped
	delete(s.q.lent, l.letterID)
	s.q.done[l] = true
	signal(s.wake)
	return nil
}
