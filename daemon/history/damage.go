package history

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// isDamage reports whether SQLite says the file itself is broken.
func isDamage(err error) bool {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return false
	}
	code := e.Code() & 0xff
	return code == sqlite3.SQLITE_CORRUPT || code == sqlite3.SQLITE_NOTADB
}

// isLocked reports whether another process holds the file.
func isLocked(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code()&0xff == sqlite3.SQLITE_BUSY
}

// faultWord names why writing fails: "" it does not, "full", or "io" for everything else.
func faultWord(err error) string {
	var e *sqlite.Error
	switch {
	case err == nil:
		return ""
	case errors.As(err, &e) && e.Code()&0xff == sqlite3.SQLITE_FULL, errors.Is(err, syscall.ENOSPC):
		return "full"
	}
	return "io"
}

// check looks at every page after an unclean stop. It runs in the writer before its first
// commit, so a start does not wait for it; what happens meanwhile waits in memory.
func (s *Store) check() {
	var found string
	err := s.w.QueryRow("PRAGMA quick_check(1)").Scan(&found)
	switch {
	case err == nil && found == "ok":
		return
	case err == nil:
		err = errors.New(found)
	case !isDamage(err):
		s.o.Log.Warn("history could not be checked after an unclean stop", "err", err)
		return
	}
	if damage, err := s.replace(err); err != nil {
		s.o.Log.Error("history is damaged and no new file could be begun", "err", err)
	} else {
		s.o.Log.Error("history was damaged", "found", damage)
	}
}

// replace renames a damaged file to *.damaged, in the place of an earlier one, begins a new
// one and copies over whatever can be read. It returns one sentence for people.
func (s *Store) replace(why error) (string, error) {
	old := s.path + ".damaged"
	s.files.Lock()
	_ = s.detach() // a broken file may say so once more
	err := errors.Join(
		renameIfThere(s.path, old),
		renameIfThere(s.path+"-wal", old+"-wal"),
		s.attach(),
	)
	s.files.Unlock()
	if err != nil {
		return "", fmt.Errorf("replace damaged %s: %w", s.path, err)
	}
	kept, lost := s.salvage(old)
	s.packer.forget()
	s.mu.Lock()
	if now := s.q.calendar.now; now.id != 0 {
		s.q.noteSpan(now) // its row may have been on the broken page
	}
	s.mu.Unlock()
	return fmt.Sprintf("%s was damaged (%v) and is now %s; a new one was begun with the %d rows that could be read; %s",
		s.path, why, old, kept, lost), nil
}

