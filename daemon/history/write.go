package history

import (
	"bytes"
	"database/sql"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"frostline/daemon/core"
	"frostline/sensors"
)

const (
	// Raw minutes are kept for 400 days of watching. They are counted, not dated: a van that
	// never learns the time must not fill its card.
	keepMinutes = 400 * 24 * 60
	// Of burners, drives and sensors the newest are kept; alarms and nights are kept for ever.
	keepHappenings = 100_000
	pruneAtOnce    = 2000 // rows, so that no commit is long
	nearCeiling    = 2 << 20
)

// markBody is the row of table state that every commit renews.
type markBody struct {
	Boot    string        `json:"boot"`
	Tick    uint64        `json:"tick"`
	Up      time.Duration `json:"up_ns"`
	Wall    time.Time     `json:"wall"`
	Totals  core.Totals   `json:"totals"`
	Clean   bool          `json:"clean"`
	Minutes int64         `json:"minutes"` // rows in table minutes, which are dear to count
}

// commitBatch writes a batch in one transaction. The reserve file stands for the room that
// events need: without it no chart rows are written, and when the disk is full it is given
// up and what must not be lost is tried once more.
func (s *Store) commitBatch(b *batch) outcome {
	var noRoom error
	if len(b.rows) > 0 {
		noRoom = s.makeReserve()
	}
	if noRoom == nil {
		out, err := s.commitOnce(b)
		if faultWord(err) != "full" {
			out.err = err
			return out
		}
		noRoom = err
		s.freeReserve()
	}
	less := *b
	less.rows, less.prune = nil, false
	s.foldLog()
	out, err := s.commitOnce(&less)
	if faultWord(err) == "full" {
		s.freeReserve()
		s.foldLog()
		out, err = s.commitOnce(&less)
	}
	out.err = err
	if len(b.rows) > 0 {
		out.rowsErr = noRoom
	}
	return out
}

// foldLog brings the write-ahead log into the file, so that the next commit overwrites the
// log from its start and needs no more room for it.
func (s *Store) foldLog() {
	var busy, pages, done int
	if err := s.w.QueryRow("PRAGMA wal_checkpoint(RESTART)").Scan(&busy, &pages, &done); err != nil {
		s.o.Log.Debug("the log could not be folded in", "err", err) // the commit that follows will say so itself
	}
}

func (s *Store) commitOnce(b *batch) (outcome, error) {
	var out outcome
	s.packer.begin()
	err := inTx(s.w, func(tx *sql.Tx) error {
		out = outcome{}
		for _, sp := range b.spans {
			_, err := tx.Exec("INSERT INTO spans VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET offset_ms = excluded.offset_ms, trusted = excluded.trusted",
				sp.id, sp.boot, sp.offset.Milliseconds(), sp.trusted)
			if err != nil {
				return fmt.Errorf("write span: %w", err)
			}
		}
		added, err := s.writeRows(tx, b.rows, b.clean)
		if err != nil {
			return err
		}
		if err := s.writeEvents(tx, b, &out); err != nil {
			return err
		}
		for _, l := range b.done {
			if _, err := tx.Exec("DELETE FROM outbox WHERE path = ? AND id = ? AND dropped = ?", l.path, l.id, l.dropped); err != nil {
				return fmt.Errorf("delete sent message: %w", err)
			}
		}
		if b.checkpoint != nil {
			if err := s.writeCheckpoint(tx, b.checkpoint); err != nil {
				return err
			}
		}
		if b.prune {
			gone, err := s.prune(tx, added)
			if err != nil {
				return err
			}
			added -= gone
		}
		out.outboxN, err = s.outboxCount(tx)
		if err != nil {
			return err
		}
		return writeMark(tx, b, added)
	})
	if err == nil {
		s.packer.committed()
	}
	return out, err
}

// writeMark notes the newest tick and the totals, which never fall, whatever a core that
// started cold may say.
func writeMark(tx *sql.Tx, b *batch, added int64) error {
	old, err := readMark(tx)
	if err != nil {
		return err
	}
	m := markBody{
		Boot: b.mark.boot, Tick: b.mark.tick, Up: b.mark.stamp.Up, Wall: b.mark.stamp.Wall,
		Totals: largest(old.Totals, b.mark.totals), Clean: b.clean, Minutes: old.Minutes + added,
	}
	return putMark(tx, m)
}

// putMark pads to one length, so that the row is overwritten where it is.
func putMark(tx *sql.Tx, m markBody) error {
	body, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("write mark: %w", err)
	}
	return putState(tx, stateMark, 0, append(body, bytes.Repeat([]byte(" "), max(0, 512-len(body)))...))
}

