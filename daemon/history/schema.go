package history

import (
	"database/sql"
	"fmt"
	"net/url"
	"slices"

	"modernc.org/sqlite"
)

// spanStride numbers rows: id = span * spanStride + index. A hundred million minutes are
// 190 years, and the number reads as two in a shell.
const spanStride = 100_000_000

func (r row) id() int64 { return r.span*spanStride + r.index }

// level is one of the four resolutions of the charts.
type level struct {
	table   string
	minutes int64
}

func levels() [4]level {
	return [4]level{{"minutes", 1}, {"quarters", 15}, {"hours", 60}, {"days", 24 * 60}}
}

// The rows of table state.
const (
	stateMark  = 1 // newest committed tick, totals
	statePatch = 2 // and 3: checkpoints as changes to a base
	stateBase  = 4 // and 5: whole checkpoints; behind the others, which then share a page
)

// migrations bring a file from the version of their index to the next. A released step is
// never changed: a file in the field has taken it.
func migrations() []string {
	return []string{
		`CREATE TABLE state (id INTEGER PRIMARY KEY, gen INTEGER NOT NULL, body BLOB NOT NULL);
		CREATE TABLE spans (span INTEGER PRIMARY KEY, boot TEXT NOT NULL, offset_ms INTEGER NOT NULL, trusted INTEGER NOT NULL);
		CREATE TABLE minutes (id INTEGER PRIMARY KEY, ticks INTEGER NOT NULL, short TEXT);
		CREATE TABLE quarters (id INTEGER PRIMARY KEY, ticks INTEGER NOT NULL, short TEXT);
		CREATE TABLE hours (id INTEGER PRIMARY KEY, ticks INTEGER NOT NULL, short TEXT);
		CREATE TABLE events (id INTEGER PRIMARY KEY, span INTEGER NOT NULL, up_ms INTEGER NOT NULL, trusted INTEGER NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL);
		CREATE TABLE nights (id INTEGER PRIMARY KEY, date TEXT NOT NULL, version INTEGER NOT NULL);
		CREATE INDEX nights_by_date ON nights (date, version, id);
		CREATE TABLE outbox (path TEXT NOT NULL, id INTEGER NOT NULL, severity INTEGER NOT NULL, PRIMARY KEY (path, id)) WITHOUT ROWID;`,

		// A folded row says how many alarms it stands for.
		`ALTER TABLE outbox ADD COLUMN dropped INTEGER NOT NULL DEFAULT 0;`,

		// Years are drawn from days, and which nights have no date is asked of their small table.
		`CREATE TABLE days (id INTEGER PRIMARY KEY, ticks INTEGER NOT NULL, short TEXT);
		ALTER TABLE nights ADD COLUMN undated INTEGER;`,
	}
}

// markUndated marks the nights whose clock nobody vouched for, where that is not known yet.
const markUndated = `UPDATE nights SET undated = (SELECT body LIKE '%"clock_untrusted":true%' FROM events WHERE events.id = nights.id) WHERE undated IS NULL`

// attach opens the file and brings its schema up to date.
func (s *Store) attach() error {
	// Half the cost of a commit on ext4 is the time stamps that fsync pushes through the
	// journal (libraries.md 1.2). Where there is no fdatasync, fsync is as good and dearer.
	_, _ = sqlite.Fdatasync(true)
	w, err := sql.Open("sqlite", s.dsn("_txlock=immediate"))
	if err != nil {
		return err
	}
	w.SetMaxOpenConns(1)
	s.w = w
	if err := s.migrate(); err != nil {
		return err
	}
	r, err := sql.Open("sqlite", s.dsn("_pragma=query_only(1)"))
	if err != nil {
		return err
	}
	r.SetMaxOpenConns(1)
	s.r = r
	return nil
}

// detach closes both connections.
func (s *Store) detach() error {
	var first error
	for _, db := range []*sql.DB{s.r, s.w} { // the writer last: it folds the log into the file
		if db == nil {
			continue
		}
		if err := db.Close(); err != nil && first == nil {
			first = err
		}
	}
	s.r, s.w = nil, nil
	return first
}

// dsn is libraries.md 1.5: unix-excl keeps the index of the write-ahead log in memory, which
// halves the bytes and lets a file on a full disk be opened; FULL syncs every commit.
func (s *Store) dsn(more string) string {
	return fileURI(s.path) + "?vfs=unix-excl&" + more +
		"&_pragma=busy_timeout(2000)&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)" +
		"&_pragma=cache_size(-512)&_pragma=temp_store(MEMORY)" +
		fmt.Sprintf("&_pragma=max_page_count(%d)", s.o.MaxBytes/pageBytes)
}

func fileURI(path string) string { return "file:" + (&url.URL{Path: path}).EscapedPath() }

// migrate takes the steps the file has not taken, each in one transaction, adds columns for
// channels that were not wired before, and marks the nights that an older program left without
// a mark, or a salvage that was cut off. A file of a newer program is refused, since what
// this one does not understand it would damage.
func (s *Store) migrate() error {
	steps := migrations()
	var version int
	if err := s.w.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return err
	}
	if version > len(steps) {
		return fmt.Errorf("written by a newer frostline (schema %d, this one knows up to %d): install that version again, or move the file away to begin a new history", version, len(steps))
	}
	for ; version < len(steps); version++ {
		err := inTx(s.w, func(tx *sql.Tx) error {
			if _, err := tx.Exec(steps[version]); err != nil {
				return err
			}
			_, err := tx.Exec(fmt.Sprintf("PRAGMA user_version = %d", version+1))
			return err
		})
		if err != nil {
			return fmt.Errorf("migrate schema %d to %d: %w", version, version+1, err)
		}
	}
	return inTx(s.w, func(tx *sql.Tx) error {
		if err := s.addColumns(tx); err != nil {
			return err
		}
		_, err := tx.Exec(markUndated)
		return err
	})
}

// addColumns gives every table of charts the columns of every series, and those that another
// one has: columns of channels no longer wired stay, and a level that is new gets them too.
func (s *Store) addColumns(tx *sql.Tx) error {
	var wanted []string
	for _, se := range s.series {
		wanted = append(wanted, se.columns()...)
	}
	have := make(map[string][]string)
	for _, l := range levels() {
		var err error
		if have[l.table], err = columnsOf(tx, l.table); err != nil {
			return err
		}
		wanted = append(wanted, have[l.table]...)
	}
	for _, l := range levels() {
		for _, c := range wanted {
			if slices.Contains(have[l.table], c) {
				continue
			}
			have[l.table] = append(have[l.table], c)
			if _, err := tx.Exec(fmt.Sprintf("ALTER TABLE %s ADD COLUMN %q INTEGER", l.table, c)); err != nil {
				return fmt.Errorf("add column %s to %s: %w", c, l.table, err)
			}
		}
	}
	return nil
}

// querier is what a database and a transaction have in common.
type querier interface {
	Query(query string, args ...any) (*sql.Rows, error)
}

// columnsOf names the columns of a table; none means there is no such table.
func columnsOf(q querier, table string) ([]string, error) {
	rows, err := q.Query("SELECT name FROM pragma_table_info(?)", table)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var names []string
	for rows.Next() {
		var n string
		if err := rows.Scan(&n); err != nil {
			return nil, err
		}
		names = append(names, n)
	}
	return names, rows.Err()
}

// inTx runs f in one transaction.
func inTx(db *sql.DB, f func(*sql.Tx) error) error {
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	if err := f(tx); err != nil {
		_ = tx.Rollback() // the first error is the one to tell
		return err
	}
	return tx.Commit()
}