// renameIfThere also removes what stood at the new name.
func renameIfThere(from, to string) error {
	if err := os.Remove(to); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	if err := os.Rename(from, to); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// salvage copies table by table, what matters most first. Each is read from both ends, so
// that one bad page costs the rows on it and no more. It says how many rows were copied and
// which tables had a hole.
func (s *Store) salvage(old string) (kept int64, holes string) {
	// A file that was cut short is read as far as it goes only with writable_schema, and any
	// other setting would be refused before that one. Nothing is written.
	db, err := sql.Open("sqlite", fileURI(old)+"?vfs=unix-excl&_pragma=writable_schema(1)")
	if err != nil {
		return 0, err.Error()
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	var broken []string
	for _, table := range []string{"state", "spans", "events", "nights", "outbox", "hours", "quarters", "minutes"} {
		n, err := copyTable(db, s.w, table, false)
		kept += n
		if err != nil {
			n, _ = copyTable(db, s.w, table, true)
			kept += n
			broken = append(broken, table)
		}
	}
	if err := inTx(s.w, mend); err != nil {
		broken = append(broken, "state")
	}
	s.days = 1 // made again rather than copied
	if broken == nil {
		return kept, "every table could be read to its end"
	}
	return kept, "rows are missing from " + strings.Join(slices.Compact(broken), ", ")
}

// mend makes the salvaged tables fit each other: events keep their own date where their
// span is lost, a message or a night without its event is nothing, and the mark's count of
// minutes is not what was copied.
func mend(tx *sql.Tx) error {
	for _, q := range []string{
		"INSERT OR IGNORE INTO spans SELECT DISTINCT span, '', 0, 0 FROM events",
		"DELETE FROM outbox WHERE id NOT IN (SELECT id FROM events)",
		"DELETE FROM nights WHERE id NOT IN (SELECT id FROM events)",
		markUndated, // a file of an older schema does not say it
	} {
		if _, err := tx.Exec(q); err != nil {
			return err
		}
	}
	m, err := readMark(tx)
	if err != nil || m.Boot == "" {
		return err
	}
	if err := tx.QueryRow("SELECT count(*) FROM minutes").Scan(&m.Minutes); err != nil {
		return err
	}
	return putMark(tx, m)
}

// copyTable copies rows until the first that cannot be read, and returns how many were new.
func copyTable(from, to *sql.DB, table string, backwards bool) (int64, error) {
	have, err := columnsOf(from, table)
	if err != nil {
		return 0, err
	}
	wanted, err := columnsOf(to, table)
	if err != nil {
		return 0, err
	}
	have = slices.DeleteFunc(have, func(c string) bool { return !slices.Contains(wanted, c) })
	if len(have) == 0 {
		return 0, fmt.Errorf("table %s cannot be read", table)
	}
	for i, c := range have {
		have[i] = strconv.Quote(c)
	}
	order := "1"
	if table == "outbox" {
		order = "1, 2"
	}
	if backwards {
		order = strings.ReplaceAll(order, "1", "1 DESC")
		order = strings.ReplaceAll(order, ", 2", ", 2 DESC")
	}
	list := strings.Join(have, ", ")
	rows, err := from.Query(fmt.Sprintf("SELECT %s FROM %s ORDER BY %s", list, table, order))
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	insert := fmt.Sprintf("INSERT OR IGNORE INTO %s (%s) VALUES (%s)", table, list, placeholders(len(have)))
	var kept int64
	for more := true; more; {
		err := inTx(to, func(tx *sql.Tx) error {
			var n int64
			n, more, err = copyRows(rows, tx, insert, len(have))
			kept += n
			return err
		})
		if err != nil {
			return kept, err
		}
	}
	return kept, rows.Err()
}

// copyRows copies one commit's worth.
func copyRows(rows *sql.Rows, tx *sql.Tx, insert string, width int) (kept int64, more bool, err error) {
	stmt, err := tx.Prepare(insert)
	if err != nil {
		return 0, false, err
	}
	defer stmt.Close()
	values, into := make([]any, width), make([]any, width)
	for i := range values {
		into[i] = &values[i]
	}
	for range pruneAtOnce {
		if !rows.Next() {
			return kept, false, nil
		}
		if err := rows.Scan(into...); err != nil {
			return kept, false, nil // the caller sees it in rows.Err or tries from the other end
		}
		res, err := stmt.Exec(values...)
		if err != nil {
			return kept, false, err
		}
		if n, err := res.RowsAffected(); err == nil {
			kept += n
		}
	}
	return kept, true, nil
}

// reservePath is a file of zeros that is deleted when the disk is full.
func (s *Store) reservePath() string { return s.path + ".reserve" }

// makeReserve writes the reserve file if it is not there.
func (s *Store) makeReserve() error {
	if _, err := os.Stat(s.reservePath()); err == nil {
		return nil
	}
	if err := os.WriteFile(s.reservePath(), make([]byte, reserveBytes), 0o640); err != nil {
		s.freeReserve()
		return fmt.Errorf("write reserve: %w", err)
	}
	return nil
}

func (s *Store) freeReserve() { _ = os.Remove(s.reservePath()) }

// sizeBytes is what the store occupies: the file, its log and the reserve.
func (s *Store) sizeBytes() int64 {
	var n int64
	for _, p := range []string{s.path, s.path + "-wal", s.reservePath()} {
		if st, err := os.Stat(p); err == nil {
			n += st.Size()
		}
	}
	return n
}

// writtenBytes is what this process has handed to the disk since it started, by the
// kernel's own account, or -1 where there is no such account. (proc(5), /proc/pid/io)
func writtenBytes() int64 {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return -1
	}
	for line := range strings.Lines(string(text)) {
		if v, ok := strings.CutPrefix(line, "write_bytes:"); ok {
			if n, err := strconv.ParseInt(strings.TrimSpace(v), 10, 64); err == nil {
				return n
			}
		}
	}
	return -1
}
