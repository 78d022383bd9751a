package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
)

// Copy writes the committed store to a new file at path, whole and as of one moment, while
// the writer goes on: at most ten minutes of chart points are not in it yet. Alarms that wait
// to be sent are left out, since they are sent from here and must not be sent twice. The
// disk needs room for it; on an error nothing is left behind.
func (s *Store) Copy(ctx context.Context, path string) error {
	s.files.RLock()
	defer s.files.RUnlock()
	if s.r == nil {
		return errors.New("copy history: the store is closed")
	}
	if err := s.copyTo(ctx, path); err != nil {
		_ = os.Remove(path) // the first error is the one to tell
		return fmt.Errorf("copy history: %w", err)
	}
	return nil
}

func (s *Store) copyTo(ctx context.Context, path string) error {
	// A connection of its own: the page's must not wait for a minute's copying.
	db, err := sql.Open("sqlite", s.dsn("_txlock=deferred"))
	if err != nil {
		return err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", path); err != nil {
		return err
	}
	copied, err := sql.Open("sqlite", fileURI(path)+"?_pragma=journal_mode(DELETE)&_pragma=secure_delete(1)")
	if err != nil {
		return err
	}
	_, err = copied.ExecContext(ctx, "DELETE FROM outbox")
	return errors.Join(err, copied.Close())
}

// Contents is what a file of history holds.
type Contents struct {
	Schema int
	Nights int64 // rows of the ledger, every version counted
	Events int64
	Hours  int64 // of charts
}

// Inspect looks at every page of a file that no process has open, and refuses one that is
// damaged, is no history, or was written by a newer program. It changes nothing.
func Inspect(ctx context.Context, path string) (Contents, error) {
	c, err := inspect(ctx, path)
	if err != nil {
		return c, fmt.Errorf("inspect history: %s: %w", path, err)
	}
	return c, nil
}

func inspect(ctx context.Context, path string) (c Contents, err error) {
	if _, err := os.Stat(path); err != nil {
		return c, err
	}
	db, err := sql.Open("sqlite", fileURI(path)+"?mode=ro&immutable=1&_pragma=query_only(1)")
	if err != nil {
		return c, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	var found string
	if err := db.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&found); err != nil {
		return c, err
	}
	if found != "ok" {
		return c, fmt.Errorf("damaged: %s", found)
	}
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&c.Schema); err != nil {
		return c, err
	}
	switch known := len(migrations()); {
	case c.Schema < 1:
		return c, errors.New("not a history of frostline")
	case c.Schema > known:
		return c, fmt.Errorf("written by a newer frostline (schema %d, this one knows up to %d)", c.Schema, known)
	}
	for _, count := range []struct {
		table string
		into  *int64
	}{{"nights", &c.Nights}, {"events", &c.Events}, {"hours", &c.Hours}} {
		if err := db.QueryRowContext(ctx, "SELECT count(*) FROM "+count.table).Scan(count.into); err != nil {
			return c, err
		}
	}
	return c, nil
}

// InUse reports whether another process has the file open. If none has, what its log held
// is in the file afterwards. A file that is not there is used by nobody, nor is one that
// cannot be read as a store.
func InUse(path string) (bool, error) {
	if _, err := os.Stat(path); err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return false, nil
		}
		return false, err
	}
	db, err := sql.Open("sqlite", fileURI(path)+"?vfs=unix-excl&_pragma=busy_timeout(200)")
	if err != nil {
		return false, err
	}
	db.SetMaxOpenConns(1)
	_, err = db.Exec("BEGIN IMMEDIATE; ROLLBACK")
	if e := db.Close(); err == nil {
		err = e
	}
	return isLocked(err), nil
}