// largest takes each total from whichever has more of it.
func largest(a, b core.Totals) core.Totals {
	return core.Totals{
		BurnedKg:        max(a.BurnedKg, b.BurnedKg),
		CylinderChanges: max(a.CylinderChanges, b.CylinderChanges),
		ClockSteps:      max(a.ClockSteps, b.ClockSteps),
		Nights:          max(a.Nights, b.Nights),
		Boots:           max(a.Boots, b.Boots),
	}
}

// readMark returns the zero mark if there is none yet, or none that makes sense: the
// checkpoint knows the totals too.
func readMark(q querier) (markBody, error) {
	var m markBody
	body, _, err := getState(q, stateMark)
	if err != nil || body == nil {
		return m, err
	}
	if json.Unmarshal(body, &m) != nil {
		return markBody{}, nil
	}
	return m, nil
}

func putState(tx *sql.Tx, id, gen int64, body []byte) error {
	_, err := tx.Exec("INSERT INTO state VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET gen = excluded.gen, body = excluded.body", id, gen, body)
	if err != nil {
		return fmt.Errorf("write state %d: %w", id, err)
	}
	return nil
}

// getState returns a nil body if there is no such row.
func getState(q querier, id int64) (body []byte, gen int64, err error) {
	rows, err := q.Query("SELECT body, gen FROM state WHERE id = ?", id)
	if err != nil {
		return nil, 0, err
	}
	defer rows.Close()
	if rows.Next() {
		err = rows.Scan(&body, &gen)
	}
	if err == nil {
		err = rows.Err()
	}
	return body, gen, err
}

// prune drops what is older than the bounds and returns how many minutes went. It runs once
// a day. Near the ceiling of the file it drops more than a day brings.
func (s *Store) prune(tx *sql.Tx, added int64) (int64, error) {
	m, err := readMark(tx)
	if err != nil {
		return 0, err
	}
	var pages, free int64
	if err := tx.QueryRow("SELECT page_count, freelist_count FROM pragma_page_count, pragma_freelist_count").Scan(&pages, &free); err != nil {
		return 0, fmt.Errorf("read size: %w", err)
	}
	var gone int64
	extra := min(m.Minutes+added-keepMinutes, pruneAtOnce)
	if (pages-free)*pageBytes > s.o.MaxBytes-nearCeiling {
		extra = pruneAtOnce
	}
	if extra > 0 {
		res, err := tx.Exec("DELETE FROM minutes WHERE id IN (SELECT id FROM minutes ORDER BY id LIMIT ?)", extra)
		if err != nil {
			return 0, fmt.Errorf("drop old minutes: %w", err)
		}
		if gone, err = res.RowsAffected(); err != nil {
			return 0, err
		}
	}
	_, err = tx.Exec(`DELETE FROM events WHERE id IN (SELECT id FROM events
		WHERE id < (SELECT max(id) FROM events) - ? AND kind NOT IN ('alarm', 'night', 'alarm-answer', 'joint-check') ORDER BY id LIMIT ?)`,
		keepHappenings, pruneAtOnce)
	if err != nil {
		return 0, fmt.Errorf("drop old events: %w", err)
	}
	return gone, nil
}

// load reads what the last run left, for Resume and for the queue to go on from.
func (s *Store) load() error {
	m, err := readMark(s.w)
	if err != nil {
		return err
	}
	s.resume = Resume{
		Boot: m.Boot, Tick: m.Tick, Totals: m.Totals, Clean: m.Clean,
		Stamp: sensors.Stamp{Up: m.Up, Wall: m.Wall},
	}
	if s.resume.Checkpoint, err = readCheckpoint(s.w); err != nil {
		return err
	}
	var lastSeq sql.NullInt64
	if err := s.w.QueryRow("SELECT max(id) FROM events").Scan(&lastSeq); err != nil {
		return err
	}
	s.resume.LastSeq = uint64(lastSeq.Int64)

	q := &s.q
	q.changed = make(chan struct{})
	q.done, q.lent = make(map[letter]bool), make(map[letterID]int64)
	q.calendar = calendar{nextID: 1}
	var span, offsetMS int64
	switch err := s.w.QueryRow("SELECT span, offset_ms FROM spans ORDER BY span DESC LIMIT 1").Scan(&span, &offsetMS); err {
	case nil:
		q.calendar.nextID = span + 1
		q.calendar.newest = time.Duration(offsetMS)*time.Millisecond + m.Up
	case sql.ErrNoRows:
	default:
		return err
	}
	if err := s.loadOutbox(); err != nil {
		return err
	}
	q.sizeB, q.writtenB = s.sizeBytes(), writtenBytes()
	return nil
}

// placeholders is "?, ?, ?".
func placeholders(n int) string { return strings.TrimSuffix(strings.Repeat("?, ", n), ", ") }
